"""The real daemon with a disk that fills up, goes read-only, loses the journal or damages it.

Each test states what the daemon said (its log), what it did, and what the journal holds afterwards.
"""

import json
import math
import random
import re
import sqlite3
import time
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.clock import SteadyClock
from daemon.errors import JournalError
from daemon.files import identity
from daemon.journal import integrity
from daemon.journal.dating import Dating
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.journal.repair import GIVES_UP_AFTER_S, JournalRepair
from daemon.journal.schema import PAGE_BYTES, open_for_reading, open_for_writing
from tests.rigs.bench import START_MS, Bench, steady
from tests.rigs.daemon_run import PATIENCE_S, DaemonRun, write_settings
from tests.rigs.daemon_thread import running_daemon
from tests.rigs.minute_rack import rack_in
from tests.rigs.parts.event_listener import EventListener
from tests.rigs.parts.mosquitto import Mosquitto, free_port
from tests.rigs.parts.ordinary_user import needs_root, ordinary_user
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.small_disk import failing_disk, needs_mount, small_disk


class Water:
    """The probe's answer: water that swings through every limit, about once in two seconds."""

    def __init__(self):
        self.asked = 0

    def __call__(self, request):
        self.asked += 1
        celsius = 15 + 14 * math.sin(self.asked * 2 * math.pi / 40)
        return answer_frame(request[0], request[1], round(celsius * 100) & 0xFFFF)


@contextmanager
def rack(tmp_path, folder):
    """A broker, a probe and a daemon that is ready to start; its journal is in `folder`."""
    line = PtyLine(tmp_path / "serial")
    with Mosquitto(tmp_path) as broker, Peer(line, Water()):
        settings = write_settings(folder, line.path, broker.port, name=tmp_path / "bellwatch.toml")
        daemon = DaemonRun(settings)
        with EventListener(broker.port, "bellwatch/bench/#") as listener:
            try:
                yield daemon, listener
            finally:
                daemon.end_by_force()
    line.unplug()


def said(daemon, event):
    """What the daemon logged under a name, oldest first."""
    lines = [json.loads(line) for line in daemon.log.splitlines() if line.startswith("{")]
    return [line for line in lines if line.get("event") == event]


def asked(path, question):
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
            return db.execute(question).fetchall()
    except sqlite3.DatabaseError:
        return []


def count(path, table):
    found = asked(path, f"SELECT count(*) FROM {table}")
    return found[0][0] if found else 0


def numbers(path):
    return [row[0] for row in asked(path, "SELECT number FROM event ORDER BY number")]


def is_sound(path):
    return asked(path, "PRAGMA integrity_check") == [("ok",)]


@needs_mount
def test_a_full_disk_costs_the_oldest_raw_readings_and_no_alarm(tmp_path):
    with small_disk(tmp_path / "disk", 16) as disk, rack(tmp_path, disk.path) as (daemon, _):
        bench = Bench(disk.path)
        bench.watch.take(steady(60_000, 22), START_MS + 60_000_000)
        bench.power_cut()
        history = asked(bench.path, "SELECT * FROM event")
        assert history
        daemon.start()
        daemon.wait_for(lambda: count(bench.path, "event") > len(history) + 2, "alarms")
        disk.fill()
        daemon.wait_for(lambda: said(daemon, "journal_writable_again"), "room")
        events, readings = count(bench.path, "event"), asked(bench.path, "SELECT max(seq) FROM reading")
        daemon.wait_for(lambda: count(bench.path, "event") > events + 4, "alarms on a full disk")
        assert asked(bench.path, "SELECT max(seq) FROM reading") > readings
        assert daemon.stop() == 0
        (trouble, *_), (shed, *_) = said(daemon, "journal_not_writable"), said(daemon, "disk_full")
        assert trouble["why"] == "database or disk is full"
        assert shed["shed_readings"] >= 5_000
        assert shed["kept"] == "their hourly summaries"
        assert is_sound(bench.path)
        assert asked(bench.path, "SELECT * FROM event")[: len(history)] == history
        assert numbers(bench.path) == list(range(1, len(numbers(bench.path)) + 1))
        gone = sum(line["shed_readings"] for line in said(daemon, "disk_full"))
        assert asked(bench.path, "SELECT sum(readings) FROM hourly") == [(gone,)]
        (oldest,) = asked(bench.path, "SELECT min(seq) FROM reading")[0]
        assert oldest > gone


