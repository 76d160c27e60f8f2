"""Whether the watch lives: the real `bellwatch run`, looked at by another process of the same user."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import daemon.view.rack
from daemon import beat
from daemon.check.load import load_settings
from daemon.errors import JournalError, RequestError
from daemon.journal.asking import ask_daemon
from daemon.journal.sole_writer import SoleWriter, holder_of
from daemon.view.rack import rack_now
from daemon.view.rack_now import Overall, WatchState
from daemon.view.reader import JournalView
from rules.judging.watched import WatchedState
from tests.rigs.daemon_run import DaemonRun, write_settings
from tests.rigs.places import ROOT

NOW_MS = 1_800_000_000_000
NOBODY_LISTENS = 1
KEEPER = """
import sqlite3
import sys
journal = sqlite3.connect(sys.argv[1], isolation_level=None)
journal.execute("BEGIN IMMEDIATE")
print("keeping", flush=True)
sys.stdin.read()
"""
FED = {"vessel": "k1", "what": "feed", "note": ""}
LOOKER = """
import sys
from pathlib import Path
from daemon.journal.sole_writer import holder_of
print("looking", flush=True)
while True:
    holder_of(Path(sys.argv[1]))
"""


@pytest.fixture
def settings_file(tmp_path, monkeypatch):
    memory = tmp_path / "memory"
    memory.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(memory))
    return write_settings(tmp_path, tmp_path / "serial", NOBODY_LISTENS, silent_after_s=600)


@pytest.fixture
def run(settings_file, monkeypatch):
    run = DaemonRun(settings_file)
    run.start()
    run.wait_for(lambda: '"watching"' in run.log, "the watch")
    monkeypatch.delenv("RUNTIME_DIRECTORY")  # whoever looks has none
    yield run
    run.end_by_force()


def seen(settings_file):
    return rack_now(JournalView(load_settings(settings_file)), NOW_MS)


def test_a_watch_that_lives_leaves_its_beat_in_memory_only(run, settings_file, tmp_path):
    alive = seen(settings_file).watch
    assert alive.state is WatchState.ALIVE
    assert alive.age_s < daemon.view.rack.HUNG_AFTER_S
    assert alive.since_ms <= NOW_MS
    (its_beat,) = (tmp_path / "memory").iterdir()
    first = its_beat.read_bytes()
    run.wait_for(lambda: its_beat.read_bytes() != first, "the next beat")
    assert not list(tmp_path.glob("*.beat"))
    assert run.stop() == 0
    assert list((tmp_path / "memory").iterdir()) == [], "it is taken away in the end"
    assert seen(settings_file).watch.state is WatchState.DEAD


def test_killed_it_is_dead_at_once(run, settings_file):
    run.kill_after(0)
    rack = seen(settings_file)
    assert rack.watch.state is WatchState.DEAD
    assert rack.watch.age_s < 10.0, "since its last turn"
    assert rack.overall is Overall.NOT_WATCHED
    (channel,) = rack.vessels[0].channels
    assert (channel.watched.state, channel.watched.why) == (WatchedState.UNWATCHED, "the watch is dead")


def test_hanging_it_is_told_from_dead(run, settings_file, monkeypatch):
    monkeypatch.setattr(daemon.view.rack, "HUNG_AFTER_S", 3.0)
    assert seen(settings_file).watch.state is WatchState.ALIVE
    run.pause()
    run.wait_for(lambda: seen(settings_file).watch.state is WatchState.HUNG, "the beat to grow old")
    rack = seen(settings_file)
    assert rack.watch.age_s > 3.0
    assert rack.overall is Overall.NOT_WATCHED


def test_it_does_not_live_while_another_program_holds_its_journal(run, settings_file, tmp_path, monkeypatch):
    """No turn that could not be written down passes for one."""
    monkeypatch.setattr(daemon.view.rack, "HUNG_AFTER_S", 3.0)
    journal = tmp_path / "journal.sqlite"
    keeper = [sys.executable, "-c", KEEPER, str(journal)]
    with subprocess.Popen(keeper, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as keeping:
        assert keeping.stdout.readline() == b"keeping\n"
        with pytest.raises(RequestError, match="no answer from the daemon"):
            ask_daemon(journal, "log", FED, "Ada", within_s=0.1)
        run.wait_for(lambda: seen(settings_file).overall is Overall.NOT_WATCHED, "no turn for a while")
        keeping.stdin.close()
    run.wait_for(lambda: seen(settings_file).watch.state is WatchState.ALIVE, "a turn that is done")


def test_a_start_after_a_crash_is_not_yet_a_turn(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    now_s = 1000.0
    monkeypatch.setattr("time.monotonic", lambda: now_s)
    first = SoleWriter(tmp_path / "journal.sqlite")
    first.release(on_purpose=False)
    now_s = 1060.0
    again = SoleWriter(tmp_path / "journal.sqlite")
    (path,) = tmp_path.glob("*.beat")
    assert beat.beats_at(path) == beat.Beats(began_s=0.0, last_s=60.0)
    again.beat()
    assert beat.beats_at(path) == beat.Beats(began_s=0.0, last_s=0.0)
    again.release()
    assert not path.exists(), "it ended on purpose"


def test_a_lock_that_was_deleted_is_laid_again(run, settings_file, tmp_path):
    lock = tmp_path / "journal.sqlite.lock"
    lock.unlink()
    run.wait_for(lambda: "lock_vanished" in run.log and lock.read_text(), "the lock")
    assert seen(settings_file).watch.state is WatchState.ALIVE
    with pytest.raises(JournalError, match="is writing it"):
        SoleWriter(tmp_path / "journal.sqlite")


def test_a_changed_file_changes_nothing_before_the_daemon_takes_it(run, settings_file):
    def highest():
        return seen(settings_file).vessels[0].channels[0].limits.critical_high

    assert highest() == 25.0
    text = settings_file.read_text()
    settings_file.write_text(text.replace("critical_high_c = 25", "critical_high_c = 30"))
    assert highest() == 25.0
    assert run.stop() == 0
    assert highest() == 25.0
    run.start()
    run.wait_for(lambda: highest() == 30.0, "the new plan")


def test_nobody_ever_watched(tmp_path):
    assert holder_of(tmp_path / "journal.sqlite") is None


def test_asking_whether_it_lives_keeps_no_daemon_from_starting(tmp_path):
    """Whoever asks holds the lock for a moment; a daemon that starts then tries again."""
    journal = tmp_path / "journal.sqlite"
    SoleWriter(journal).release()
    with subprocess.Popen(
        [sys.executable, "-c", LOOKER, str(journal)], cwd=ROOT, stdout=subprocess.PIPE
    ) as looker:
        try:
            assert looker.stdout.readline() == b"looking\n"
            for _ in range(300):
                SoleWriter(journal).release()
        finally:
            looker.kill()


def test_without_a_folder_in_memory_it_says_so(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "none"))
    monkeypatch.setattr(os, "access", lambda _place, _mode: False)
    with pytest.raises(JournalError, match=r"no folder in memory for the watch's beat; .* must be writable"):
        SoleWriter(tmp_path / "journal.sqlite")


def test_a_beat_that_is_gone_is_none(tmp_path):
    assert beat.beats_at(tmp_path / "none") is None
    (tmp_path / "torn").write_text("12.5 ")
    assert beat.beats_at(tmp_path / "torn") is None
    assert beat.beats_at(Path()) is None
