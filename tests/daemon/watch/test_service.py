"""Crash only: a thread that dies takes the process with it, in clear words, and nothing committed is lost."""

import json
import subprocess
import sys
from contextlib import closing

from daemon.journal.schema import open_for_reading
from tests.rigs.daemon_run import PATIENCE_S, ROOT, DaemonRun, write_settings
from tests.rigs.journal_file import asked, readings_in
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.parts.subscriber import Subscriber

DIES_AFTER_POLLS = 10
DIES = f"""
import sys
from daemon.commands.cli import main
from drivers.modbus_bus import ModbusBus

polls, sound = [], ModbusBus._poll

def poll(self, *rest):
    polls.append(1)
    if len(polls) > {DIES_AFTER_POLLS}:
        raise ZeroDivisionError("a fault that nobody thought of")
    sound(self, *rest)

ModbusBus._poll = poll
sys.exit(main(["run", "--settings", sys.argv[1]]))
"""
"""The daemon with a fault in a driver, which shows after some polls."""


def fifteen_degrees(request):
    return answer_frame(request[0], request[1], 1500)


def test_a_bus_thread_that_dies_ends_the_process_and_says_why(tmp_path):
    line = PtyLine(tmp_path / "serial")
    with (
        Mosquitto(tmp_path) as broker,
        Peer(line, fifteen_degrees),
        Subscriber(broker.port, "bellwatch/bench/watch") as screen,
    ):
        settings = write_settings(tmp_path, line.path, broker.port, silent_after_s=60)
        done = subprocess.run(
            [sys.executable, "-c", DIES, str(settings)], cwd=ROOT, capture_output=True, text=True,
            timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        states = [json.loads(payload)["state"] for payload in screen.payloads("bellwatch/bench/watch")]
        if states[-1] != "gone":
            screen.wait_for(lambda heard: '"gone"' in heard[-1].payload, "the last will")
    line.unplug()
    assert done.returncode == 1
    lines = [json.loads(said) for said in done.stderr.splitlines() if said.startswith("{")]
    (died,) = [said for said in lines if said["event"] == "thread_died"]
    assert (died["level"], died["of"]) == ("critical", "ModbusBus")
    assert "a fault that nobody thought of" in died["why"]
    assert [said["on_purpose"] for said in lines if said["event"] == "stopped"] == [False]
    assert readings_in(tmp_path / "journal.sqlite") == DIES_AFTER_POLLS, "what had come is written down"


def test_what_the_buses_bring_until_the_stop_is_written_down_before_it_ends(tmp_path):
    line = PtyLine(tmp_path / "serial")
    with Mosquitto(tmp_path) as broker, Peer(line, fifteen_degrees) as peer:
        settings = write_settings(tmp_path, line.path, broker.port, commit_every_s=3600)
        daemon = DaemonRun(settings)
        try:
            daemon.start()
            wait_for(lambda: len(peer.requests) >= 20)
            assert readings_in(tmp_path / "journal.sqlite") == 0, "the commit is not due for an hour"
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
    line.unplug()
    assert readings_in(tmp_path / "journal.sqlite") >= 19
    with closing(open_for_reading(tmp_path / "journal.sqlite")) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_next_start_goes_on_from_where_the_last_one_stopped(tmp_path):
    line = PtyLine(tmp_path / "serial")
    path = tmp_path / "journal.sqlite"
    with Mosquitto(tmp_path) as broker, Peer(line, fifteen_degrees):
        daemon = DaemonRun(write_settings(tmp_path, line.path, broker.port, silent_after_s=60))
        try:
            for _ in range(2):
                known = readings_in(path)
                daemon.start()
                daemon.wait_for(lambda known=known: readings_in(path) > known + 5, "readings")
                assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
    line.unplug()
    times = [row for (row,) in asked(path, "SELECT at_ms FROM reading ORDER BY seq")]
    assert times == sorted(times)
    assert asked(path, "SELECT count(*) FROM action WHERE kind = 'configure'") == [(1,)], (
        "same plan, no new one"
    )
