"""A disk that is really full: the real watch, its page, the box of requests, the handover and the report."""

import subprocess
import sys
import urllib.request
from contextlib import closing

import pytest

from daemon.check.load import load_settings
from daemon.journal.journal import Journal
from tests.daemon.page.test_acts import Person
from tests.rigs.daemon_run import PATIENCE_S, DaemonRun, write_settings
from tests.rigs.journal_file import readings_in
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.parts.small_disk import needs_mount, small_disk
from tests.rigs.places import ROOT

FULL = "THE DISK IS FULL: nothing new can be written down; make room."
FORM = "/write?vessel=k1&kind=feed"
MODULE = [sys.executable, "-m", "daemon"]


class Served:
    """A rack whose journal lies on a small disk, with the real watch and the real page."""

    def __init__(self, folder, disk, broker, line):
        self.port, self.path = free_port(), disk.path / "journal.sqlite"
        page = f"[page]\nport = {self.port}\nacts = true\n"
        self.file = write_settings(disk.path, line.path, broker.port, more=page, name=folder / "rack.toml")
        self.file.write_text(self.file.read_text().replace("time_zone =", 'people = ["ada"]\ntime_zone =', 1))
        self.settings, self.watch = load_settings(self.file), DaemonRun(self.file)

    def while_it_runs(self, deed):
        """What is asked is answered by the real watch."""
        return deed()

    def page(self):
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/", timeout=PATIENCE_S) as answer:
            return answer.read().decode()

    def run(self, *words):
        command = [*MODULE, *map(str, words), "--settings", str(self.file)]
        return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)

    def fed(self):
        with closing(Journal(self.path, writable=False)) as journal:
            return [it.body["value"] for it in journal.inputs.actions("log")]


@pytest.fixture
def rack(tmp_path):
    line = PtyLine(tmp_path / "serial")
    with (
        small_disk(tmp_path / "disk", 16) as disk,
        Mosquitto(tmp_path) as broker,
        Peer(line, lambda request: answer_frame(request[0], request[1], 1_500)),
    ):
        made = Served(tmp_path, disk, broker, line)
        made.disk = disk
        made.watch.start()
        made.watch.wait_for(lambda: readings_in(made.path) > 20, "readings")
        command = [*MODULE, "page", "--settings", str(made.file)]
        serving = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        try:
            serving.stdout.readline()
            wait_for(lambda: "watched · read" in made.page())
            yield made
            assert serving.poll() is None, "the page has lived through it"
        finally:
            serving.terminate()
            serving.wait(PATIENCE_S)
            serving.stdout.close()
            made.watch.end_by_force()
    line.unplug()


@needs_mount
@pytest.mark.timeout(400)
def test_on_a_full_disk_everything_says_so_in_a_line_loses_nothing_and_goes_on_when_there_is_room(
    rack, tmp_path
):
    ada = Person(rack, "ada")

    def feed(value):
        return ada.post(FORM, **ada.form_of(FORM) | {"vessel": "k1", "kind": "feed", "value": value})

    assert feed(5)[0] == 200
    rack.disk.fill()
    wait_for(lambda: FULL in rack.page())
    status = rack.run("status")
    assert FULL in " ".join(status.stdout.split())
    assert status.returncode == 4, "something calls"
    taken, refused = [5.0], ""
    for value in (6, 7, 8):
        rack.disk.fill()
        code, _, page = feed(value)
        taken += [value] if "written down by ada" in page else []
        refused += "" if code == 200 else f"{value}: {code} "
    with small_disk(tmp_path / "paper", 1) as paper:
        night, report = paper.path / "night.html", paper.path / "report.html"
        night.write_text("of yesterday")
        paper.fill()
        for words in (
            ("handover", night),
            ("replay", rack.path, "--report", report),
        ):
            its = rack.run(*words)
            (line,) = its.stderr.splitlines()
            assert its.returncode
            assert f"{words[-1]}: No space left on device" in line
        assert night.read_text() == "of yesterday"
        assert not report.exists(), "half a page is none"
    before = readings_in(rack.path)
    rack.disk.make_room()
    wait_for(lambda: FULL not in rack.page())
    rack.watch.wait_for(lambda: readings_in(rack.path) > before + 20, "readings on the emptied disk")
    assert feed(9)[0] == 200
    assert rack.fed() == [*taken, 9.0], f"refused: {refused}"
