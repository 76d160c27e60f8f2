"""Water that is poured in where nothing but its thermometer shows it, and a thermometer that only says so.

Invented; sizes, minutes and times are drawn by lots that were drawn once, by `secrets`.
"""

from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.engine import Engine
from rules.judging.channel import DOUBTED, DOUBTED_MS
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.faults.chain import FAULT_AT, MINUTE, O1, O2, POLL, START_MS, T1, T2, P, Water

LOT = 1_640_228_957
DELAY_MS = max(DEFAULT_TOLERANCES["ephyra"]["temperature"].critical_on_delay_ms, DOUBTED_MS)


def water(number, *, lies=False, every_ms=POLL):
    """Without a cell; from the fault on the water, or only what the thermometer says, moves in minutes."""
    draw = np.random.default_rng([LOT, number])
    kelvin, over = draw.uniform(9.5, 12.0) * (-1) ** number, draw.uniform(0.5, 6.0) * MINUTE
    found = Water(hours=6, every_ms=every_ms)
    moved = kelvin * np.clip((found.at - FAULT_AT) / over, 0.0, 1.0)
    if not lies:
        found.temperature[1] = found.temperature[1] + moved
    found.measured()
    if lies:
        found.value[T1] = found.value[T1] + moved
    for source in [it for it in found.value if it not in (T1, O1, T2, O2, P)]:
        del found.value[source], found.read[source]
    beyond = (found.value[T1] < 8.0) | (found.value[T1] > 23.0)
    return found, START_MS + int(found.at[np.argmax(beyond)])


def begun(told):
    return [event for event in told.events if event.trigger in (Trigger.RAISED, Trigger.WORSENED)]


@pytest.mark.parametrize("number", range(12))
def test_it_is_told_as_likely_within_the_delay_of_its_limit(number):
    found, crossed_ms = water(number)
    its = [event for event in begun(found.run()) if event.quantity == "temperature"]
    critical = [event for event in its if event.condition in (Condition.HIGH_HIGH, Condition.LOW_LOW)]
    assert critical, its
    assert critical[0].priority >= Priority.HIGH
    assert critical[0].state is State.UNACKNOWLEDGED
    assert critical[0].at_ms - crossed_ms <= DELAY_MS + 2 * MINUTE


@pytest.mark.parametrize("number", range(6))
def test_a_thermometer_that_lies_is_one_problem_with_what_it_says(number):
    found, _ = water(number, lies=True)
    told = found.run()
    loud = [event for event in begun(told) if event.state is State.UNACKNOWLEDGED]
    assert [event.trigger for event in loud].count(Trigger.RAISED) == 1, [event.alarm for event in loud]
    assert {event.cause for event in loud} == {"probe/k1-multi"}
    assert loud[0].evidence.reason == DOUBTED


@pytest.mark.parametrize("every_ms", [POLL, 2 * POLL])
@pytest.mark.parametrize("number", range(3))
def test_stray_readings_are_not_told_as_water(number, every_ms):
    draw = np.random.default_rng([LOT, 100 + number])
    found, _ = water(number, lies=True, every_ms=every_ms)
    found.value[T1] = 15.0 + 0.01 * draw.normal(size=found.at.size)
    for start, size in zip(range(60, found.at.size, 50), (6, *draw.integers(1, 7, 5).tolist()), strict=False):
        found.value[T1][start : start + size] = draw.uniform(2.0, 6.0)
    assert [event.alarm for event in begun(found.run()) if event.evidence.reason == DOUBTED] == []


def test_any_cut_judges_it_alike():
    found, _ = water(0)
    draw, rows, plan = np.random.default_rng(LOT), found.readings(), found.plan()
    at, source, measured = np.array([row[:3] for row in rows], dtype=np.int64).T.copy()
    whole = Readings(1 + np.arange(at.size), at, source, measured, np.array([row[3] for row in rows]))
    said, parts, engine = Engine(plan, START_MS).feed(whole).events, [], Engine(plan, START_MS)
    for start, stop in pairwise([0, *np.sort(draw.integers(0, at.size, 60)).tolist(), at.size]):
        parts += engine.feed(whole.part(start, stop)).events
    assert parts == said