def test_where_nothing_could_be_let_go_nobody_is_told_that_the_oldest_readings_were(tmp_path):
    with rack_in(tmp_path) as young:
        young.minutes(3)
        repair = JournalRepair(young.journal, young.journal.state.dating)
        (pages,) = young.journal._db.execute("PRAGMA page_count").fetchone()
        young.journal._db.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(sqlite3.OperationalError, match="full") as full:
            young.minutes(600)
        repair.mend(full.value)
        assert repair.done == {}, "all of it is needed for a restart"


@needs_mount
@needs_root
@pytest.mark.parametrize("mode", [0o700, 0])
def test_a_disk_that_is_full_while_the_log_is_empty_or_its_folder_closed_takes_what_waits(mode):
    """Seen: the reserve took all the room that was made, and where nobody could look for it it ended."""
    with ordinary_user() as user, small_disk(user.folder / "disk", 16) as disk:
        user.owns(disk.path)
        bench = Bench(disk.path)
        repair = JournalRepair(bench.journal, bench.journal.state.dating)
        for start_ms in (START_MS, START_MS + 30_000_000):
            bench.watch.take(steady(30_000, 22, start_ms), start_ms + 30_000_000)
            bench.watch.stop()  # a restart begins with what it leaves, so that the readings before may go
        bench.journal.checkpoint()
        disk.fill()
        disk.path.chmod(mode)

        def is_written(readings):
            try:
                with user.rights():
                    bench.watch.take(readings, START_MS + 90_000_000)
            except sqlite3.OperationalError as full:
                bench.watch.start_over()
                with user.rights():
                    repair.mend(full)
                return False
            return True

        assert not is_written(steady(9_000, 22, START_MS + 60_000_000))
        disk.path.chmod(0o700)
        assert any(is_written([]) for _ in range(20))
        shed = repair.done["room made"]["readings"]
        assert count(bench.path, "reading") == 69_000 - shed
        assert repair.is_mended()
        bench.power_cut()


@needs_mount
def test_a_read_only_disk_ends_the_daemon_with_a_clear_line_and_the_broker_says_gone(tmp_path):
    """The kernel itself makes an ext4 disk read-only on its first error, as it does with a worn card."""
    with failing_disk(tmp_path, 24) as disk, rack(tmp_path, disk.path) as (daemon, listener):
        path = disk.path / "journal.sqlite"
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > 2, "alarms")
        disk.fail()
        assert daemon.wait_for_end() == 2
        before = numbers(path)
        last_line = daemon.log.strip().splitlines()[-1]
        assert last_line.startswith(f"journal {path}: ")
        assert "its disk must be writable and have room" in last_line
        listener.wait_until(lambda: listener.newest("watch", "state") == "gone", "the last will")
        daemon.start()
        assert daemon.wait_for_end() == 2
        assert "writable by this user" in daemon.log.strip().splitlines()[-1]
        disk.repair()
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > len(before) + 2, "alarms again")
        assert daemon.stop() == 0
        assert is_sound(path)
        assert numbers(path) == list(range(1, len(numbers(path)) + 1))
        assert listener.newest("watch", "state") == "stopped"


def test_a_turn_with_nothing_to_write_is_no_proof_that_the_journal_can_be_written(tmp_path, monkeypatch):
    """Seen: a read-only disk between commits; the daemon never gave up, and nobody was told."""
    now_s = 1_000.0
    monkeypatch.setattr(time, "monotonic", lambda: now_s)
    with closing(Journal(tmp_path / "journal.sqlite", writable=True)) as journal:
        repair = JournalRepair(journal, lambda: Dating([]))
        read_only = sqlite3.OperationalError("attempt to write a readonly database")
        repair.mend(read_only)
        assert not repair.is_mended()
        now_s += GIVES_UP_AFTER_S + 1
        with pytest.raises(JournalError, match="readonly database, for 6 s now"):
            repair.mend(read_only)
        with journal.transaction():
            journal.state.keep_note("some", "thing")
        assert repair.is_mended()
        repair.mend(read_only)


