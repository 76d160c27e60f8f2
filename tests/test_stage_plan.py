"""Limits on their way from one stage to the next: straight lines, worked by hand."""

import numpy as np
import pytest

from rules.quantities import Quantity
from rules.stage_plan import StageNow, StageStep, bounds, move, newest_step
from rules.tolerance import Band, Tolerance

DAY = 86_400_000
T = Quantity.TEMPERATURE
TOLERANCES = {
    "polyp": {T: Tolerance(advisory=Band(18, 22), critical=Band(15, 25), lead_time_ms=0)},
    "strobila": {T: Tolerance(advisory=Band(8, 12), critical=Band(None, 15), lead_time_ms=0)},
    "bare": {},
}
COOLING = StageNow("strobila", 0, "polyp", 10 * DAY)


def limit(now, key, *times_ms):
    """The value of one limit at each time."""
    judged = bounds(TOLERANCES, now, T, np.array(times_ms, dtype=np.int64))
    value = next(value for limit, value in judged.limits if limit.key == key)
    return np.broadcast_to(value, len(times_ms)).tolist()


def test_on_a_ramp_a_limit_moves_in_a_straight_line():
    """22 to 12 °C in ten days is 1 K a day."""
    days = [0, DAY, 5 * DAY, 9 * DAY, 10 * DAY, 11 * DAY]
    assert limit(COOLING, "high:advisory", *days) == pytest.approx([22, 21, 17, 13, 12, 12])
    assert limit(COOLING, "high:critical", *days) == pytest.approx([25, 24, 20, 16, 15, 15])


def test_at_both_ends_of_the_ramp_the_limits_are_exactly_those_of_the_stages():
    assert limit(COOLING, "high:advisory", 0) == [22.0]
    assert limit(COOLING, "high:advisory", 10 * DAY) == [12.0]
    assert limit(COOLING, "high:advisory", 10 * DAY + 1) == [12.0]


def test_a_reading_from_before_the_move_is_judged_by_the_stage_before():
    assert limit(COOLING, "high:advisory", -1) == [22.0]
    at_once = StageNow("strobila", 1_000, "polyp", 0)
    assert limit(at_once, "high:advisory", 999, 1_000) == [22.0, 12.0]


def test_the_same_ramp_whichever_readings_are_judged_together():
    times = [0, 3 * DAY, 7 * DAY, 10 * DAY, 12 * DAY]
    together = limit(COOLING, "low:advisory", *times)
    assert together == [limit(COOLING, "low:advisory", time)[0] for time in times]


def test_a_limit_that_only_the_new_stage_has_holds_at_once_and_one_that_only_the_old_had_is_gone():
    """Not watching it until the end of the ramp would leave animals without a limit for days."""
    warming = StageNow("polyp", 0, "strobila", 10 * DAY)
    assert limit(warming, "low:critical", 0, 5 * DAY) == [15.0, 15.0]
    assert limit(warming, "high:critical", 5 * DAY) == [20.0]
    judged = bounds(TOLERANCES, COOLING, T, np.array([0], dtype=np.int64))
    assert "low:critical" not in {limit.key for limit, _ in judged.limits}


def test_a_stage_without_limits_or_outside_the_plan_sets_none():
    for stage in ("bare", "unheard of", ""):
        judged = bounds(TOLERANCES, StageNow(stage, 0), T, np.array([0], dtype=np.int64))
        assert judged.tolerance is None
        assert judged.limits == []


def test_after_a_stage_without_limits_there_is_nothing_to_ramp_from():
    assert limit(StageNow("polyp", 0, "bare", 10 * DAY), "high:advisory", 0) == [22.0]


def test_a_move_remembers_where_it_came_from():
    assert move(StageNow("polyp", 5), StageStep(9, "strobila", 7)) == StageNow("strobila", 9, "polyp", 7)


def test_the_newest_step_is_the_last_that_is_due():
    steps = (StageStep(10, "strobila"), StageStep(20, "polyp"), StageStep(30, "strobila"))
    assert newest_step(steps, 9) is None
    assert newest_step(steps, 10) is steps[0]
    assert newest_step(steps, 29) is steps[1]
    assert newest_step((), 29) is None
