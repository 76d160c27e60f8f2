"""Water that is warmed or poured in within minutes leaps, and the cell beside the thermometer shows it.

Invented dangers in measured calm water; sizes, times, tanks and probes were drawn once, by `secrets`. What
the probes read of them follows from the gsw reference library (`tests/rigs/nights/lost_inputs.py`).
"""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority
from rules.engine import Engine
from rules.quantities import Quantity
from tests.rigs.nights.lost_inputs import (
    BEFORE_H,
    HOUR_MS,
    MINUTE_MS,
    SOURCES,
    START_MS,
    before,
    block,
    calm_days,
    shown,
)
from tests.rules.judging import test_frozen as invented
from tests.rules.judging.test_disputed_inputs import about
from tests.rules.judging.test_seen_cases import FAULT_MS, announced

POURED = [  # °C, salinity, within minutes, the hours of its way back, the tank, separate probes
    (-11.7, -3.6, 1.3, 1.8, 5, False),
    (-11.7, -3.6, 1.3, 1.8, 5, True),
    (-9.9, -2.6, 6.9, 1.6, 0, True),
    (-8.6, -2.4, 4.0, 2.7, 4, False),
    (-10.1, -1.3, 2.2, 5.5, 2, True),
    (-7.8, -5.2, 5.4, 4.3, 1, True),
    (9.8, 0.0, 11.0, 1e3, 0, False),
    (9.5, 0.0, 12.0, 1e3, 5, True),
]


def poured(kelvin, salt, over_min, back_h, tank):
    """Readings from the end of the calm days to three hours after the pouring."""
    at_ms, true, pressure, noise = calm_days(tank)
    minutes = (at_ms - FAULT_MS) / MINUTE_MS
    share = np.clip(minutes / over_min, 0.0, 1.0)
    kelvin = kelvin * share * np.exp(-np.maximum(minutes - over_min, 0.0) / 60.0 / back_h)
    true = {**true, "t": true["t"] + kelvin, "s": true["s"] + salt * share}
    values = shown(tank, true, pressure, noise)
    kept = (at_ms >= BEFORE_H * HOUR_MS) & (at_ms < FAULT_MS + 3 * HOUR_MS)
    crossed = np.flatnonzero((true["t"] > 23.0) | (true["t"] < 8.0))[0]
    return block([(at_ms[kept], at_ms[kept], it, values[it][kept]) for it in SOURCES]), at_ms[crossed]


@pytest.mark.parametrize(("kelvin", "salt", "over_min", "back_h", "tank", "separate"), POURED)
def test_it_is_told_as_what_it_is(kelvin, salt, over_min, back_h, tank, separate):
    """Seen: only that nobody sees the temperature, after 8 to 29 minutes, and false words of salt."""
    readings, crossed_ms = poured(kelvin, salt, over_min, back_h, tank)
    events = Engine.restore(json.loads(before(tank, separate)[0])).feed(readings).events
    said = announced(events)
    critical = [
        START_MS + FAULT_MS + at * MINUTE_MS
        for at, it in said
        if it.quantity == Quantity.TEMPERATURE and it.priority is Priority.CRITICAL
    ]
    assert critical, [it.alarm for _, it in said]
    assert critical[0] - START_MS - crossed_ms <= 3 * MINUTE_MS
    assert about(said, Quantity.OXYGEN_SATURATION, Priority.HIGH) == []
    assert not any("temperature" in hidden for _, it in said for hidden in it.evidence.hidden)


@pytest.mark.parametrize("row", POURED[::2])
def test_any_cut_judges_it_alike(row):
    *how, tank, separate = row
    readings, _ = poured(*how, tank)
    draw, snapshot = np.random.default_rng([2_871_640_337, tank]), before(tank, separate)[0]
    whole = Engine.restore(json.loads(snapshot))
    said, in_parts, engine = whole.feed(readings).events, [], Engine.restore(json.loads(snapshot))
    for start, stop in pairwise([0, *np.sort(draw.integers(0, len(readings), 80)).tolist(), len(readings)]):
        in_parts += engine.feed(readings.part(start, stop)).events
        engine = Engine.restore(json.loads(json.dumps(engine.snapshot())))
    assert in_parts == said
    assert json.dumps(engine.snapshot(), sort_keys=True) == json.dumps(whole.snapshot(), sort_keys=True)


@pytest.mark.parametrize("switched_off", [Quantity.TEMPERATURE, Quantity.CONDUCTIVITY])
def test_what_may_leap_bears_out_what_may_not_wherever_the_cut(switched_off):
    """Seen: live, a cell that fell with its thermometer was at fault, in a replay not. All invented."""
    at, values = invented.water(0.1)
    later = at >= invented.HOUR
    values[invented.T] = values[invented.T] - 4.0 * later
    values[invented.C] = values[invented.C] * np.exp(-0.021 * 6.0 * later)
    readings = invented.block(at, values, (invented.T, invented.C))
    plan = invented.engine_for((invented.T, invented.C)).plan
    anywhere = {**plan.quality, switched_off: replace(plan.quality[switched_off], max_jump=None)}
    whole, engine = (Engine(replace(plan, quality=anywhere), invented.MIDNIGHT_MS) for _ in range(2))
    said, one_by_one = whole.feed(readings).events, []
    for place in range(len(readings)):
        one_by_one += engine.feed(readings.part(place, place + 1)).events
    assert one_by_one == said
    assert {event.quantity for event in said} >= {Quantity.TEMPERATURE}
    assert not any(event.condition is Condition.PROBE_FAULT for event in said)
    assert json.dumps(engine.snapshot(), sort_keys=True) == json.dumps(whole.snapshot(), sort_keys=True)