def test_a_journal_that_vanishes_is_written_again_with_everything_in_it(tmp_path):
    with rack(tmp_path, tmp_path) as (daemon, _):
        path = tmp_path / "journal.sqlite"
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > 2, "alarms")
        before = asked(path, "SELECT * FROM reading ORDER BY seq")
        for file in tmp_path.glob("journal.sqlite*"):
            file.unlink()
        daemon.wait_for(lambda: said(daemon, "journal_vanished"), "the journal's return")
        daemon.wait_for(lambda: count(path, "event") > 6, "alarms again")
        assert daemon.stop() == 0
        assert asked(path, "SELECT * FROM reading ORDER BY seq")[: len(before)] == before
        assert is_sound(path)
        assert numbers(path) == list(range(1, len(numbers(path)) + 1))
        (line,) = said(daemon, "journal_vanished")
        assert line["did"] == "wrote it there again, with everything in it"


def test_what_waits_for_its_commit_while_the_journal_vanishes_has_no_number_twice(tmp_path):
    """Seen: "UNIQUE constraint failed" in the log, as if the journal could not be written."""
    line = PtyLine(tmp_path / "serial")
    with Peer(line, lambda request: answer_frame(request[0], request[1], 1500)):
        daemon = DaemonRun(write_settings(tmp_path, line.path, free_port(), commit_every_s=3))
        path = tmp_path / "journal.sqlite"
        try:
            daemon.start()
            daemon.wait_for(lambda: count(path, "reading") > 2, "readings")
            for file in tmp_path.glob("journal.sqlite*"):
                file.unlink()
            daemon.wait_for(lambda: said(daemon, "journal_vanished"), "the journal's return")
            written = count(path, "reading")
            daemon.wait_for(lambda: count(path, "reading") > written, "readings again")
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
        assert not said(daemon, "journal_not_writable")
        assert is_sound(path)
    line.unplug()


def test_a_journal_that_is_moved_and_linked_to_lies_there_again(tmp_path):
    """Seen: it "committed" on into a log that nobody who opened the link would look for; screens failed."""
    with rack(tmp_path, tmp_path) as (daemon, _):
        path = tmp_path / "journal.sqlite"
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > 2, "alarms")
        before = asked(path, "SELECT * FROM reading ORDER BY seq")
        path.rename(tmp_path / "moved.sqlite")
        path.symlink_to(tmp_path / "moved.sqlite")
        daemon.wait_for(lambda: said(daemon, "journal_vanished"), "that it was noticed")
        daemon.wait_for(lambda: count(path, "event") > 6, "alarms again")
        daemon.kill_after(0.1)
        assert not path.is_symlink()
        assert asked(path, "SELECT * FROM reading ORDER BY seq")[: len(before)] == before
        assert is_sound(path)


@pytest.mark.parametrize("what", ["-wal", "-shm", ".again"])
def test_a_folder_in_the_way_is_put_aside(tmp_path, what):
    """Seen: the watch ended, and could not begin again."""
    with rack(tmp_path, tmp_path) as (daemon, _):
        path, in_the_way = tmp_path / "journal.sqlite", tmp_path / f"journal.sqlite{what}"
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > 2, "alarms")
        before = asked(path, "SELECT * FROM reading ORDER BY seq")
        in_the_way.unlink(missing_ok=True)
        in_the_way.mkdir()
        (in_the_way / "precious").touch()
        if what == ".again":
            path.unlink()
        daemon.wait_for(lambda: said(daemon, "journal_vanished"), "that it was noticed")
        daemon.wait_for(lambda: count(path, "event") > 6, "alarms again")
        daemon.kill_after(0.1)
        assert asked(path, "SELECT * FROM reading ORDER BY seq")[: len(before)] == before
        (aside,) = tmp_path.glob(f"journal.sqlite{what}.replaced-*")
        assert (aside / "precious").exists()


