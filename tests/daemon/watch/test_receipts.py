"""What a broker is told: that a message is safe, after the commit that made it so. Readings are invented."""

import sqlite3

import pytest

from daemon.journal.fold import WAITED, engine_of
from daemon.journal.journal import Journal
from drivers.readings import RECEIPTS_OPEN, Reading, Receipt, Waited
from tests.rigs.bench import START_MS, Bench
from tests.rigs.journal_file import readings_in


class Counted:
    """A receipt that notes what the journal held when it was confirmed."""

    def __init__(self, path):
        self.held = []
        self.receipt = Receipt(lambda: self.held.append(readings_in(path)))


def reading(nth, celsius=15.0):
    return Reading("k1-ct", "temperature", celsius, START_MS + 1_000 * nth)


def test_a_receipt_is_confirmed_after_the_commit(tmp_path):
    bench = Bench(tmp_path, commit_every_ms=10_000, silent_after_s=7_200)
    counted = Counted(bench.path)
    bench.watch.take([reading(1)], START_MS + 1_000, receipts=[counted.receipt])
    bench.watch.take([reading(2)], START_MS + 9_000)
    assert counted.held == [], "nothing is committed yet"
    bench.watch.take([reading(12)], START_MS + 12_000)
    assert counted.held == [3]


def test_a_message_that_brought_nothing_is_confirmed_at_once(tmp_path):
    bench = Bench(tmp_path, commit_every_ms=10_000, silent_after_s=7_200)
    counted = Counted(bench.path)
    bench.watch.take([], START_MS + 1_000, receipts=[counted.receipt])
    assert counted.held == [0]


def test_many_open_receipts_bring_the_commit_forward(tmp_path):
    bench = Bench(tmp_path, commit_every_ms=3_600_000, silent_after_s=7_200)
    counted = Counted(bench.path)
    for nth in range(1, RECEIPTS_OPEN // 4):
        bench.watch.take(
            [reading(nth, 15 + nth % 7 / 100)], START_MS + 1_000 * nth, receipts=[counted.receipt]
        )
    assert counted.held == []
    nth = RECEIPTS_OPEN // 4
    bench.watch.take([reading(nth)], START_MS + 1_000 * nth, receipts=[counted.receipt])
    assert counted.held == [nth] * nth


def test_a_commit_that_fails_confirms_nothing_and_the_next_does(tmp_path):
    bench = Bench(tmp_path)
    counted = Counted(bench.path)
    bench.journal._db.execute(
        "CREATE TEMP TRIGGER full BEFORE INSERT ON reading BEGIN SELECT RAISE(FAIL, 'x'); END"
    )
    with pytest.raises(sqlite3.Error):
        bench.watch.take([reading(1)], START_MS + 1_000, receipts=[counted.receipt])
    bench.watch.start_over()
    assert counted.held == []
    bench.journal._db.execute("DROP TRIGGER full")
    bench.watch.take([], START_MS + 2_000)
    assert counted.held == [1]


def test_what_waited_is_kept_with_its_bytes_and_judged_by_nobody(tmp_path):
    bench = Bench(tmp_path, commit_every_ms=10_000, silent_after_s=7_200)
    counted = Counted(bench.path)
    before = bench.watch.engine.snapshot()
    waited = [Waited("k1-ct", "water/k1", b"99.0"), Waited("k1-ct", "water/k1", b"98.0")]
    bench.watch.take([], bench.watch.engine.clock_ms, waited, [counted.receipt])
    assert counted.held == [0]
    assert bench.watch.engine.snapshot() == before
    bench.power_cut()
    journal = Journal(bench.path, writable=False)
    (action,) = journal.inputs.actions(WAITED)
    engine = engine_of(journal)
    journal.close()
    assert [(it["probe"], it["topic"], it["payload"]) for it in action.body["messages"]] == [
        ("k1-ct", "water/k1", "99.0"),
        ("k1-ct", "water/k1", "98.0"),
    ]
    assert engine is not None
    assert engine.alarms() == []
