"""What people moved while they were at work is no call once they are done; what goes on by itself is one.

Invented: a kreisel of ephyrae, a water change that brings the water where it may be, read every 30 s.
"""

import json

import numpy as np
import pytest

from rules.alarms.life_cycle import Condition, Trigger
from rules.engine import Engine
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Action, Readings
from tests.rigs.watched_rack import HOUR, MINUTE, START_MS, plan_of

LOT, BEGINS, POLL = 2_250_417_996, 3 * HOUR, 30_000
PLAN = plan_of(
    (Source(1, "t", Quantity.TEMPERATURE, "k1", 120_000, "bench"),),
    {"ephyra": DEFAULT_TOLERANCES["ephyra"]},
)
CALLED = (Condition.RISING, Condition.FALLING, Condition.HEADING_OUT)


def told(temperature, declared_min=45, cut=False):
    """Which moves of water (by hours since somebody began) are told, and how many minutes after the work."""
    at_ms = np.arange(POLL, BEGINS + 4 * HOUR, POLL)
    noise = np.random.default_rng(LOT).normal(0, 0.01, at_ms.size)
    value = np.round(temperature((at_ms - BEGINS) / HOUR) + noise, 2)
    engine, events = Engine(PLAN, START_MS), []
    begins = int(at_ms.searchsorted(BEGINS))
    for part in (slice(0, begins), slice(begins, at_ms.size)):
        for at in range(part.start, part.stop) if cut else [part]:
            here = slice(at, at + 1) if cut else at
            size = at_ms[here].size
            seq, times = 1 + here.start + np.arange(size), START_MS + at_ms[here]
            block = Readings(seq, times, np.ones(size, dtype=np.int64), times, value[here])
            events += engine.feed(block).events
            engine = Engine.restore(json.loads(json.dumps(engine.snapshot()))) if cut else engine
        if part.start == 0 and declared_min:
            body = {"target": "vessel/k1", "for_s": declared_min * 60, "why": "water change"}
            assert not engine.act(Action(START_MS + BEGINS, "begin_maintenance", "kim", body)).refusal
    over_ms = START_MS + BEGINS + declared_min * MINUTE
    calls = [it for it in events if it.condition in CALLED and it.trigger is Trigger.RAISED]
    return {str(it.condition): (it.at_ms - over_ms) / MINUTE for it in reversed(calls)}


def poured(hours):
    return 15.0 - np.clip((hours - 1 / 3) * 6, 0.0, 1.2)


def warms(hours):
    """The chiller was switched off for the work, and was not switched on again."""
    return 15.0 + np.clip(hours - 1 / 6, 0.0, 2.0) * 1.5


@pytest.mark.parametrize("declared_min", [35, 45, 90])
def test_water_that_was_changed_at_work_is_no_move_of_its_own(declared_min):
    """Seen: the end of each declared water change called with the fall that it had made."""
    assert told(poured, declared_min) == {}


def test_undeclared_it_is_told():
    assert "falling" in told(poured, 0)


def test_what_goes_on_after_work_is_told_within_a_quarter_of_an_hour():
    assert 0 < told(warms)["rising"] <= 15


@pytest.mark.parametrize("water", [poured, warms])
def test_wherever_the_readings_are_cut(water):
    assert told(water, cut=True) == told(water)
