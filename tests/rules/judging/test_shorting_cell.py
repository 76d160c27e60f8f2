"""A cell that shorts or fouls within hours: its salinity runs off, and nothing tells it from water at first.

Invented; paces, sides and noise are drawn by a lot that was drawn once, by `secrets`. Refuted by a second
problem, a third call, or by another danger of the same probe that is lost meanwhile and not told.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from tests.faults.chain import C1, FAULT_AT, HOUR, MINUTE, O1, START_MS, Water

LOT = 640_152_993


def shorting(number):
    """What the cell reads rises or falls by a tenth to a half an hour, with noise that grows."""
    draw, found = np.random.default_rng([LOT, number]), Water(hours=8.0).measured()
    share = draw.uniform(0.1, 0.5) * (-1) ** number
    found.value[C1] *= np.exp(share * found.since_h)
    found.value[C1] += draw.uniform(0.0, 0.1) * found.since_h * draw.normal(size=found.at.size)
    return found


def announced(told):
    begins = Trigger.RAISED, Trigger.WORSENED
    its = (it for it in told.events if it.trigger in begins and it.state is State.UNACKNOWLEDGED)
    return [it for it in its if it.at_ms >= told.fault_ms]


@pytest.mark.parametrize("number", range(8))
def test_it_is_one_problem_of_two_calls(number):
    """Seen: three or four, the last that nobody sees the salinity for which people were called already."""
    told = shorting(number).run()
    said = announced(told)
    assert len({event.cause for event in said}) == 1, [event.alarm for event in said]
    assert len([event for event in said if event.priority >= Priority.HIGH]) <= 2


def at_pace(share):
    """A cell that runs off by a share of itself an hour, until it is dry or beyond its range."""
    draw, found = np.random.default_rng(LOT), Water(hours=8.0).measured()
    found.value[C1] *= np.exp(share * found.since_h)
    found.value[C1] += 0.03 * found.since_h * draw.normal(size=found.at.size)
    return found


@pytest.mark.parametrize("share", [-3.0, -2.0, -0.8, 1.3, 2.0])
def test_one_that_runs_off_within_minutes_or_ends_dry_is_one_problem_too(share):
    """Seen: its last value, of fresh water, made oxygen fall; the probe's fault was a second problem."""
    said = announced(at_pace(share).run())
    assert len({event.cause for event in said}) == 1, [event.alarm for event in said]
    assert len([event for event in said if event.priority >= Priority.HIGH]) <= 2


@pytest.mark.parametrize("share", [-2.0, -0.8, 2.0])
def test_oxygen_that_crashes_beside_it_is_told_or_that_nobody_sees_it(share):
    """A dry cell and oxygen that falls at once are what a probe in air shows: then it is told as that."""
    found, crash_h = at_pace(share), 4.5
    found.value[O1] *= np.clip(1.0 - (found.since_h - crash_h), 0.2, 1.0)
    after_h = [
        (event.at_ms - START_MS - FAULT_AT) / HOUR - crash_h
        for event in announced(found.run())
        if event.cause == "k1/oxygen/down" or "k1/oxygen_saturation" in event.evidence.hidden
    ]
    assert min((hours for hours in after_h if hours >= 0), default=np.inf) <= 0.6


def drifting(number, to_saturation=97.0):
    """A cell that creeps up by a fiftieth to a fifth an hour; and from when on oxygen goes elsewhere."""
    draw, found = np.random.default_rng([3_417_280_665, number]), Water(hours=20.0)
    begins_h = draw.uniform(4.0, 14.0)
    moved = np.clip(found.since_h - begins_h, 0.0, 1.0)
    found.saturation[1] += (to_saturation - found.saturation[1]) * moved
    found = found.measured()
    found.value[C1] *= np.exp(draw.uniform(0.02, 0.2) * found.since_h)
    return found, begins_h


@pytest.mark.parametrize("number", range(8))
def test_one_that_creeps_up_is_one_problem_though_it_makes_supersaturation(number):
    """Seen: a second problem of two calls, that the oxygen, which had not moved, was too high."""
    said = announced(drifting(number)[0].run())
    assert {event.cause for event in said} == {"k1/salinity/up"}, [event.alarm for event in said]
    assert len([event for event in said if event.priority >= Priority.HIGH]) <= 2


@pytest.mark.parametrize("number", range(8))
@pytest.mark.parametrize(("way", "to", "crosses"), [("up", 125.0, 107.0), ("down", 20.0, 60.0)])
def test_oxygen_that_moves_beside_one_that_creeps_up_is_told(number, way, to, crosses):
    found, begins_h = drifting(number, to)
    late_h = begins_h + (crosses - 96.0) / (to - 96.0)
    after_h = [
        (event.at_ms - START_MS - FAULT_AT) / HOUR
        for event in announced(found.run())
        if event.cause == f"k1/oxygen/{way}" or "k1/oxygen_saturation" in event.evidence.hidden
    ]
    assert min((hours for hours in after_h if hours >= begins_h), default=np.inf) <= late_h + 0.2


@pytest.mark.parametrize("number", range(4))
def test_what_the_probe_hides_beside_it_is_told(number):
    found = shorting(number)
    lost = found.at >= FAULT_AT + 3 * HOUR
    found.read[O1] = found.read[O1] & ~lost
    told = found.run()
    hidden_ms = [
        event.at_ms - START_MS - FAULT_AT - 3 * HOUR
        for event in announced(told)
        if event.condition is Condition.UNWATCHED and "k1/oxygen_saturation" in event.evidence.hidden
    ]
    assert min((ms for ms in hidden_ms if ms >= 0), default=np.inf) <= 12 * MINUTE


def diluted(number, crash_h=np.inf):
    """The water itself gets fresher, by 5 to 60 % an hour; its oxygen follows, or crashes."""
    draw, water = np.random.default_rng([LOT + 1, number]), Water(hours=9.0)
    water.salinity[1] = 32.0 * np.exp(-draw.uniform(0.05, 0.6) * water.since_h)
    water.saturation[1] *= np.clip(1.0 - (water.since_h - crash_h), 0.2, 1.0)
    return water.measured()


@pytest.mark.parametrize("number", range(10))
def test_water_that_gets_fresher_is_one_problem(number):
    """Seen: by the salinity of before, oxygen was past its limit and then seen by nobody: a second call."""
    said = announced(diluted(number).run())
    assert {event.cause for event in said} == {"k1/salinity/down"}, [event.alarm for event in said]
    assert len(said) == 2


@pytest.mark.parametrize("number", range(10))
def test_oxygen_that_falls_in_water_that_gets_fresher_is_told(number):
    told = diluted(number, crash_h=2.0).run()
    low = [it for it in announced(told) if it.channel.startswith("k1/oxygen") and it.cause.endswith("/down")]
    after_h = (low[0].at_ms - START_MS - FAULT_AT) / HOUR - 2.0
    assert 0.0 <= after_h <= 0.6
    assert any(it.condition is Condition.LOW_LOW and it.priority is Priority.CRITICAL for it in low)
