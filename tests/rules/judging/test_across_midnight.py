"""Live judgement meets midnight with a few readings, a replay with days of them: both know the same then."""

import json

import numpy as np
import pytest

from rules.engine import Engine
from rules.quality.history import DAY_MS
from rules.readings import Readings
from tests.faults.chain import HOUR, MINUTE, START_MS, T1, Water


def unruly():
    """A thermostat moves the water; after two days of that, a move by a kelvin within minutes is as usual."""
    water = Water(hours=80.0)
    water.temperature[1] = 15.0 + 0.6 * np.sin(2 * np.pi * water.hours / 0.75)
    found = water.measured()
    into_h = (found.at - 74 * HOUR) / HOUR
    found.value[T1] += 1.6 * np.clip(6 * into_h, 0.0, 1.0) * np.clip(1 - 6 * (into_h - 1.0), 0.0, 1.0)
    at = np.repeat(START_MS + found.at, len(found.value))
    source = np.tile(np.array(list(found.value)), found.at.size)
    value = np.stack(list(found.value.values()), axis=1).ravel()
    return found.plan(), Readings(np.arange(1, at.size + 1), at, source, at, value)


def judged(plan, readings, moments):
    engine, events, start = Engine(plan, START_MS), [], 0
    for stop in [*readings.at_ms.searchsorted(moments).tolist(), len(readings)]:
        events += engine.feed(readings.part(start, stop)).events
        start = stop
    return events, json.dumps(engine.snapshot(), sort_keys=True)


@pytest.mark.parametrize("every_ms", [DAY_MS, 7 * HOUR, 50 * MINUTE])
def test_what_was_learned_by_midnight_counts_from_then_on_in_any_cut(every_ms):
    """Seen: a block of days judged its last one by what was known before its first; salinity differed."""
    plan, readings = unruly()
    first, last = readings.at_ms[[0, -1]].tolist()
    moments = np.arange(first // DAY_MS * DAY_MS + DAY_MS, last, every_ms)
    assert judged(plan, readings, moments) == judged(plan, readings, [])
