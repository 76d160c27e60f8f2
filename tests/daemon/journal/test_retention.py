"""Old readings go a few at a time and leave hourly summaries; alarm history and what a restart needs stay."""

import time

import numpy as np
import pytest
import structlog

from daemon.journal import retention
from daemon.journal.dating import Dating, Stretch
from daemon.journal.fold import engine_of
from daemon.journal.journal import _BYTES_AT_ONCE
from daemon.journal.outbox import Message
from daemon.journal.retention import DAY_MS, HOUR_MS, Retention, let_go
from daemon.journal.schema import PAGE_BYTES
from drivers.readings import Reading
from tests.rigs.bench import START_MS, Bench, contents, steady, swinging

AT_ONCE = 500


@pytest.fixture(autouse=True)
def quiet(monkeypatch):
    monkeypatch.setattr(retention, "AT_ONCE", AT_ONCE)
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    yield
    structlog.reset_defaults()


def old_and_new(tmp_path, days=3):
    """Three days of readings by the minute, with an alarm in each day, and one failed value."""
    bench = Bench(tmp_path, silent_after_s=3_600.0)
    dice = np.random.default_rng(1)
    for day in range(days):
        readings = [
            Reading("k1-ct", "temperature", dice.normal(15.0, 0.1), START_MS + day * DAY_MS + k * 60_000)
            for k in range(1_440)
        ]
        bench.watch.take(readings[:700], readings[699].time_ms)
        bench.watch.take(
            [Reading("k1-ct", "temperature", 99.0, readings[699].time_ms + 30_000)], readings[700].time_ms
        )
        bench.watch.take(readings[701:], readings[-1].time_ms)
        bench.watch.take(steady(20, 26, readings[-1].time_ms + 1_000), readings[-1].time_ms + 21_000)
        bench.watch._keep_snapshot()
    return bench


def run_out(keeper, now_ms, dating=None):
    """Let the retention do all that is due, a step at a time."""
    for k in range(500):
        keeper.step(now_ms + k * 60_001, dating or Dating())


