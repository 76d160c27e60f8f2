"""Rates of change: exact on straight lines, deaf to one outlier, the same however cut."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.judging.trend import TrendState, trend

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
    time_ms, value = line(rate)
    rates, _ = rates_per_hour(time_ms, value, HALF_HOUR, TrendState())
    np.testing.assert_allclose(rates[40:], rate, atol=1e-9)


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


@given(
    st.lists(st.tuples(st.integers(1, 400_000), st.floats(-5, 40)), min_size=1, max_size=80),
    st.lists(st.integers(0, 80), max_size=8),
    st.sampled_from([60_000, 600_000, 1_800_000]),
)
def test_any_cut_gives_the_same_rates_bit_for_bit(steps, cuts, window_ms):
    time_ms = np.cumsum(np.array([dt for dt, _ in steps], dtype=np.int64))
    value = np.array([v if v < 39 else np.nan for _, v in steps])
    whole, state_of_whole = rates_per_hour(time_ms, value, window_ms, TrendState())
    parts, state = [], TrendState()
    for start, stop in pairwise([0, *sorted(min(cut, value.size) for cut in cuts), value.size]):
        rates, state = rates_per_hour(time_ms[start:stop], value[start:stop], window_ms, state)
        parts.append(rates)
    assert np.concatenate(parts).tobytes() == whole.tobytes()
    assert state == state_of_whole
