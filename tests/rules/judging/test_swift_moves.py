"""A thermometer or a cell that runs off within minutes, too slowly for a leap, calls for itself alone.

Invented faults in measured calm water; sizes, times, tanks and probes were drawn once, by `secrets`. What
water does that is warmed follows from the gsw reference library (`tests/rigs/nights/lost_inputs.py`).
"""

import json
from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.life_cycle import Priority
from rules.engine import Engine
from rules.quantities import Quantity
from tests.rigs.nights.lost_inputs import BEFORE_H, HOUR_MS, SOURCES, WATERS, before, block, calm_days, shown
from tests.rules.judging.test_disputed_inputs import about
from tests.rules.judging.test_seen_cases import DANGER_MIN, FAULT_MS, judged

SEPARATE = {False: "one probe", True: "separate probes"}


def creep(tank, size, over_min):
    """What a probe reads that runs off by `size` within so many minutes, and stays there."""

    def lie(value):
        minutes = np.arange(value.size) * WATERS[tank].every_s / 60
        return np.round(value + size * np.clip(minutes / over_min, 0.0, 1.0), 3)

    return lie


CREEPS = [  # °C, within minutes, the tank, separate probes
    (-9.8, 21, 5, False),
    (-3.4, 18, 3, True),
    (-3.3, 25, 2, False),
    (7.9, 28, 2, True),
    (6.7, 29, 1, False),
    (5.9, 24, 4, False),
    (6.0, 10, 4, True),
    (11.3, 13, 0, False),
    (4.6, 6, 3, False),
]


@pytest.mark.parametrize(("size", "over_min", "tank", "separate"), CREEPS)
def test_a_thermometer_that_creeps_calls_for_itself_alone(size, over_min, tank, separate):
    """Seen: salinity high-high, supersaturation, and the healthy optode and cell were called stuck."""
    _, said = judged({"t": creep(tank, size, over_min)}, separate=separate, tank=tank)
    assert about(said, Quantity.SALINITY) + about(said, Quantity.OXYGEN_SATURATION) == []
    assert [event.alarm for _, event in said if event.evidence.reason == "stuck"] == []
    assert about(said, Quantity.TEMPERATURE, Priority.HIGH) or any("unwatched" in it.alarm for _, it in said)


@pytest.mark.parametrize(
    ("size", "over_min", "tank", "separate"),
    [
        (9.0, 30, 4, False),
        (-5.5, 26, 1, True),
        (8.2, 23, 3, True),
        (-11.8, 24, 5, False),
        (12.2, 20, 1, False),  # from here on beyond what the formula of salinity reaches
        (12.2, 20, 2, True),
        (17.0, 28, 5, False),
    ],
)
def test_a_cell_that_creeps_is_told_as_salinity_and_widens_the_oxygen(size, over_min, tank, separate):
    """Salt that comes or goes so fast reads the same."""
    _, said = judged({"c": creep(tank, size, over_min)}, separate=separate, tank=tank)
    assert about(said, Quantity.OXYGEN_SATURATION) == []
    assert (
        min(at for at, it in said if it.quantity == Quantity.SALINITY and it.priority >= Priority.HIGH)
        <= 30.0
    )
    assert [event.alarm for _, event in said if event.evidence.reason == "stuck"] == []


@pytest.mark.parametrize("separate", [False, True], ids=SEPARATE.values())
@pytest.mark.parametrize(("size", "over_min", "tank"), [(9.7, 19, 4), (-8.9, 22, 3), (10.4, 29, 1)])
def test_water_that_warms_or_cools_as_fast_is_told_and_its_salinity_is_not(size, over_min, tank, separate):
    _, said = judged(danger=("t", 15.0 + size, over_min / 60), separate=separate, tank=tank)
    first = [at for at, it in said if it.quantity == Quantity.TEMPERATURE and it.priority >= Priority.HIGH]
    critical = [at for at, it in said if it.alarm in ("k1/temperature/high_high", "k1/temperature/low_low")]
    assert first[0] <= DANGER_MIN + 12.0
    assert critical[0] <= DANGER_MIN + over_min + 3.0
    assert about(said, Quantity.SALINITY) == []


def lagging(tank, minutes):
    """What a thermometer shows that goes 63 % of the way in so many minutes."""

    def lie(value):
        share, shown, now = -np.expm1(-WATERS[tank].every_s / 60 / minutes), [], value[0]
        for each in value:
            now += share * (each - now)
            shown.append(now)
        return np.round(shown, 2)

    return lie


@pytest.mark.parametrize(
    ("minutes", "to", "over_h", "tank", "separate"),
    [(26, 25.0, 3.5, 1, False), (25, 27.0, 4.7, 4, False), (10, 5.0, 1.9, 5, True)],
)
def test_a_thermometer_that_lags_makes_no_salinity_rise_or_fall(minutes, to, over_h, tank, separate):
    """Seen: rising as the water warms, falling as the thermometer comes after."""
    _, said = judged({"t": lagging(tank, minutes)}, ("t", to, over_h), separate=separate, tank=tank)
    assert about(said, Quantity.SALINITY, Priority.MEDIUM) == []
    assert len(about(said, Quantity.TEMPERATURE)) >= 1


@pytest.mark.parametrize("lot", range(4))
def test_any_cut_judges_a_creeping_probe_alike(lot):
    draw = np.random.default_rng([1_774_202_911, lot])
    tank, it = int(draw.integers(6)), "tc"[lot % 2]
    at_ms, true, pressure, noise = calm_days(tank)
    values, after = shown(tank, true, pressure, noise), at_ms >= FAULT_MS
    values[it][after] = creep(tank, draw.uniform(3.0, 9.0), draw.uniform(6.0, 30.0))(values[it][after])
    back = at_ms >= FAULT_MS + draw.uniform(0.7, 1.2) * HOUR_MS
    values[it][back] = shown(tank, true, pressure, noise)[it][back]
    kept = (at_ms >= BEFORE_H * HOUR_MS) & (at_ms < (BEFORE_H + 3) * HOUR_MS)
    readings = block([(at_ms[kept], at_ms[kept], it, values[it][kept]) for it in SOURCES])
    snapshot, _ = before(tank, True)
    whole = Engine.restore(json.loads(snapshot))
    said, in_parts, engine = whole.feed(readings).events, [], Engine.restore(json.loads(snapshot))
    for start, stop in pairwise([0, *np.sort(draw.integers(0, len(readings), 80)).tolist(), len(readings)]):
        in_parts += engine.feed(readings.part(start, stop)).events
        engine = Engine.restore(json.loads(json.dumps(engine.snapshot())))
    assert in_parts == said
    assert said
    assert json.dumps(engine.snapshot(), sort_keys=True) == json.dumps(whole.snapshot(), sort_keys=True)