def test_what_goes_is_summed_up_by_the_hour_as_numpy_sums_it_up(tmp_path):
    bench = old_and_new(tmp_path)
    before = contents(bench.path)
    state = bench.watch.engine.snapshot()
    run_out(Retention(bench.journal, 1, mirrored=False), START_MS + 3 * DAY_MS)
    after = contents(bench.path)
    assert after["event"] == before["event"]
    assert after["outbox"] == before["outbox"]
    gone = [row for row in before["reading"] if row not in set(after["reading"])]
    assert gone == before["reading"][: len(gone)]
    assert 1_900 < len(gone) < 4_000
    failed = {row[0] for row in before["flag"] if row[2] == 4}
    assert failed
    hours = {}
    for seq, at_ms, _, lag_ms, value in gone:
        hours.setdefault((at_ms - lag_ms) // HOUR_MS * HOUR_MS, []).append((value, seq in failed))
    kept = bench.journal._db.execute("SELECT * FROM hourly ORDER BY hour_ms").fetchall()
    assert [row[1] for row in kept] == sorted(hours)
    for _, hour_ms, readings, bad, total, lowest, highest in kept:
        good = np.array([value for value, is_bad in hours[hour_ms] if not is_bad])
        assert (readings, bad) == (len(hours[hour_ms]), len(hours[hour_ms]) - good.size)
        assert (lowest, highest) == (good.min(), good.max())
        assert total == pytest.approx(good.sum(), rel=1e-12)
    assert not [row for row in after["flag"] if row[0] <= gone[-1][0]]
    assert bench.watch.engine.snapshot() == state
    assert engine_of(bench.journal).alarms() == bench.watch.engine.alarms()
    bench.power_cut()
    again = Bench(tmp_path, START_MS + 3 * DAY_MS, silent_after_s=3_600.0)
    assert again.watch.engine.alarms()
    again.power_cut()


def seqs(bench):
    return [row[0] for row in contents(bench.path)["reading"]]


def test_nothing_goes_by_a_date_that_nobody_has_synchronised(tmp_path):
    """A Pi that starts with a clock of ten years ahead believes that everything is old."""
    bench, ten_years_ms = old_and_new(tmp_path), 3_650 * DAY_MS
    before, now_ms = seqs(bench), START_MS + 3 * DAY_MS + ten_years_ms
    guess = Stretch(now_ms, 0, False)
    run_out(Retention(bench.journal, 1, mirrored=False), now_ms, Dating([guess]))
    assert seqs(bench) == before
    found = Stretch(now_ms, -ten_years_ms, True)
    run_out(Retention(bench.journal, 4, mirrored=False), now_ms, Dating([found]))
    assert seqs(bench) == before, "by UTC the oldest is three days old"
    run_out(Retention(bench.journal, 1, mirrored=False), now_ms, Dating([found]))
    gone = len(before) - len(seqs(bench))
    assert 1_900 < gone < 4_000, "two of the three days"
    bench.power_cut()


def test_for_a_day_after_the_date_has_jumped_nothing_goes_also_over_a_restart(tmp_path):
    bench = old_and_new(tmp_path)
    now_ms = START_MS + 3 * DAY_MS
    jumped = Dating([Stretch(now_ms, 30 * DAY_MS, True)])
    Retention(bench.journal, 10, mirrored=False).step(now_ms, Dating())
    before = seqs(bench)
    for keeper in (
        Retention(bench.journal, 10, mirrored=False),
        Retention(bench.journal, 10, mirrored=False),
    ):
        for hours in (0, 1, 23.9):
            keeper.step(now_ms + round(hours * HOUR_MS), jumped)
    assert seqs(bench) == before
    keeper.step(now_ms + DAY_MS, jumped)
    assert len(seqs(bench)) < len(before)
    bench.power_cut()


def test_what_lies_in_a_stretch_that_was_never_dated_goes_with_what_is_surely_younger():
    day = DAY_MS
    sure = Dating([Stretch(10 * day, 0, False), Stretch(20 * day, 5 * day, True)])
    assert sure.surely_before_ms(9 * day) == 9 * day, "the axis is UTC before the first stretch"
    assert sure.surely_before_ms(15 * day) == 10 * day, "the dates of the middle are guesses"
    assert sure.surely_before_ms(25 * day) == 10 * day
    assert sure.surely_before_ms(26 * day) == 21 * day
    assert Dating([Stretch(0, 0, False)]).surely_before_ms(9 * day) == 0


def test_nothing_that_a_restart_needs_goes_however_old_it_is(tmp_path):
    bench = old_and_new(tmp_path)
    older = bench.journal.state.snapshots()[-1][0]
    while let_go(bench.journal, 2**60, Dating(), 500):
        pass
    assert contents(bench.path)["reading"][0][0] > older
    assert let_go(bench.journal, 2**60, Dating()) == 0
    bench.power_cut()


def test_what_the_mirror_does_not_have_yet_stays(tmp_path):
    bench = old_and_new(tmp_path)
    bench.journal._db.execute("UPDATE mirror SET reading = 100")
    run_out(Retention(bench.journal, 1, mirrored=True), START_MS + 3 * DAY_MS)
    assert contents(bench.path)["reading"][0][0] == 101
    bench.power_cut()


def test_hours_are_those_of_utc_as_it_was_learnt(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(10))
    bench.watch.stop()
    bench.take(swinging(10, START_MS + 10_000))
    bench.watch.stop()
    dating = Dating([Stretch(START_MS, 5 * HOUR_MS, True)])
    assert let_go(bench.journal, 10, dating) == 9
    ((hour_ms,),) = bench.journal._db.execute("SELECT DISTINCT hour_ms FROM hourly").fetchall()
    assert hour_ms == START_MS // HOUR_MS * HOUR_MS + 5 * HOUR_MS
    bench.power_cut()


def test_delivered_messages_are_forgotten_after_a_month_and_waiting_ones_never(tmp_path):
    bench = Bench(tmp_path)
    with bench.journal.transaction():
        bench.journal.outbox.put([Message("a", "old", False), Message("b", "waits", False)])
    bench.journal.outbox.mark_delivered(1, START_MS)
    run_out(Retention(bench.journal, 1, mirrored=False), START_MS + 40 * DAY_MS)
    assert [row[1] for row in contents(bench.path)["outbox"]] == ["waits"]
    bench.power_cut()


def test_the_file_shrinks_a_little_at_a_time_and_no_step_takes_long(tmp_path):
    bench = Bench(tmp_path, silent_after_s=3_600.0)
    for k in range(20):
        start_ms = START_MS + k * 6_000_000
        bench.watch.take(steady(6_000, 15, start_ms), start_ms + 5_999_000)
    bench.watch.stop()
    bench.watch.stop()
    bench.take(steady(2, 15, START_MS + 200_000_000))
    bench.watch.stop()
    bench.journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = bench.path.stat().st_size
    slowest_s = 0.0
    keeper = Retention(bench.journal, 1, mirrored=False)
    for k in range(60):  # 24 for the readings; a page a step would take hundreds more
        began = time.perf_counter()
        keeper.step(START_MS + 40 * DAY_MS + k * 60_001, Dating())
        slowest_s = max(slowest_s, time.perf_counter() - began)
    bench.journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert bench.path.stat().st_size < before / 2
    assert slowest_s < 1.0
    (free,), (pages,) = (
        bench.journal._db.execute(f"PRAGMA {n}").fetchone() for n in ("freelist_count", "page_count")
    )
    assert free < max(0.25 * pages, _BYTES_AT_ONCE // PAGE_BYTES)  # so few are left for readings to come
    bench.power_cut()
