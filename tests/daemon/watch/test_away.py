"""A watch that was away: no probe is blamed for that time, it is told, and a replay judges the same."""

from contextlib import closing

import pytest
import structlog

from daemon.journal.fold import AWAY, engine_of
from daemon.journal.journal import Journal
from tests.rigs.bench import START_MS, Bench, refolded_events, steady

SILENT_AFTER_S = 5.0
BACK_MS = START_MS + 300_000


@pytest.fixture(autouse=True)
def quiet():
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    yield
    structlog.reset_defaults()


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
