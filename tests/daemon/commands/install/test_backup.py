"""A backup is whole and sound although the daemon goes on writing, and the daemon does not wait for it."""

import sqlite3
import threading
import time
from contextlib import closing
from datetime import UTC, datetime

import pytest

from daemon.commands.cli import main
from daemon.commands.install.backup import backup, copies
from daemon.errors import JournalError
from daemon.journal.journal import Journal
from daemon.journal.sole_writer import SoleWriter
from tests.rigs.bench import START_MS, Bench, contents, refolded_events, steady, swinging

pytestmark = pytest.mark.usefixtures("quiet_logs")

NOW = datetime(2026, 8, 14, 12, tzinfo=UTC)


def test_a_copy_is_what_the_journal_was_and_can_be_run_from(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(100))
    bench.watch.stop()
    copy = backup(bench.path, tmp_path / "copies", NOW)
    assert copy.name == "journal-20260814T120000.sqlite"
    assert contents(copy) == contents(bench.path)
    assert refolded_events(copy) == refolded_events(bench.path)
    bench.power_cut()
    copy.replace(bench.path)
    again = Bench(tmp_path, START_MS + 100_000)
    again.take(swinging(50, START_MS + 100_000))
    numbers = [row[0] for row in contents(again.path)["event"]]
    assert numbers == list(range(1, len(numbers) + 1))
    again.power_cut()


def test_commits_go_on_while_a_copy_is_made(tmp_path):
    bench = Bench(tmp_path, silent_after_s=3_600.0)
    for k in range(10):
        bench.watch.take(steady(10_000, 15, START_MS + k * 10_000_000), START_MS + (k + 1) * 10_000_000 - 1)
    over, found = threading.Event(), []

    def copy():
        found.append(backup(bench.path, tmp_path / "copies", NOW))
        over.set()

    thread = threading.Thread(target=copy)
    thread.start()
    slowest_s, k = 0.0, 0
    while not over.is_set() or k < 5:
        k += 1
        began = time.perf_counter()
        bench.take(steady(1, 15, START_MS + 200_000_000 + k * 1_000))
        slowest_s = max(slowest_s, time.perf_counter() - began)
    thread.join()
    assert slowest_s < 1.0
    rows, all_rows = contents(found[0])["reading"], contents(bench.path)["reading"]
    assert rows == all_rows[: len(rows)]
    assert len(rows) >= 100_000
    bench.power_cut()


def test_the_oldest_copies_are_let_go(tmp_path, capsys):
    bench = Bench(tmp_path)
    bench.take(swinging(5))
    folder = tmp_path / "copies"
    for day in range(4):
        backup(bench.path, folder, datetime(2026, 8, 10 + day, tzinfo=UTC))
    (folder / "journal-notes.sqlite").write_text("mine")
    assert main(["backup", str(folder), "--journal", str(bench.path), "--keep", "2"]) == 0
    kept = copies(bench.path, folder)
    assert len(kept) == 2
    assert kept[0].name == "journal-20260813T000000.sqlite"
    assert capsys.readouterr().out.strip() == str(kept[1])
    assert (folder / "journal-notes.sqlite").exists()
    bench.power_cut()


def test_a_copy_that_cannot_be_made_leaves_no_half(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(5))
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match="the journal itself is untouched"):
        backup(bench.path, tmp_path / "file", NOW)
    with pytest.raises(JournalError, match="no such file"):
        backup(tmp_path / "none.sqlite", tmp_path / "copies", NOW)
    assert main(["backup", str(tmp_path), "--journal", str(bench.path), "--keep", "0"]) == 2
    assert not list(tmp_path.rglob("*.part"))
    bench.power_cut()
    with closing(sqlite3.connect(bench.path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    Journal(bench.path, writable=False).close()


def test_a_restored_journal_is_the_copy_under_a_new_run_and_the_other_one_stays(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(100))
    copy = backup(bench.path, tmp_path / "copies", NOW)
    held = contents(copy)
    bench.take(swinging(100, START_MS + 100_000))
    bench.watch.stop()
    after, run = contents(bench.path), bench.journal.run_id
    bench.power_cut()
    assert main(["restore", str(copy), "--journal", str(bench.path)]) == 0
    assert contents(bench.path) == held
    assert contents(copy) == held, "the copy itself is as it was"
    (aside,) = tmp_path.glob("journal.sqlite.before-restore-????????T??????")
    assert contents(aside) == after
    with closing(Journal(bench.path, writable=True)) as journal:
        assert journal.run_id != run
        assert journal.state.runs()[-1].reason == f"restored from {copy.name}"
        assert journal.state.runs()[-1].first.event == len(held["event"]) + 1


def test_nothing_is_restored_under_a_running_daemon_or_from_what_is_no_sound_copy(tmp_path, capsys):
    bench = Bench(tmp_path)
    bench.take(swinging(50))
    copy = backup(bench.path, tmp_path / "copies", NOW)
    bench.power_cut()
    held, ask = contents(bench.path), ["restore", str(copy), "--journal", str(bench.path)]
    writer = SoleWriter(bench.path)
    assert main(ask) == 2
    assert "is writing it" in capsys.readouterr().err
    writer.release()
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("UPDATE reading SET value = value + 1 WHERE seq = 20")
    assert main(ask) == 2
    assert "what is stored is not what was written" in capsys.readouterr().err
    copy.write_bytes(b"x" * 9_000)
    assert main(ask) == 2
    assert main([*ask[:1], str(tmp_path / "none"), *ask[2:]]) == 2
    assert "no such file" in capsys.readouterr().err
    assert contents(bench.path) == held
    assert not list(tmp_path.glob("*restore*"))
