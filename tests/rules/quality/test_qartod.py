"""The QARTOD tests on short series worked out by hand from the manuals' definitions, and on plain loops."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.quality import qartod
from rules.quality.settings import Range

NAN = math.nan
HOUR_MS = 3_600_000


def floats(*values):
    return np.array(values, dtype=np.float64)


def times(*values):
    return np.array(values, dtype=np.int64)


def test_timing_gap_flags_the_reading_after_a_gap():
    assert qartod.timing_gap_test(times(0, 60, 120, 181, 241), 60).tolist() == [2, 1, 1, 4, 1]


def test_syntax_flags_what_is_no_number_and_what_was_not_parsed():
    value = floats(1.0, NAN, math.inf, -math.inf, 2.0)
    assert qartod.syntax_test(value).tolist() == [1, 9, 9, 9, 1]
    unparsable = np.array([False, True, False, False, True])
    assert qartod.syntax_test(value, unparsable).tolist() == [1, 4, 9, 9, 4]


def test_gross_range_passes_its_limits():
    value = floats(-0.1, 0.0, 0.9, 1.0, 4.0, 4.1, 5.0, 5.1, NAN)
    assert qartod.gross_range_test(value, Range(0, 5), Range(1, 4)).tolist() == [4, 3, 3, 1, 1, 3, 3, 4, 9]
    assert qartod.gross_range_test(value, Range(0, 5)).tolist() == [4, 1, 1, 1, 1, 1, 1, 4, 9]
    assert qartod.gross_range_test(floats(1.0, 4.0), Range(0, 5), Range(1, 4)).tolist() == [1, 1]


def test_climatology_has_no_fail():
    value = floats(-1000.0, 9.9, 10.0, 12.0, 12.1, NAN)
    assert qartod.climatology_test(value, Range(10, 12)).tolist() == [3, 3, 1, 1, 3, 9]
    assert qartod.climatology_test(floats(10.0, 12.0), Range(10, 12)).tolist() == [1, 1]


@pytest.mark.parametrize(
    ("value", "flags"),
    [
        ([10.0, 10.0, 10.0], [2, 1, 2]),
        ([10.0, 13.0, 10.0], [2, 1, 2]),  # the threshold itself passes
        ([10.0, 13.5, 10.0], [2, 3, 2]),
        ([10.0, 18.0, 10.0], [2, 3, 2]),
        ([10.0, 18.5, 10.0], [2, 4, 2]),
        ([10.0, 1.0, 10.0], [2, 4, 2]),
        ([10.0, 20.0, 30.0], [2, 1, 2]),  # a slope is no spike
        ([10.0, NAN, 10.0, 10.0, 10.0], [2, 9, 2, 1, 2]),
        ([10.0, 30.0], [2, 2]),
        ([10.0], [2]),
        ([NAN], [9]),
        ([], []),
    ],
)
def test_spike_at_the_manuals_thresholds(value, flags):
    """3 and 8 °C: example of the QARTOD T/S manual (from memory)."""
    assert qartod.spike_test(floats(*value), 3.0, 8.0).tolist() == flags


def test_spike_threshold_zero_is_a_threshold():
    assert qartod.spike_test(floats(1.0, 1.5, 1.0), 0.0, None).tolist() == [2, 3, 2]


readings = st.lists(st.one_of(st.integers(-40, 40).map(lambda n: n / 8), st.just(NAN)), max_size=25)


def plain_spike(value, suspect, fail):
    flags = []
    for n, x in enumerate(value):
        if math.isnan(x):
            flags.append(9)
        elif n in (0, len(value) - 1) or math.isnan(value[n - 1]) or math.isnan(value[n + 1]):
            flags.append(2)
        else:
            distance = abs(x - (value[n - 1] + value[n + 1]) / 2)
            flags.append(4 if distance > fail else 3 if distance > suspect else 1)
    return flags


@given(readings)
def test_spike_is_the_plain_loop(value):
    assert qartod.spike_test(floats(*value), 0.5, 2.0).tolist() == plain_spike(value, 0.5, 2.0)


def test_rate_of_change_in_units_per_hour():
    time_ms = times(0, HOUR_MS, 2 * HOUR_MS, 2 * HOUR_MS + HOUR_MS // 2, 4 * HOUR_MS)
    value = floats(10.0, 12.0, 14.5, 13.0, NAN)
    assert qartod.rate_of_change_test(time_ms, value, 2.0).tolist() == [2, 1, 3, 3, 9]


def test_rate_of_change_below_one_second():
    """8 units a second against a limit of 5: missed where intervals are cut to whole seconds."""
    flags = qartod.rate_of_change_test(times(0, 500, 1000), floats(0.0, 4.0, 5.0), 5.0 * 3600)
    assert flags.tolist() == [2, 3, 1]


def test_rate_of_change_by_deviations():
    value = floats(10.0, 10.3, 10.0, 10.31, 10.0)
    steps = floats(NAN, 0.3001, 0.3001, 0.3001, NAN)
    assert qartod.rate_of_change_test(times(0, 1, 2, 3, 4), value, None, steps).tolist() == [2, 1, 1, 3, 2]


def test_small_steps_pass_whatever_the_rate():
    time_ms, value = times(0, 1000, 2000, 3000), floats(10.0, 10.25, 10.75, NAN)
    assert qartod.rate_of_change_test(time_ms, value, 1.0, None, 0.25).tolist() == [2, 1, 3, 9]
    unknown = floats(NAN, NAN, NAN, NAN)
    assert qartod.rate_of_change_test(time_ms, value, None, unknown, 0.25).tolist() == [2, 2, 2, 9]


def test_attenuated_signal_at_its_thresholds():
    variation = floats(0.0, 0.09, 0.1, 0.19, 0.2, NAN)
    assert qartod.attenuated_signal_test(variation, 0.2, 0.1).tolist() == [4, 4, 3, 3, 1, 2]
    assert qartod.attenuated_signal_test(variation, 0.2, None).tolist() == [3, 3, 3, 3, 1, 2]
