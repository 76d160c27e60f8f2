"""Rates of change: exact on straight lines, deaf to one outlier, the same however cut."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.judging.trend import TrendState, trend
from rules.plain import to_plain

HALF_HOUR = 1_800_000
EVERY = 30_000


def rates_per_hour(time_ms, value, window_ms, state):
    found, state = trend(time_ms, value, window_ms, state)
    return found.rate_per_hour, state


def line(rate_per_hour, count=200, start=15.0):
    time_ms = np.arange(count, dtype=np.int64) * EVERY
    return time_ms, start + rate_per_hour * time_ms / 3_600_000


@pytest.mark.parametrize("rate", [0.0, 0.5, -3.0, 40.0])
def test_a_straight_line_keeps_its_slope(rate):
    """To the steps of time and value in which sums are kept: a few in a million."""
    time_ms, value = line(rate)
    rates, _ = rates_per_hour(time_ms, value, HALF_HOUR, TrendState())
    np.testing.assert_allclose(rates[40:], rate, rtol=5e-6, atol=1e-5)


def test_there_is_no_rate_before_half_a_window_has_passed():
    time_ms, value = line(1.0)
    rates, _ = rates_per_hour(time_ms, value, HALF_HOUR, TrendState())
    first = int(np.flatnonzero(~np.isnan(rates))[0])
    assert time_ms[first - 1] - time_ms[1] == HALF_HOUR / 2


@pytest.mark.parametrize("at", range(60, 130, 7))
def test_one_outlier_changes_no_rate_on_steady_water(at):
    time_ms, value = line(0.0)
    value[at] += 100.0
    rates, _ = rates_per_hour(time_ms, value, HALF_HOUR, TrendState())
    assert np.nanmax(np.abs(rates)) == 0.0


def test_a_plain_difference_would_have_been_fooled():
    """Shows that the test above can fail: the slope of the raw readings does not stand an outlier."""
    _, value = line(0.0)
    value[100] += 100.0
    raw = (value[60:] - value[:-60]) / (HALF_HOUR / 3_600_000)
    assert np.max(np.abs(raw)) > 100


def test_the_rate_is_the_slope_of_least_squares_through_the_medians():
    """Beside numpy's own polynomial fit, on uneven times."""
    draws = np.random.default_rng(3)
    time_ms = 1_760_000_000_000 + np.cumsum(draws.integers(5_000, 90_000, 300))
    value = 15.0 + np.cumsum(draws.normal(0.0, 0.02, time_ms.size))
    rates, _ = rates_per_hour(time_ms, value, HALF_HOUR, TrendState())
    median, centre_ms = np.median([value[:-2], value[1:-1], value[2:]], axis=0), time_ms[1:-1]
    for at in range(120, 290, 17):
        window = (centre_ms >= centre_ms[at] - HALF_HOUR) & (centre_ms <= centre_ms[at])
        hours = (centre_ms[window] - centre_ms[at]) / 3_600_000
        assert rates[at + 2] == pytest.approx(np.polyfit(hours, median[window], 1)[0], rel=1e-4, abs=1e-4)


def test_a_reading_a_second_for_a_day_still_fits_into_the_sums():
    time_ms = 1_760_000_000_000 + np.arange(86_400, dtype=np.int64) * 1_000
    rates, _ = rates_per_hour(time_ms, np.linspace(0.0, 300.0, 86_400), 86_400_000, TrendState())
    assert rates[-1] == pytest.approx(12.5, rel=1e-4)


@given(
    st.lists(st.tuples(st.integers(1, 400_000), st.floats(-5, 40)), min_size=1, max_size=80),
    st.lists(st.integers(0, 80), max_size=8),
    st.sampled_from([60_000, 600_000, 1_800_000]),
)
def test_any_cut_gives_the_same_rates_bit_for_bit(steps, cuts, window_ms):
    time_ms = 1_760_000_000_000 + np.cumsum(np.array([dt for dt, _ in steps], dtype=np.int64))
    value = np.array([v if v < 39 else np.nan for _, v in steps])
    whole, state_of_whole = rates_per_hour(time_ms, value, window_ms, TrendState())
    parts, state = [], TrendState()
    for start, stop in pairwise([0, *sorted(min(cut, value.size) for cut in cuts), value.size]):
        rates, state = rates_per_hour(time_ms[start:stop], value[start:stop], window_ms, state)
        parts.append(rates)
    assert np.concatenate(parts).tobytes() == whole.tobytes()
    assert to_plain(state) == to_plain(state_of_whole)


@pytest.mark.parametrize("slow", [1.0, -0.5])
def test_the_steady_rate_is_that_of_the_half_of_the_window_in_which_less_happened(slow):
    """Four times as fast up to the middle of the window: an earlier or later middle would mix both."""
    time_ms, value = line(slow)
    bend = time_ms[-1] - HALF_HOUR // 2
    value = np.where(time_ms < bend, slow * (4 * time_ms - 3 * bend), slow * time_ms) / 3_600_000
    course, _ = trend(time_ms, value, HALF_HOUR, TrendState())
    assert course.steady_rate(np.array([time_ms.size - 1])) == pytest.approx(slow, rel=0.1)
    assert abs(course.rate_per_hour[-1]) > 1.5 * abs(slow)


def test_there_is_no_steady_rate_where_the_water_turned():
    time_ms, value = line(1.0)
    turn = time_ms[-1] - HALF_HOUR // 2
    value = np.abs(time_ms - turn) / 3_600_000
    course, _ = trend(time_ms, value, HALF_HOUR, TrendState())
    assert course.steady_rate(np.array([time_ms.size - 1])) == 0


@pytest.mark.parametrize(
    ("every_min", "burst_min", "taken"), [(2, None, True), (40, None, False), (70, 1, False)]
)
def test_a_swift_rate_is_of_the_newest_quarter_where_that_has_four_readings_over_half_of_it(
    every_min, burst_min, taken
):
    """Calm for three hours of four, then up by 1 an hour; few readings, or all in a moment, tell no rate."""
    minutes = np.arange(0, 481, every_min)
    if burst_min:
        minutes = np.concatenate((minutes, 480 + burst_min * np.arange(1, 6)))
    value = 15.0 + np.maximum(minutes - 420, 0) / 60
    found, _ = trend(minutes * 60_000, value, 4 * 3_600_000, TrendState())
    whole, swift = abs(found.rate_per_hour[-1]), found.swift_per_hour[-1]
    assert swift == (pytest.approx(1.0, rel=0.05) if taken else whole)
    assert whole < 0.5
