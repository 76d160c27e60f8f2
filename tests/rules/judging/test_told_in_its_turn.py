"""What is lost is told in the very turn in which it falls due, though most turns ask for nothing.

Probes that may be silent for long: of them an idle turn need not ask for as long. All readings are invented.
"""

from dataclasses import replace

import numpy as np
import pytest

from rules.engine import Engine
from rules.readings import Action
from tests.rules.judging.test_frozen import HOUR, MIDNIGHT_MS, MINUTE, C, T, block, engine_for, water

TURN_MS = 10_000


def slow_plan(polled):
    plan = engine_for(polled).plan
    sources = tuple(replace(it, silent_after_ms=40 * MINUTE, every_ms=30_000) for it in plan.sources)
    return replace(plan, sources=sources)


def by_turns(plan, readings, until_ms, acts=()):
    """Return each event, and how long after it was due it was told, in a watch that takes turns."""
    engine, said, before_ms = Engine(plan, MIDNIGHT_MS), [], MIDNIGHT_MS
    for now_ms in range(MIDNIGHT_MS + TURN_MS, MIDNIGHT_MS + until_ms, TURN_MS):
        part = readings.part(*readings.at_ms.searchsorted([before_ms, now_ms]).tolist())
        outcomes = [engine.feed(part), engine.advance(now_ms)]
        outcomes += [engine.act(action) for action in acts if before_ms < action.at_ms <= now_ms]
        said += [(event, now_ms - event.at_ms) for outcome in outcomes for event in outcome.events]
        before_ms = now_ms
    return said


@pytest.mark.parametrize("froze_min", [110, 115])
def test_what_is_found_frozen_long_after_is_told_as_unwatched_at_once(froze_min):
    """A cell stands still while the water warms: nobody has seen the salt since then."""
    at, values = water(0.2)
    warmer = np.maximum(at - 100 * MINUTE, 0) / HOUR * 1.5
    values[T] = np.round(values[T] + warmer, 2)
    values[C] = np.round(values[C] * (1.0 + 0.021 * warmer), 2)
    frozen = at >= froze_min * MINUTE
    values[C][frozen] = values[C][frozen][0]
    readings, plan = block(at, values, (T, C)), slow_plan((T, C))
    said = by_turns(plan, readings, 4 * HOUR)
    assert "probe/multi/unwatched" in {event.alarm for event, _ in said}
    assert max(late_ms for _, late_ms in said) <= TURN_MS
    whole = Engine(plan, MIDNIGHT_MS)
    at_once = whole.feed(readings.part(0, int(readings.at_ms.searchsorted(said[-1][0].at_ms + MINUTE))))
    assert [event for event, _ in said] == at_once.events


def test_a_stage_that_bears_less_time_without_being_seen_is_told_in_that_time():
    """What a probe says is no water for ten minutes when the vessel is moved: its stage now allows eight."""
    at, values = water(0.1)
    values[T][at >= 90 * MINUTE] = 70.0
    plan = slow_plan((T,))
    quantity, bears_min = plan.sources[0].quantity, {"ephyra": 60, "metephyra": 8}
    usual = plan.tolerances["ephyra"][quantity]
    asked = {
        stage: {quantity: replace(usual, unwatched_after_ms=minutes * MINUTE)}
        for stage, minutes in bears_min.items()
    }
    moved = Action(MIDNIGHT_MS + 100 * MINUTE, "move_stage", "kim", {"vessel": "k1", "stage": "metephyra"})
    said = by_turns(replace(plan, tolerances=asked), block(at, values, (T,)), 2 * HOUR, [moved])
    told = [(event, late_ms) for event, late_ms in said if "unwatched" in event.alarm]
    assert told, [event.alarm for event, _ in said]
    assert told[0][0].at_ms - moved.at_ms <= TURN_MS
    assert max(late_ms for _, late_ms in told) <= TURN_MS
