"""Sums over the water: worked by hand, and the same wherever the blocks were cut."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.handover.water import Water
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.stage_plan import StageStep
from rules.rack.tolerance import Band, Tolerance
from rules.readings import ChannelFlags, Outcome
from tests.rigs.watched_rack import plan_of

MIN = 60_000
NAME, T = "k1/temperature", Quantity.TEMPERATURE
TOLERANCE = Tolerance(15.0, Band(12, 18), Band(10, 20), unwatched_after_ms=10 * MIN)
WIDER = replace(TOLERANCE, advisory=Band(5, 25))


def rack(tolerance=TOLERANCE, steps=()):
    """An engine of one kreisel in which ephyrae live, of which one quantity has limits."""
    tolerances = {"ephyra": {T: tolerance} if tolerance else {}, "juvenile": {T: WIDER}}
    source = Source(1, "k1-t", T, "k1", MIN)
    return Engine(plan_of((source,), tolerances, steps={"k1": steps}), 0)


def block(minutes, values, flags=None):
    times = np.array(minutes, dtype=np.int64) * MIN
    summary = np.array(flags or [Flag.PASS] * len(minutes), dtype=np.uint8)
    tests = np.zeros(len(minutes), np.uint32)
    return Outcome(flags=[ChannelFlags(NAME, times, times, np.array(values, float), summary, tests)])


def found(*blocks, upto=60):
    water, engine = Water(0, upto * MIN), rack()
    for each in blocks:
        water.observe(engine, each)
    return water.found()


def test_worked_by_hand():
    """15 for 5 min, 19 for 5, 21 for 5, 15 for 10 (of 45: the stage goes unwatched for no longer)."""
    (its,) = found(block([0, 5, 10, 15], [15.0, 19.0, 21.0, 15.0]))
    assert (its.lowest, its.middle, its.highest) == (15.0, 17.0, 21.0)
    assert (its.advisory_ms, its.critical_ms, its.known_ms) == (10 * MIN, 5 * MIN, 25 * MIN)


def test_what_fails_or_is_no_value_or_of_another_time_does_not_count():
    bad = [Flag.FAIL, Flag.PASS, Flag.SUSPECT, Flag.PASS]
    (its,) = found(block([1, 2, 3, 60], [99.0, np.nan, 16.0, 99.0], bad))
    assert (its.lowest, its.highest, its.known_ms) == (16.0, 16.0, 10 * MIN)
    assert found(block([1], [99.0], [Flag.FAIL])) == []


def test_a_channel_without_limits_is_left_out():
    water = Water(0, 60 * MIN)
    water.observe(rack(None), block([1, 2], [15.0, 15.0]))
    assert water.found() == []


@given(st.lists(st.floats(5, 25), min_size=2, max_size=40), st.data())
def test_it_is_the_same_wherever_the_blocks_were_cut(values, data):
    minutes = list(range(len(values)))
    cut = data.draw(st.integers(1, len(values) - 1))
    (whole,) = found(block(minutes, values))
    (parts,) = found(block(minutes[:cut], values[:cut]), block(minutes[cut:], values[cut:]))
    assert whole == parts
    assert whole.critical_ms <= whole.advisory_ms <= whole.known_ms
    assert whole.known_ms == pytest.approx(min(len(values) - 1 + 10, 60) * MIN)


def test_limits_are_those_of_the_stage_at_the_time_in_one_block_of_a_day():
    """20 all day: outside the advisory band of ephyrae, from noon on inside that of the next stage."""
    engine, noon_ms = rack(steps=(StageStep(720 * MIN, "juvenile"),)), 720 * MIN
    engine.advance(1440 * MIN)
    minutes = list(range(1440))
    water = Water(0, 1440 * MIN)
    water.observe(engine, block(minutes, [20.0] * len(minutes)))
    (its,) = water.found()
    assert (its.advisory_ms, its.known_ms, its.tolerance) == (noon_ms, 1440 * MIN, WIDER)