def test_what_comes_while_nobody_can_look_at_the_journal_is_kept(tmp_path):
    """Seen: what each such turn had taken from the probes was gone, and they were called silent."""
    folder, aside, water = tmp_path / "journal", tmp_path / "aside", Water()
    folder.mkdir()
    line = PtyLine(tmp_path / "serial")
    with Peer(line, water):
        daemon = DaemonRun(write_settings(folder, line.path, free_port(), name=tmp_path / "bellwatch.toml"))
        path = folder / "journal.sqlite"
        try:
            daemon.start()
            daemon.wait_for(lambda: count(path, "reading") > 2, "readings")
            folder.rename(aside)
            folder.touch()
            daemon.wait_for(lambda: said(daemon, "journal_not_writable"), "that it was noticed")
            asked_before = water.asked
            daemon.wait_for(lambda: water.asked > asked_before + 30, "more readings")
            folder.unlink()
            aside.rename(folder)
            written = count(path, "reading")
            daemon.wait_for(lambda: count(path, "reading") > written + 40, "that they are written down")
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
        assert count(path, "reading") > water.asked - 10, "a busy machine may miss some answers"
    line.unplug()


@needs_root
def test_a_folder_that_nobody_may_enter_any_more_ends_the_watch_with_a_clear_line():
    """Seen: a traceback of a look at the folder, from the watch or from the check beside it."""
    with ordinary_user() as user:
        folder, line = user.folder / "journal", PtyLine(user.folder / "serial")
        folder.mkdir()
        user.owns(folder)
        user.owns(line.path)
        with Peer(line, Water()):
            settings = write_settings(folder, line.path, free_port(), name=user.folder / "bellwatch.toml")
            daemon = DaemonRun(settings, user.as_them)
            try:
                daemon.start()
                daemon.wait_for(lambda: count(folder / "journal.sqlite", "reading") > 2, "readings")
                folder.chmod(0)
                assert daemon.wait_for_end() == 2
                last = daemon.log.strip().splitlines()[-1]
                assert re.match(rf"journal {folder}/journal.sqlite: .*: Permission denied, for \d+ s", last)
                assert "this user must be able to write there" in last
                assert not said(daemon, "thread_died")
                folder.chmod(0o700)
                daemon.start()
                before = count(folder / "journal.sqlite", "reading")
                daemon.wait_for(lambda: count(folder / "journal.sqlite", "reading") > before, "readings")
            finally:
                daemon.end_by_force()
        line.unplug()


@pytest.mark.parametrize("opens", [open_for_reading, open_for_writing])
def test_a_folder_in_the_journals_place_is_called_one(tmp_path, opens):
    """Seen: "disk I/O error", as SQLite says of it."""
    with pytest.raises(JournalError, match="a folder lies there; put it elsewhere, or name a file in it"):
        opens(tmp_path)


@pytest.mark.parametrize("what", ["-wal", "-shm"])
def test_a_log_that_is_taken_away_under_the_daemon_costs_nothing(tmp_path, what):
    """Seen: it "committed" on for as long as it ran, into a file that nobody would ever find again."""
    with rack(tmp_path, tmp_path) as (daemon, _):
        path = tmp_path / "journal.sqlite"
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > 2, "alarms")
        before = asked(path, "SELECT * FROM reading ORDER BY seq")
        (tmp_path / f"journal.sqlite{what}").unlink()
        daemon.wait_for(lambda: said(daemon, "journal_vanished"), "that it was noticed")
        daemon.wait_for(lambda: count(path, "event") > 6, "alarms again")
        daemon.kill_after(0.1)
        assert asked(path, "SELECT * FROM reading ORDER BY seq")[: len(before)] == before
        assert numbers(path) == list(range(1, len(numbers(path)) + 1))
        assert is_sound(path)


