"""A watch that was away: no probe is blamed for that time, it is told, and a replay judges the same."""

import sqlite3
from contextlib import closing

import pytest

from daemon.journal.fold import AWAY, engine_of
from daemon.journal.journal import Journal
from tests.rigs.bench import START_MS, Bench, refolded_events, steady

pytestmark = pytest.mark.usefixtures("quiet_logs")

SILENT_AFTER_S = 5.0
BACK_MS = START_MS + 300_000


def conditions(bench):
    return [(body["condition"], body["at_ms"]) for body in bench.journal.history.event_bodies()]


@pytest.mark.parametrize("on_purpose", [True, False])
def test_no_probe_is_silent_for_the_time_in_which_nobody_watched(tmp_path, on_purpose):
    bench = Bench(tmp_path)
    bench.take(steady(20, 15))
    if on_purpose:
        bench.watch.stop()
    bench.power_cut()
    again = Bench(tmp_path, BACK_MS)
    again.take(steady(10, 15, BACK_MS + 2_000))
    assert conditions(again) == []
    notice = again.journal.history.newest_notice(AWAY, "rack")
    assert notice is not None
    assert (notice.at_ms, notice.at_ms - notice.details["away_ms"]) == (BACK_MS, START_MS + 19_000)
    assert len(again.journal.inputs.actions(AWAY)) == 1
    again.power_cut()
    assert refolded_events(again.path) == []


def test_a_probe_that_stays_silent_is_silent_since_we_watch_again(tmp_path):
    bench = Bench(tmp_path)
    bench.take(steady(20, 15))
    bench.power_cut()
    again = Bench(tmp_path, BACK_MS)
    again.watch.take([], BACK_MS + 5_000)
    assert conditions(again) == []
    again.watch.take([], BACK_MS + 5_001)
    assert conditions(again) == [("silent", BACK_MS + 5_000)]
    again.power_cut()
    with closing(Journal(again.path, writable=False)) as journal:
        engine = engine_of(journal)
    assert [alarm.name for alarm in engine.alarms()] == ["k1/temperature/silent"]


def test_a_probe_that_was_silent_before_is_silent_still(tmp_path):
    bench = Bench(tmp_path)
    bench.take(steady(20, 15))
    bench.watch.take([], START_MS + 30_000)
    silent = conditions(bench)
    assert len(silent) == 1
    bench.power_cut()
    again = Bench(tmp_path, BACK_MS)
    assert conditions(again) == silent
    assert len(again.watch.engine.alarms()) == 1
    again.power_cut()


def at_once(*readings):
    return [reading for block in readings for reading in block]


def test_a_stretch_without_a_turn_is_no_silence_and_what_came_before_and_after_is_kept(tmp_path):
    """The machine slept from 20.5 s to 320 s; one reading lay in the queue, two came when it woke."""
    bench = Bench(tmp_path)
    bench.take(steady(20, 15))
    woke_ms = START_MS + 320_000
    late = at_once(steady(1, 15, START_MS + 20_000), steady(1, 15, woke_ms), steady(1, 15, woke_ms + 1_000))
    bench.watch.take(late, woke_ms + 1_000, still_since_ms=START_MS + 20_500)
    assert conditions(bench) == []
    notice = bench.journal.history.newest_notice(AWAY, "rack")
    assert notice is not None
    assert notice.details["away_ms"] == 300_500
    bench.watch.take([], woke_ms + 6_000)
    assert conditions(bench) == []
    bench.watch.take([], woke_ms + 6_001)
    assert conditions(bench) == [("silent", woke_ms + 6_000)]
    stands = bench.watch.engine.alarms()
    bench.power_cut()
    with closing(Journal(bench.path, writable=False)) as journal:
        assert engine_of(journal).alarms() == stands
        assert len(list(journal.inputs.rows(0, 2**62))) == 23
        assert journal.finding() == "", "every seal fits"


def test_a_probe_that_is_dead_is_silent_however_often_the_watch_stands_still(tmp_path):
    """It stands still for three seconds in every four: silence counts while somebody watches."""
    bench = Bench(tmp_path)
    bench.take(steady(20, 15))
    now_ms = START_MS + 19_000
    for _ in range(8):
        bench.watch.take([], now_ms + 4_000, still_since_ms=now_ms + 1_000)
        now_ms += 4_000
    assert [condition for condition, _ in conditions(bench)] == ["silent"]
    bench.power_cut()


def test_what_cannot_be_written_of_a_standstill_is_written_later(tmp_path):
    bench = Bench(tmp_path)
    bench.take(steady(20, 15))
    other = sqlite3.connect(bench.path, isolation_level=None, timeout=0)
    bench.journal._db.execute("PRAGMA busy_timeout = 0")
    other.execute("BEGIN IMMEDIATE")
    woke_ms = START_MS + 320_000
    late = at_once(steady(1, 15, START_MS + 20_000), steady(1, 15, woke_ms))
    with pytest.raises(sqlite3.OperationalError):
        bench.watch.take(late, woke_ms, still_since_ms=START_MS + 20_500)
    bench.watch.start_over()
    other.execute("COMMIT")
    other.close()
    bench.watch.take([], woke_ms + 100, still_since_ms=START_MS + 20_500)
    assert conditions(bench) == []
    bench.watch.stop()
    assert len(list(bench.journal.inputs.rows(0, 2**62))) == 22
    bench.power_cut()
