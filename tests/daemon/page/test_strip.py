"""What a band strip shows, for every value and every set of limits."""

from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.strip import WIDTH, strip_of, x_of
from daemon.view.rack_now import ChannelNow, LimitsNow
from daemon.view.tolerated import limits_now, place_of
from rules.judging.watched import Watched, WatchedState
from rules.rack.tolerance import Band, Tolerance

EPHYRA = Tolerance(15.0, Band(12.0, 18.0), Band(8.0, 23.0))
WELL = Watched(WatchedState.WATCHED, "k1-ct", "", None)


def channel(value, tolerance=EPHYRA, *, error=0.1, rate=None):
    limits = limits_now(tolerance)
    assert isinstance(limits, LimitsNow)
    known = {"name": "k1/temperature", "vessel": "k1", "quantity": "temperature", "value": value}
    known |= {"uncertainty": error, "limits": limits, "place": place_of(value, tolerance), "watched": WELL}
    known |= {"trend_per_hour": rate, "trend_tells": rate is not None}
    return ChannelNow(**{field.name: None for field in fields(ChannelNow)} | known)


def test_the_target_is_in_the_middle_and_the_critical_limits_at_the_ends():
    strip = strip_of(channel(15.0), 0)
    assert sum(strip.mark) / 2 == WIDTH / 2
    assert strip.critical == (x_of(-1), x_of(1))
    assert sum(strip_of(channel(23.0), 0).mark) / 2 == x_of(1)
    assert sum(strip_of(channel(8.0), 0).mark) / 2 == x_of(-1)


def test_the_mark_is_as_wide_as_its_uncertainty():
    narrow, wide = (strip_of(channel(15.0, error=error), 0).mark for error in (0.0, 1.6))
    assert wide[0] < narrow[0] < narrow[1] < wide[1]
    assert wide == pytest.approx((x_of(-1.6 / 7), x_of(1.6 / 8)))


@given(st.floats(-50, 80), st.floats(-50, 80))
def test_a_higher_value_is_never_drawn_further_left_and_nothing_leaves_the_strip(one, other):
    low, high = (strip_of(channel(value), 0).mark for value in sorted((one, other)))
    assert 0 < low[0] <= high[0] + 2 < WIDTH
    assert low[1] <= high[1] + 2 < WIDTH + 2


@given(st.lists(st.tuples(st.floats(-50, 80), st.floats(0, 1)), min_size=1, max_size=30))
def test_the_trail_ends_at_the_mark_and_stays_in_the_strip(past):
    points = [tuple(map(float, it.split(","))) for it in strip_of(channel(16.0), 0, past).trail.split()]
    assert points[-1] == (round(x_of(1 / 8), 1), 20)
    assert all(0 <= x <= WIDTH and 0 <= y <= 20 for x, y in points)


def test_the_line_ahead_ends_where_the_trend_leads_within_the_lead_time():
    begin, end = strip_of(channel(16.0, rate=2.0), 7_200_000).ahead.split()
    assert float(begin.split(",")[0]) == x_of(1 / 8)
    assert float(end.split(",")[0]) == x_of(5 / 8)
    assert strip_of(channel(16.0), 7_200_000).ahead == "", "a trend that tells nothing is not drawn"


def test_without_a_value_there_is_no_mark_and_without_limits_no_strip():
    assert strip_of(channel(None), 0).mark is None
    assert strip_of(replace(channel(15.0), limits=None), 0) is None
    assert strip_of(channel(15.0, Tolerance(max_rise_per_hour=1.0)), 0) is None


def test_an_open_side_has_its_field_to_the_edge():
    strip = strip_of(channel(7.0, Tolerance(8.0, Band(6.0, None), Band(4.0, None))), 0)
    assert strip.critical == (x_of(-1), WIDTH)
    assert strip.advisory == (x_of(-0.5), WIDTH)