def test_a_log_that_is_taken_away_while_it_is_looked_at_costs_nothing(tmp_path, monkeypatch):
    """Seen: it was gone between the look at what it is and the look into it, and the watch ended."""
    path = tmp_path / "journal.sqlite"

    def then_taken_away(file):
        found = identity(file)
        if file.name.endswith("-shm"):
            (tmp_path / "journal.sqlite-wal").unlink()
        return found

    with closing(Journal(path, writable=True)) as journal:
        repair = JournalRepair(journal, lambda: Dating([]))
        with journal.transaction():
            journal.state.keep_note("some", "thing")
        repair.look()
        with monkeypatch.context() as while_looking:
            while_looking.setattr("daemon.journal.repair.identity", then_taken_away)
            repair.look()
        repair.look()
        with journal.transaction():
            journal.state.keep_note("another", "thing")
        with closing(Journal(path, writable=False)) as read_back:
            assert (read_back.state.note("some"), read_back.state.note("another")) == ("thing", "thing")


def test_a_log_that_is_cut_under_the_daemon_ends_in_a_new_run_that_says_so(tmp_path):
    with rack(tmp_path, tmp_path) as (daemon, _):
        path = tmp_path / "journal.sqlite"
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > 2, "alarms")
        with (tmp_path / "journal.sqlite-wal").open("r+b") as log:
            log.truncate(0)
        assert daemon.wait_for_end() == 2
        assert "log was cut" in daemon.log.strip().splitlines()[-1]
        daemon.start()
        before = count(path, "event")
        daemon.wait_for(lambda: count(path, "event") > before + 2, "alarms again")
        daemon.wait_for(lambda: "journal went back" in daemon.log, "the word")
        assert "log was cut" in said(daemon, "journal_damaged")[0]["reason"]
        assert daemon.stop() == 0
        assert asked(path, "SELECT count(DISTINCT id) > 0 FROM run WHERE reason LIKE 'damaged (%'") == [(1,)]
        assert is_sound(path)


def test_a_log_that_was_cut_is_noticed_also_once_it_is_as_long_again(tmp_path):
    """Seen: a commit came between the cut and the look, and nothing was noticed."""
    with closing(Journal(tmp_path / "journal.sqlite", writable=True)) as journal:
        repair, wal = JournalRepair(journal, lambda: None), tmp_path / "journal.sqlite-wal"
        repair.look()
        size = wal.stat().st_size
        with wal.open("r+b") as log:
            log.truncate(0)
            log.truncate(size)
        with pytest.raises(JournalError, match="log was cut"):
            repair.look()


def test_another_file_in_the_journals_place_ends_the_daemon(tmp_path):
    with rack(tmp_path, tmp_path) as (daemon, _):
        path = tmp_path / "journal.sqlite"
        daemon.start()
        daemon.wait_for(lambda: count(path, "reading") > 2, "readings")
        other = tmp_path / "other.sqlite"
        with sqlite3.connect(other) as db:
            db.execute("CREATE TABLE precious (x)")
        db.close()
        other.replace(path)
        assert daemon.wait_for_end() == 2
        last = daemon.log.strip().splitlines()[-1]
        assert "another file lies there now; what was in the journal is in " in last
        assert asked(path, "SELECT name FROM sqlite_schema") == [("precious",)], "and is left alone"
        (kept,) = tmp_path.glob("journal.sqlite.replaced-*")
        assert is_sound(kept)
        assert count(kept, "reading") > 2


