"""What is known of a danger and of an alarm's water now, case by case, as the screens will say it.

Worked by hand from the words of `rules.judging.watched`; racks and numbers are invented.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from rules.alarms.alarm import Alarm, Hold, HoldKind
from rules.alarms.life_cycle import Condition, Priority, State
from rules.judging.series import ChannelState, Samples
from rules.judging.trend import TrendState
from rules.judging.watch_list import WatchList
from rules.judging.watched import (
    ChannelNow,
    Watched,
    WatchedState,
    courses,
    dangers_now,
    maintenance_over,
)
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.rack.channels import Channel, Need
from rules.rack.plan import Source
from rules.rack.stage_plan import StageNow
from rules.rack.state import RackState
from rules.rack.tolerance import Band, Tolerance
from tests.rigs.watched_rack import HOUR, MINUTE, plan_of

T = Quantity.TEMPERATURE
LIMITS = Tolerance(target=15.0, advisory=Band(12.0, 18.0), critical=Band(8.0, 23.0))
"""The worst limits are 7 and 8 from the target."""
PASSED = (Flag.PASS,) * 8
FELL = {"flag": Flag.FAIL, "tests": (*(Flag.PASS,) * 2, Flag.FAIL, *(Flag.PASS,) * 5)}
NOW = ChannelNow(
    Channel("k1/temperature", "k1", T, Source(1, "t", T, "k1", 5 * MINUTE), (Need(T, ("k1/other",)),)),
    LIMITS,
    time_ms=100,
    value=15.0,
    flag=Flag.PASS,
    rate_per_hour=0.5,
    silent=False,
    tests=PASSED,
    error=0.0,
    lacking=(),
    good_time_ms=90,
    last_change_ms=80,
    frozen=False,
    usual=None,
    fault=None,
)
OFF = {"error": 0.3, "lacking": (Quantity.SALINITY,)}
UNWATCHED, ROUGHLY, WATCHED = (
    WatchedState.UNWATCHED, WatchedState.WATCHED_ROUGHLY, WatchedState.WATCHED
)  # fmt: skip
LACKS = "off by up to 0.3, no salinity now"
TOO_FAR = "off by up to 7, no salinity now"
SINCE = "not changed since, and nobody can tell whether it is frozen"
UNIT = "hardly any water is so, is the number read in the right unit and word order?"


@pytest.mark.parametrize(
    ("its", "known"),
    [
        ({}, (WATCHED, "t", "", None)),
        ({"time_ms": 0, "value": math.nan}, (UNWATCHED, "", "no reading yet", None)),
        ({"silent": True}, (UNWATCHED, "", "t is silent", 100)),
        ({"value": math.nan}, (UNWATCHED, "", "it needs k1/other", 100)),
        (FELL, (UNWATCHED, "", "no water can be so", 100)),
        ({"fault": (50, "stuck")}, (UNWATCHED, "", "stuck", 50)),
        (FELL | {"fault": (50, "stuck")}, (UNWATCHED, "", "no water can be so", 50)),
        ({"fault": (50, "stuck"), "silent": True}, (UNWATCHED, "", "t is silent", 50)),
        ({"flag": Flag.SUSPECT}, (WATCHED, "t", "", None)),
        (OFF, (ROUGHLY, "t", LACKS, 90)),
        (OFF | {"good_time_ms": 0}, (ROUGHLY, "t", LACKS, None)),
        (OFF | {"error": 6.9}, (ROUGHLY, "t", "off by up to 6.9, no salinity now", 90)),
        (OFF | {"error": 7.0}, (UNWATCHED, "", TOO_FAR, 90)),
        (OFF | {"error": 7.0, "given": False}, (UNWATCHED, "", f"by settings, {TOO_FAR}", 90)),
        (OFF | {"error": 70.0, "tolerance": None}, (ROUGHLY, "t", "off by up to 70, no salinity now", 90)),
        ({"value": 150.0}, (ROUGHLY, "t", UNIT, 100)),
        (OFF | {"value": 150.0}, (ROUGHLY, "t", UNIT, 100)),
        ({"frozen": None}, (ROUGHLY, "t", SINCE, 80)),
        (OFF | {"frozen": None}, (ROUGHLY, "t", f"{LACKS}; {SINCE}", 80)),
        ({"frozen": None, "last_change_ms": -1}, (WATCHED, "t", "", None)),
        ({"frozen": True}, (WATCHED, "t", "", None)),  # then it has a fault, which says so
    ],
)  # fmt: skip
def test_what_a_channel_alone_says_of_a_danger(its, known):
    assert replace(NOW, **its).watched == Watched(*known)


def test_the_best_of_several_counts_and_none_is_so_by_the_settings():
    silent, rough = replace(NOW, silent=True), replace(NOW, **OFF)
    asked = {"k1": {T: LIMITS, Quantity.OXYGEN: LIMITS, Quantity.SALINITY: Tolerance(max_disagreement=1.0)}}
    first, second = dangers_now(asked, [silent, rough, silent])
    assert (first.vessel, first.quantity, first.priority) == ("k1", T, Priority.CRITICAL)
    assert first.watched.state is ROUGHLY
    assert second.quantity is Quantity.OXYGEN
    assert second.watched == Watched(UNWATCHED, "", "by settings, no probe for it", None)
    assert dangers_now(asked, [silent, NOW, rough])[0].watched.state is WATCHED


def alarm(condition=Condition.HIGH, channel="k1/temperature", priority=Priority.MEDIUM, since_ms=0, **more):
    given = {"state": State.UNACKNOWLEDGED, "active": {"advisory": priority}} | more
    return Alarm("k1", "", channel, condition, "", worst=priority, since_ms=since_ms, **given)


def course(alarms=None, now_ms=130, state=None, **its):
    now = replace(NOW, **its)
    return courses(alarms or [alarm()], [now], {"k1/temperature": state or ChannelState()}, now_ms)


@pytest.mark.parametrize(
    ("its", "left_h"),
    [
        ({"value": 22.0, "rate_per_hour": 0.5}, 2.0),
        ({"value": 17.0, "rate_per_hour": 0.5}, 12.0),  # no trend is drawn out further
        ({"value": 16.99, "rate_per_hour": 0.5}, None),
        ({"value": 23.0, "rate_per_hour": 0.5}, None),  # it is there
        ({"value": 24.0, "rate_per_hour": 0.5}, None),
        ({"value": 9.0, "rate_per_hour": -0.5}, 2.0),
        ({"value": 7.0, "rate_per_hour": -0.5}, None),
        ({"value": 22.0, "rate_per_hour": 0.0}, None),
        ({"value": 22.0, "rate_per_hour": math.nan}, None),
        ({"value": 22.0, "tolerance": None}, None),
        ({"value": 22.0, "tolerance": replace(LIMITS, critical=Band(8.0, None))}, None),
    ],
)
def test_the_time_left_is_that_to_the_critical_limit_it_moves_to(its, left_h):
    (found,) = course(**its)
    assert found.left_ms == (None if left_h is None else left_h * HOUR)
    (soon,) = course(value=23.0 - 0.9 * 0.5 / HOUR, rate_per_hour=0.5)
    assert soon.left_ms == 1


def test_the_age_is_that_of_the_newest_reading_and_never_below_nought():
    assert [course(now_ms=ms)[0].age_ms for ms in (130, 100, 99)] == [30, 0, 0]


@pytest.mark.parametrize(
    ("condition", "value"),
    [
        (Condition.RISING, 0.5),
        (Condition.FALLING, 0.5),
        (Condition.HIGH, 15.0),
        (Condition.HEADING_OUT, 15.0),
    ],
)
def test_the_value_is_what_the_alarm_is_about(condition, value):
    (found,) = course([alarm(condition)])
    assert (found.alarm, found.value, found.rate_per_hour) == (f"k1/temperature/{condition}", value, 0.5)
    (unknown,) = course([alarm(condition)], rate_per_hour=math.nan)
    assert (unknown.rate_per_hour, unknown.left_ms) == (None, None)


@pytest.mark.parametrize(
    ("its", "more"),
    [
        ({"silent": True}, {}),
        ({"flag": Flag.FAIL}, {}),
        ({}, {"channel": "k2/temperature"}),
        ({}, {"condition": Condition.SILENT}),
        ({}, {"condition": Condition.PROBE_FAULT}),
        ({}, {"condition": Condition.DISAGREEMENT}),
        ({}, {"holds": {HoldKind.SHELF: Hold("kim", "why", 5)}}),
        ({}, {"state": State.RETURNED, "active": {}}),
    ],
)
def test_what_is_not_believed_and_what_nobody_is_told_of_has_no_course(its, more):
    assert len(course()) == 1
    assert course([alarm(**more)], **its) == []


def test_the_most_urgent_come_first_then_the_oldest_and_fifty_at_most():
    alarms = [
        alarm(Condition.LOW, since_ms=3),
        alarm(Condition.HIGH, since_ms=2),
        alarm(Condition.HIGH_HIGH, priority=Priority.CRITICAL, since_ms=9),
    ]
    assert [it.alarm.rpartition("/")[2] for it in course(alarms)] == ["high_high", "high", "low"]
    state = ChannelState(trend=TrendState(np.array([90]), np.array([15.0])))
    found = course(alarms * 17, state=state)
    assert len(found) == 50
    assert [it.trail is not None for it in found] == [True] * 6 + [False] * 44


def trail(fine, samples=(), now_ms=20 * HOUR, tolerance=LIMITS):
    times, values = zip(*fine, strict=True) if fine else ((), ())
    kept = TrendState(np.array(times, dtype=np.int64), np.array(values, dtype=np.float64))
    hours, coarse = zip(*samples, strict=True) if samples else ((), ())
    state = ChannelState(trend=kept, sample=Samples(hours, coarse))
    (found,) = course(now_ms=now_ms, state=state, tolerance=tolerance)
    return found.trail


def test_a_trail_is_an_hours_reading_each_then_those_of_the_window_to_the_newest():
    found = trail([(18 * HOUR, 15.12345), (19 * HOUR, 16.0)], [(13, 9.0), (14, 11.0), (17, 12.0), (18, 13.0)])
    assert found.limits == (8.0, 12.0, 18.0, 23.0)
    assert found.points == ((6 * 3600, 11.0), (3 * 3600, 12.0), (2 * 3600, 15.123), (3600, 16.0))
    assert trail([]) is None
    assert trail([(18 * HOUR, 15.0)], tolerance=None) is None
    assert trail([(20 * HOUR + 1999, 15.0)]).points == ((0, 15.0),)


@pytest.mark.parametrize(("count", "every"), [(33, 1), (34, 1), (35, 2), (68, 2), (69, 3)])
def test_of_many_readings_of_the_window_at_most_34_are_drawn(count, every):
    fine = [(19 * HOUR + place * 1000, float(place)) for place in range(count)]
    expected = [float(place) for place in range(count - 1, -1, -every)][::-1]
    assert [value for _, value in trail(fine).points] == expected


def test_after_maintenance_it_is_told_what_is_outside_its_bands_and_what_nobody_knows():
    sources = tuple(
        Source(number, f"p{number}", quantity, vessel, 5 * MINUTE, bus)
        for number, (quantity, vessel, bus) in enumerate(
            [(T, "k1", "a"), (Quantity.OXYGEN, "k1", "b"), (T, "k2", "a"), (T, "k3", "a"), (T, "k4", "b")], 1
        )
    )
    plan = plan_of(sources, {"polyp": {T: LIMITS}})
    rack = RackState({vessel: StageNow("polyp", 0) for vessel in ("k1", "k2", "k3", "k4")})
    watch_list, at_ms = WatchList(plan, rack), 100 * HOUR
    known = {
        "k1/temperature": (19.0, 0),
        "k2/temperature": (18.0, 5 * MINUTE),
        "k3/temperature": (15.0, 5 * MINUTE + 1),
    }
    newest = {it.name: (0, math.nan) for it in watch_list.channels}
    newest |= {name: (at_ms - ago_ms, value) for name, (value, ago_ms) in known.items()}
    notice = maintenance_over(watch_list, newest, "bus/a", at_ms)
    assert (notice.kind, notice.at_ms, notice.vessel) == ("maintenance over", at_ms, "bus/a")
    assert notice.details == {"outside": ["k1/temperature"], "unknown": ["k3/temperature"]}
    assert maintenance_over(watch_list, newest, "vessel/k4", at_ms).details == {
        "outside": [],
        "unknown": ["k4/temperature"],
    }
