"""What was tolerated at a moment that is past, beside what the engine said when that moment was now."""

import math
from dataclasses import replace

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stage_plan import StageStep
from rules.rack.stages_over_time import StagesOverTime
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action

DAY = 86_400_000
T = Quantity.TEMPERATURE
STAGES = ("polyp", "strobila", "bare")
TOLERANCES = {
    "polyp": {T: Tolerance(advisory=Band(18, 22), critical=Band(15, 25))},
    "strobila": {T: Tolerance(advisory=Band(8, 12), critical=Band(None, 15))},
    "bare": {},
}
SOURCE = Source(1, "k1-t", T, "k1", 60_000)
MOMENTS = st.integers(1, 40 * DAY)
STEPS = st.lists(st.builds(StageStep, MOMENTS, st.sampled_from(STAGES), st.integers(0, 10 * DAY)), max_size=4)
MOVES = st.lists(
    st.tuples(MOMENTS, st.sampled_from(STAGES), st.integers(0, 10 * DAY)),
    max_size=3,
    unique_by=lambda it: it[0],
)


def plan_of(steps):
    return RackPlan("r", (SOURCE,), {"k1": "polyp"}, TOLERANCES, DEFAULT_QUALITY, steps={"k1": tuple(steps)})


def moves_of(moves):
    return [
        Action(at_ms, "move_stage", "ada", {"vessel": "k1", "stage": stage, "over_s": ramp_ms / 1000})
        for at_ms, stage, ramp_ms in sorted(moves)
    ]


def engine_with(steps, moves, until_ms):
    """The engine that lived through all of it up to a moment, which is now."""
    engine = Engine(plan_of(steps), 0)
    for action in moves_of(moves):
        if action.at_ms <= until_ms:
            engine.act(action)
    engine.advance(until_ms)
    return engine


@given(STEPS, MOVES, st.lists(MOMENTS, max_size=4), st.lists(MOMENTS, min_size=1, max_size=5))
def test_it_is_what_the_engine_said_at_the_time(steps, moves, noted_at, asked):
    engine, known = Engine(plan_of(steps), 0), StagesOverTime()
    known.note(engine.plan, engine.stages(), 0)
    waiting = moves_of(moves)
    for moment_ms in sorted([*noted_at, 41 * DAY]):
        while waiting and waiting[0].at_ms <= moment_ms:
            done = engine.act(waiting.pop(0))
            known.note(engine.plan, engine.stages(), engine.clock_ms, done.moved)
        done = engine.advance(moment_ms)
        known.note(engine.plan, engine.stages(), engine.clock_ms, done.moved)
    for at_ms in asked:
        (channel,) = engine_with(steps, moves, at_ms).channels()
        assert known.limits("k1", T, at_ms) == channel.tolerance
        assert known.stage("k1", at_ms)[1].stage == engine_with(steps, moves, at_ms).stages()["k1"].stage
    ends, holds_ms = known.bands("k1", T, np.array(sorted(asked), np.int64))
    for at_ms, band, hold_ms in zip(sorted(asked), ends.T.tolist(), holds_ms.tolist(), strict=True):
        assert (band, hold_ms) == expected_of(known.limits("k1", T, at_ms))


def expected_of(tolerance):
    """The four ends of the bands, infinite where there is none, and for how long it may go unwatched."""
    if tolerance is None:
        return [-math.inf, math.inf, -math.inf, math.inf], 0
    bands = (tolerance.advisory, tolerance.critical)
    ends = [
        -math.inf * sign if end is None else pytest.approx(end)
        for band in bands
        for end, sign in ((band.low, 1), (band.high, -1))
    ]
    return ends, tolerance.unwatched_after_ms


def test_before_anything_was_noted_nothing_is_known():
    known = StagesOverTime()
    assert known.limits("k1", T, 5) is None
    assert known.stage("k1", 5) is None
    assert known.bands("k1", T, np.array([5]))[1].tolist() == [0]
    known.note(plan_of([]), Engine(plan_of([]), 0).stages(), 10)
    assert known.limits("k2", T, 5) is None


def test_a_planned_move_before_other_settings_was_made_under_the_limits_of_its_time():
    """Nothing was read between the two, as while the watch stood still: both come with the settings."""
    plan, known = plan_of([StageStep(10, "strobila")]), StagesOverTime()
    wider = {stage: {T: Tolerance(critical=Band(0, 40))} for stage in STAGES}
    engine = Engine(plan, 0)
    known.note(engine.plan, engine.stages(), 5, engine.advance(5).moved)
    done = engine.configure(replace(plan, tolerances=wider), 20)
    known.note(engine.plan, engine.stages(), 20, done.moved)
    then = [TOLERANCES["polyp"][T], TOLERANCES["strobila"][T], wider["strobila"][T]]
    assert [known.limits("k1", T, at_ms) for at_ms in (7, 12, 25)] == then