def spoil(path, table):
    """Overwrite a page in the middle of a table, as a failing card does; return how many rows it had."""
    with sqlite3.connect(path) as db:
        (rows,) = db.execute(f"SELECT count(*) FROM {table}").fetchone()
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        pages = db.execute(
            "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY pageno", (table,)
        ).fetchall()
    db.close()
    (page,) = pages[len(pages) // 2]
    with path.open("r+b") as file:
        file.seek((page - 1) * PAGE_BYTES)
        file.write(b"\xa5" * PAGE_BYTES)
    return rows


def has_dbstat():
    try:
        sqlite3.connect(":memory:").execute("SELECT * FROM dbstat")
    except sqlite3.OperationalError:
        return False
    return True


@pytest.mark.skipif(not has_dbstat(), reason="this SQLite cannot tell which page belongs to which table")
@pytest.mark.parametrize("table", ["reading", "event"])
def test_a_damaged_page_found_at_the_start_sets_the_file_aside_and_logging_goes_on(tmp_path, table):
    with rack(tmp_path, tmp_path) as (daemon, _):
        path = tmp_path / "journal.sqlite"
        bench = Bench(tmp_path, silent_after_s=3_600.0)
        chance = random.Random(5)
        for k in range(120):  # so slowly that no alarm chatters, and never the same twice
            celsius, from_ms = 15 if k % 2 else 26, START_MS + k * 1_200_000
            read = steady(20, celsius, from_ms, 60_000)
            read = [replace(it, value=it.value + chance.gauss(0, 0.01)) for it in read]
            bench.watch.take(read, from_ms + 1_140_000)
        bench.watch.stop()
        last = bench.journal.history.last_event_number()
        bench.power_cut()
        rows = spoil(path, table)
        daemon.start()
        daemon.wait_for(lambda: (numbers(path) or [0])[-1] > last + 2, "alarms")
        assert daemon.stop() == 0
        (line,) = said(daemon, "journal_damaged")
        damaged = line["set_aside"]
        assert Path(damaged).exists()
        assert line["goes_on_in"] == str(path)
        assert is_sound(path)
        saved = line["saved"]
        if table == "event":
            assert rows - 100 < saved["event"] < rows, "the rows of one page are lost, no more"
        else:
            assert saved["event"] == last
        kept = [number for number in numbers(path) if number <= last]
        assert kept[0] == 1
        assert kept[-1] == last
        assert [number for number in numbers(path) if number > last][:3] == [last + 1, last + 2, last + 3]
        assert "restart_differs" not in daemon.log
        reason = asked(path, "SELECT reason FROM run ORDER BY number DESC LIMIT 1")[0][0]
        assert f"set aside as {Path(damaged).name}" in reason


def test_a_file_of_rubbish_is_set_aside_and_a_new_journal_begun(tmp_path):
    with rack(tmp_path, tmp_path) as (daemon, _):
        path = tmp_path / "journal.sqlite"
        path.write_bytes(b"\x5a" * 100_000)
        daemon.start()
        daemon.wait_for(lambda: count(path, "event") > 2, "alarms")
        assert daemon.stop() == 0
        (line,) = said(daemon, "journal_damaged")
        assert line["reason"].endswith("file is not a database")
        assert numbers(path) == list(range(1, len(numbers(path)) + 1))
        assert Path(line["set_aside"]).read_bytes() == b"\x5a" * 100_000


@pytest.mark.skipif(not has_dbstat(), reason="this SQLite cannot tell which page belongs to which table")
def test_damage_found_by_the_check_beside_the_watch_costs_no_alarm(tmp_path, monkeypatch):
    """A file too large to be read before the watch starts: its bad page is found while the watch runs."""
    monkeypatch.setattr(integrity, "CHECKED_AT_ONCE_BYTES", 0)
    bench = Bench(tmp_path)
    for k in range(120):
        celsius = 15 if k % 2 else 26
        bench.watch.take(steady(20, celsius, START_MS + k * 20_000), START_MS + k * 20_000 + 19_000)
    bench.watch.stop()
    standing = {alarm.name: alarm.since_ms for alarm in bench.watch.engine.alarms()}
    last, clock_ms = bench.journal.history.last_event_number(), bench.journal.state.clock_ms()
    bench.power_cut()
    assert standing
    spoil(bench.path, "event")
    with running_daemon(bench.settings, SteadyClock(clock_ms)):
        wait_until(lambda: list(tmp_path.glob("journal.sqlite.damaged-*")), "the file set aside")
        wait_until(lambda: last + 1 in numbers(bench.path), "the next alarm")
    assert is_sound(bench.path)
    assert next(number for number in numbers(bench.path) if number > last) == last + 1
    journal = Journal(bench.path, writable=False)
    now = {alarm.name: alarm.since_ms for alarm in engine_of(journal).alarms()}
    journal.close()
    assert standing.items() <= now.items()


def wait_until(condition, what):
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until, f"{what} never came"
        time.sleep(0.02)
