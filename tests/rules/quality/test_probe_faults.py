"""Each test that fails a reading has its word; the most telling one is said."""

from dataclasses import replace

import numpy as np
import pytest

from rules.alarms.life_cycle import Trigger
from rules.engine import Engine
from rules.quality.flags import Flag, QartodTest, pack
from rules.quality.probe_faults import FaultReason, reason_of, stuck
from rules.quality.settings import HOUR_MS, Repeats
from rules.readings import Readings
from tests.rules.care.test_probe_care import DAY_MS, PLAN, START_MS


def packed(**flags):
    rows = np.full((len(QartodTest), 1), Flag.PASS, dtype=np.uint8)
    for test, flag in flags.items():
        rows[QartodTest[test]] = flag
    return pack(rows)


@pytest.mark.parametrize(
    ("flags", "reason"),
    [
        ({"SYNTAX": Flag.FAIL, "GROSS_RANGE": Flag.MISSING, "FLAT_LINE": Flag.MISSING}, FaultReason.IN_AIR),
        ({"GROSS_RANGE": Flag.FAIL}, FaultReason.IMPOSSIBLE),
        ({"FLAT_LINE": Flag.FAIL, "RATE_OF_CHANGE": Flag.SUSPECT}, FaultReason.STUCK),
        ({"ATTENUATED_SIGNAL": Flag.FAIL}, FaultReason.NO_VARIATION),
        ({"RATE_OF_CHANGE": Flag.FAIL}, FaultReason.TOO_FAST),
        ({"FLAT_LINE": Flag.SUSPECT}, ""),
    ],
)
def test_the_reason_is_that_of_the_test_that_failed(flags, reason):
    assert reason_of(packed(**flags)[0]) == reason


def test_stuck_is_what_the_flat_line_test_suspects_or_fails():
    words = np.concatenate([packed(FLAT_LINE=flag) for flag in (1, 2, 3, 4, 9)])
    assert stuck(words).tolist() == [False, False, True, True, False]


def test_where_the_settings_ask_for_it_a_probe_that_is_stuck_for_a_day_is_no_longer_believed():
    """After two hours somebody should look by day; after twelve nobody watches the water any more."""
    given = {"flat_line_suspect": Repeats(10, 2 * HOUR_MS), "flat_line_fail": Repeats(20, 12 * HOUR_MS)}
    quality = {quantity: replace(its, **given) for quantity, its in PLAN.quality.items()}
    sources = (replace(PLAN.sources[0], silent_after_ms=600_000),)
    engine = Engine(replace(PLAN, quality=quality, sources=sources), START_MS)
    times = START_MS + 30_000 * np.arange(1, DAY_MS // 30_000 + 1)
    ones = np.ones(times.size, dtype=np.int64)
    outcome = engine.feed(Readings(ones.cumsum(), times, ones, times, np.full(times.size, 15.0)))
    told = [
        (event.alarm, event.priority.word, round((event.at_ms - START_MS) / HOUR_MS, 1))
        for event in outcome.events
        if event.trigger in (Trigger.RAISED, Trigger.WORSENED)
    ]
    assert told == [
        ("kreisel-1/temperature/probe_fault", "low", 2.0),
        ("probe/k1-ct/unwatched", "critical", 12.5),
    ]
