"""What a look at the rack costs beside the restore of an engine: the first, one with nothing or little new.

    pytest tests/benchmarks/test_view_benchmark.py --benchmark-enable -s

The racks are invented: 4 and 30 vessels with a probe of three quantities each, and a barometer.
"""

import json
import statistics

import numpy as np
import pytest
import structlog

from daemon.check.load import load_settings
from daemon.journal.journal import Journal
from daemon.settings.plan import rack_plan
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from daemon.watch.watch import Watch
from rules.engine import Engine
from tests.benchmarks.test_journal_benchmark import EVERY_MS, SETTINGS, START_MS, VESSEL, polls, timed

HOUR_MS = 3_600_000

pytestmark = pytest.mark.skipif(
    "not config.getoption('benchmark_enable')", reason="takes a minute; pytest --benchmark-enable runs it"
)


@pytest.fixture(autouse=True)
def quiet():
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    yield
    structlog.reset_defaults()


def a_rack(folder, vessels):
    text = SETTINGS.format(folder=folder) + "".join(VESSEL.format(n=n) for n in range(1, vessels + 1))
    path = folder / "bench.toml"
    path.write_text(text)
    settings = load_settings(path)
    journal = Journal(settings.journal.path, writable=True)
    plan = rack_plan(settings, journal.inputs.source_id)
    return settings, journal, Watch(journal, plan, START_MS, lambda _: [], 10_000)


def median_s(what, *arguments, times=15):
    return statistics.median(timed(what, *arguments) for _ in range(times))


@pytest.mark.parametrize("vessels", [4, 30])
def test_a_look_beside_a_restore(tmp_path, benchmark, vessels):
    settings, journal, watch = a_rack(tmp_path, vessels)
    turns = polls(watch.engine.plan, START_MS, START_MS + HOUR_MS, np.random.default_rng(1))
    for at_ms, readings in turns:
        watch.take(readings, at_ms)
        if at_ms >= START_MS + HOUR_MS // 3:
            break
    watch.stop()
    state = journal.state.snapshots()[0][1]
    restore_s = median_s(lambda: Engine.restore(json.loads(state)))
    first_s = median_s(lambda: rack_now(JournalView(settings), at_ms))
    view = JournalView(settings)
    rack_now(view, at_ms)
    still_s = benchmark.pedantic(lambda: timed(rack_now, view, at_ms), rounds=1)
    still_s = median_s(rack_now, view, at_ms)
    following = []
    for _ in range(15):
        until_ms = at_ms + EVERY_MS
        while at_ms < until_ms:
            at_ms, readings = next(turns)
            watch.take(readings, at_ms)
        watch.take([], at_ms + 20_000)
        following.append(timed(rack_now, view, at_ms))
    follow_s = statistics.median(following)
    journal.close()
    print(
        f"\n{vessels} vessels: restore {1_000 * restore_s:.1f} ms; a first look {first_s / restore_s:.1f}, "
        f"one with nothing new {still_s / restore_s:.1f}, with half a minute of readings "
        f"{follow_s / restore_s:.1f} times that"
    )
    assert follow_s < 20 * restore_s
