"""Limits on their way from one stage to the next: straight lines, worked by hand."""

import json
from dataclasses import replace

import numpy as np
import pytest

from rules.plain import from_plain, to_plain
from rules.quantities import Quantity
from rules.rack.stage_plan import (
    StageNow,
    StageStep,
    bounds,
    move,
    steps_between,
    tolerance_at,
)
from rules.rack.tolerance import Band, Tolerance

DAY = 86_400_000
T = Quantity.TEMPERATURE
TOLERANCES = {
    "polyp": {T: Tolerance(advisory=Band(18, 22), critical=Band(15, 25), lead_time_ms=0)},
    "strobila": {T: Tolerance(advisory=Band(8, 12), critical=Band(None, 15), lead_time_ms=0)},
    "bare": {},
}
POLYP = StageNow("polyp", 0)
COOLING = StageNow("strobila", 0, POLYP, 10 * DAY)


def limit(now, key, *times_ms):
    """The value of one limit at each time."""
    judged = bounds(TOLERANCES, now, T, np.array(times_ms, dtype=np.int64))
    value = next(value for limit, value in judged.limits if limit.key == key)
    return np.broadcast_to(value, len(times_ms)).tolist()


def test_on_a_ramp_a_limit_moves_in_a_straight_line():
    """22 to 12 °C in ten days is 1 K a day."""
    days = [0, DAY, 5 * DAY, 9 * DAY, 10 * DAY, 11 * DAY]
    assert limit(COOLING, "high:advisory", *days) == pytest.approx([22, 21, 17, 13, 12, 12])
    assert limit(COOLING, "high_high:critical", *days) == pytest.approx([25, 24, 20, 16, 15, 15])


def test_at_both_ends_of_the_ramp_the_limits_are_exactly_those_of_the_stages():
    assert limit(COOLING, "high:advisory", 0) == [22.0]
    assert limit(COOLING, "high:advisory", 10 * DAY) == [12.0]
    assert limit(COOLING, "high:advisory", 10 * DAY + 1) == [12.0]


def test_a_reading_from_before_the_move_is_judged_by_the_stage_before():
    assert limit(COOLING, "high:advisory", -1) == [22.0]
    at_once = StageNow("strobila", 1_000, POLYP, 0)
    assert limit(at_once, "high:advisory", 999, 1_000) == [22.0, 12.0]


def test_the_same_ramp_whichever_readings_are_judged_together():
    times = [0, 3 * DAY, 7 * DAY, 10 * DAY, 12 * DAY]
    together = limit(COOLING, "low:advisory", *times)
    assert together == [limit(COOLING, "low:advisory", time)[0] for time in times]


def test_people_see_the_bands_where_they_are_on_the_ramp():
    """Half way from 18-22 to 8-12 °C; the lower critical limit is the old stage's alone and gone."""
    half_way = tolerance_at(TOLERANCES, COOLING, T, 5 * DAY)
    assert (half_way.advisory, half_way.critical) == (Band(13, 17), Band(None, 20))
    assert tolerance_at(TOLERANCES, COOLING, T, 10 * DAY) == TOLERANCES["strobila"][T]
    assert tolerance_at(TOLERANCES, StageNow("bare", 0, POLYP, DAY), T, 0) is None


def test_a_limit_that_only_the_new_stage_has_holds_at_once_and_one_that_only_the_old_had_is_gone():
    """Not watching it until the end of the ramp would leave animals without a limit for days."""
    warming = StageNow("polyp", 0, StageNow("strobila", 0), 10 * DAY)
    assert limit(warming, "low_low:critical", 0, 5 * DAY) == [15.0, 15.0]
    assert limit(warming, "high_high:critical", 5 * DAY) == [20.0]
    judged = bounds(TOLERANCES, COOLING, T, np.array([0], dtype=np.int64))
    assert "low_low:critical" not in {limit.key for limit, _ in judged.limits}


def test_a_stage_without_limits_or_outside_the_plan_sets_none():
    for stage in ("bare", "unheard of", ""):
        judged = bounds(TOLERANCES, StageNow(stage, 0), T, np.array([0], dtype=np.int64))
        assert judged.tolerance is None
        assert judged.limits == ()


def test_after_a_stage_without_limits_there_is_nothing_to_ramp_from():
    assert limit(StageNow("polyp", 0, StageNow("bare", 0), 10 * DAY), "high:advisory", 0) == [22.0]


def test_a_move_remembers_where_it_came_from_and_no_further():
    once = move(StageNow("polyp", 5), StageStep(9, "strobila", 7))
    assert once == StageNow("strobila", 9, StageNow("polyp", 5), 7)
    assert move(once, StageStep(16, "polyp")) == StageNow("polyp", 16, StageNow("strobila", 9), 0)


def test_a_move_in_the_middle_of_a_ramp_begins_where_the_limits_are():
    """Half way from 22 to 12 °C the keeper changes his mind: back from 17 to 22 °C in one day.

    At noon of that day the ramp downwards would be at 16.5 °C: half way from there to 22 is 19.25.
    """
    back = move(COOLING, StageStep(5 * DAY, "polyp", DAY))
    found = limit(back, "high:advisory", 5 * DAY, 5 * DAY + DAY // 2, 6 * DAY)
    assert found == pytest.approx([17.0, 19.25, 22.0])
    assert from_plain(StageNow, json.loads(json.dumps(to_plain(back)))) == back


def test_the_steps_of_a_time_are_those_after_its_begin_up_to_its_end_in_order():
    late, early, later = StageStep(20, "polyp"), StageStep(10, "strobila"), StageStep(30, "strobila")
    steps = (late, early, later)
    assert steps_between(steps, 0, 9) == []
    assert steps_between(steps, 0, 29) == [early, late]
    assert steps_between(steps, 10, 30) == [late, later]


def test_only_readings_on_a_ramp_say_so():
    times = np.array([0, 9 * DAY, 10 * DAY - 1, 10 * DAY], dtype=np.int64)
    assert bounds(TOLERANCES, COOLING, T, times).ramp.tolist() == [True, True, True, False]
    assert bounds(TOLERANCES, COOLING, T, times[3:]).ramp is None
    assert bounds(TOLERANCES, POLYP, T, times).ramp is None


def test_the_target_that_people_see_moves_in_a_straight_line():
    """20 to 10 °C in ten days; where a stage has none, the other's holds at once."""
    aims = {"polyp": 20.0, "strobila": 10.0}
    aimed = {stage: {T: replace(TOLERANCES[stage][T], target=aim)} for stage, aim in aims.items()}
    assert [tolerance_at(aimed, COOLING, T, day * DAY).target for day in (0, 2, 5, 10)] == [20, 18, 15, 10]
    assert tolerance_at(aimed | {"polyp": TOLERANCES["polyp"]}, COOLING, T, 2 * DAY).target == 10
