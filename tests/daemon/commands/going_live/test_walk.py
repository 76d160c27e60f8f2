"""The walk, with a real watch and a probe on a pseudo-terminal that is unplugged, put back and warmed."""

import os
import subprocess
import sys
import threading

import pytest

from daemon.commands.cli import main
from tests.rigs.daemon_run import DaemonRun, write_settings
from tests.rigs.journal_file import asked
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.places import ROOT

PATIENCE_S = 120.0


BAROMETER = """
[probes.barometer]
bus = "line"
unit_id = 2
every_s = 0.2
registers = [{ quantity = "air_pressure", address = 0, type = "int16", scale = 0.675 }]
"""


class Bench:
    """A watched rack; `words` is what the probe's register holds now."""

    def __init__(self, folder, more=""):
        self.line, self.hundredths = PtyLine(folder / "serial"), 1500
        self.settings = write_settings(folder, self.line.path, free_port(), every_s=0.2, more=more)
        self.journal = folder / "journal.sqlite"
        self.daemon = DaemonRun(self.settings)

    def answer(self, request):
        return answer_frame(request[0], request[1], self.hundredths) if self.hundredths else None


@pytest.fixture
def bench(tmp_path, request):
    bench = Bench(tmp_path, getattr(request, "param", ""))
    with Peer(bench.line, bench.answer):
        try:
            bench.daemon.start()
            bench.daemon.wait_for(lambda: asked(bench.journal, "SELECT 1 FROM reading LIMIT 1"), "a reading")
            yield bench
            assert bench.daemon.stop() == 0
        finally:
            bench.daemon.end_by_force()
    bench.line.unplug()


def walked(bench, *steps):
    """Walk, doing a step whenever the walk asks for one; return what it said and its exit status."""
    command = [sys.executable, "-m", "daemon", "walk", "--who", "kim", "--settings", str(bench.settings)]
    walk = subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=os.environ, bufsize=0
    )
    patience = threading.Timer(PATIENCE_S, walk.kill)
    patience.start()
    said = b""
    for step in steps:
        while not said.endswith(b"skip it: ") and (more := os.read(walk.stdout.fileno(), 4096)):
            said += more
        said += b"\n"
        if step is not None:
            bench.hundredths = step
        walk.stdin.write(b"s\n" if step is None else b"\n")
    walk.stdin.close()
    said += walk.stdout.read()
    walk.stdout.close()
    patience.cancel()
    return walk.wait(), said.decode()


def test_what_is_done_is_seen_and_kept_in_the_logbook(bench, capsys):
    status, said = walked(bench, 0, 1500, 2200)
    assert status == 0, said
    assert said.count("... seen after") == 3
    ((who, body),) = asked(bench.journal, "SELECT who, body FROM action WHERE kind = 'log'")
    assert who == "kim"
    for step in ("unplugged: seen after", "put back: seen after", "in a warm cup: seen after"):
        assert step in body
    assert main(["walk", "--after-power", "--who", "kim", "--settings", str(bench.settings)]) == 0
    assert "watching again" in capsys.readouterr().out
    assert main(["log", "k1", "--settings", str(bench.settings)]) == 0
    assert "acceptance" in capsys.readouterr().out


def test_a_probe_that_is_read_by_the_watch_is_asked_of_it_and_not_of_the_line(bench, capsys):
    probe = asked(bench.journal, "SELECT probe FROM source LIMIT 1")[0][0]
    assert main(["probe", "read", probe, "--settings", str(bench.settings)]) == 0
    assert "as the watch reads it" in capsys.readouterr().out
    assert main(["probe", "scan", "line", "--settings", str(bench.settings)]) == 2
    assert "the watch is using it, and nothing disturbs it" in capsys.readouterr().err


@pytest.mark.parametrize("bench", [BAROMETER], indirect=True)
def test_a_barometer_is_followed_beside_the_watch_and_a_probe_that_it_does_not_have_is_said(bench, capsys):
    bench.daemon.wait_for(
        lambda: len(asked(bench.journal, "SELECT DISTINCT source FROM reading")) > 1, "both"
    )
    beside = ("--settings", str(bench.settings))
    assert main(["probe", "follow", "barometer", "--for", "3s", *beside]) == 0
    assert "air_pressure: 1012" in capsys.readouterr().out
    text = bench.settings.read_text()
    bench.settings.write_text(text + BAROMETER.replace("barometer", "new").replace("= 2", "= 3"))
    assert main(["probe", "read", "new", *beside]) == 1
    assert capsys.readouterr().out.startswith("new: the watch does not read it yet; sudo systemctl restart")
    assert main(["probe", "follow", "new", "--for", "2s", *beside]) == 1
    assert capsys.readouterr().out == "nothing of new within 2 s\n"
    bench.settings.write_text(text)


def test_without_a_watch_there_is_nothing_to_walk_through(tmp_path, capsys):
    settings = write_settings(tmp_path, tmp_path / "serial", free_port())
    assert main(["walk", "--who", "kim", "--settings", str(settings)]) == 2
    assert "no watch is running; start it first" in capsys.readouterr().err
