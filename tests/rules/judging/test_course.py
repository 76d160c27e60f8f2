"""Where the water of an alarm is now: what the newest reading says, and the time left by its trend."""

import json
from dataclasses import replace

import pytest

from rules.judging.watched import FORESEEN_MS, TRAIL_POINTS, TRAIL_S, TRAILS_AT_MOST
from rules.rack.tolerance import Band
from tests.rigs.watched_rack import MINUTE, PROMPT, WatchedRack, plan_of, thermometers

WARM = replace(PROMPT, max_rise_per_hour=0.5)


def warming(per_minute, *, minutes=90, tolerance=PROMPT):
    """A rack of one thermometer that begins at 17 °C and warms."""
    rack = WatchedRack(
        plan_of(thermometers(1, silent_after_ms=5 * MINUTE), {"polyp": {"temperature": tolerance}})
    )
    rack.read_all([(minute * MINUTE, 1, 17.0 + per_minute * minute) for minute in range(minutes)])
    return rack.engine


def test_the_value_is_the_newest_one_and_the_time_left_is_that_of_the_line_to_the_critical_limit():
    """1.2 °C/h from 18.78 °C to 23 °C takes 3 h 31 min, by hand."""
    (course,) = warming(0.02).courses()
    assert (course.alarm, course.age_ms) == ("k1/temperature/high", 0)
    assert course.value == pytest.approx(18.78)
    assert course.rate_per_hour == pytest.approx(1.2)
    assert course.left_ms == pytest.approx(211 * MINUTE)


def test_of_a_rate_it_is_the_rate_and_of_what_is_past_the_limit_or_calm_there_is_no_time_left():
    told = {course.alarm: course for course in warming(0.02, tolerance=WARM).courses()}
    assert told["k1/temperature/rising"].value == pytest.approx(1.2)
    (past,) = warming(0.1).courses()
    assert (past.alarm, past.left_ms) == ("k1/temperature/high_high", None)
    slow = replace(PROMPT, advisory=Band(12, 17.0))
    (course,) = warming(0.005, tolerance=slow).courses()
    assert 5.5 / 0.3 * 60 * MINUTE > FORESEEN_MS
    assert course.left_ms is None


def test_what_nobody_reads_any_more_has_no_course():
    engine = warming(0.02)
    engine.advance(engine.clock_ms + 4 * MINUTE)
    assert [course.age_ms for course in engine.courses()] == [4 * MINUTE]
    engine.advance(engine.clock_ms + 4 * MINUTE)
    assert engine.courses() == []


def test_the_trail_is_a_reading_an_hour_then_those_of_the_window_and_the_limits_of_now():
    engine = warming(0.004, minutes=600, tolerance=replace(PROMPT, advisory=Band(12, 18)))
    (course,) = engine.courses()
    ages, values = zip(*course.trail.points, strict=True)
    assert course.trail.limits == (8, 12, 18, 23)
    assert list(ages) == sorted(ages, reverse=True)
    assert ages[-1] == 0
    assert 5 * 3600 <= ages[0] <= TRAIL_S
    assert len(ages) <= TRAIL_POINTS
    assert sum(age > 2 * 3600 for age in ages) == 4, "a reading an hour"
    assert json.loads(json.dumps(course.trail.points)) == [list(point) for point in course.trail.points]
    hour = 0.004 * 60
    assert [values[-1] - it for it in values] == pytest.approx([age / 3600 * hour for age in ages], abs=0.01)


def test_only_the_most_urgent_alarms_carry_their_trail():
    count = TRAILS_AT_MOST + 2
    rack = WatchedRack(plan_of(thermometers(count), {"polyp": {"temperature": PROMPT}}))
    rack.read_all([(minute * MINUTE, n, 18.5 + n) for minute in range(5) for n in range(1, count + 1)])
    courses = rack.engine.courses()
    assert len(courses) == count
    assert [course.trail is not None for course in courses] == [True] * TRAILS_AT_MOST + [False] * 2
