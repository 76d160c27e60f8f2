"""Drift correction: what was put on a record evenly is taken off again, and nothing else changes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.care.calibration import Calibration, Cleaning, Point
from rules.care.drift import Correction, corrected, corrections_of, fouling_error
from rules.errors import CalibrationError
from rules.quantities import Quantity

DAY_MS = 86_400_000
TIMES = np.arange(0, 10 * DAY_MS + 1, DAY_MS // 4)


def visit(day, read, true, cleaned=None, quantity=Quantity.CONDUCTIVITY):
    return Calibration(day * DAY_MS, "k1-ct", quantity, (Point(read, true),), "lot 7", "kim", cleaned=cleaned)


def test_a_record_that_drifts_evenly_comes_back():
    """An ice point at each end: the probe read right at first and 0.5 °C low after ten days."""
    truth = 15.0 + np.sin(TIMES / DAY_MS)
    raw = truth - 0.5 * TIMES / (10 * DAY_MS)
    calibrations = [
        visit(0, 0.0, 0.0, quantity=Quantity.TEMPERATURE),
        visit(10, -0.5, 0.0, quantity=Quantity.TEMPERATURE),
    ]
    (correction,) = corrections_of(calibrations)["k1-ct/temperature"]
    np.testing.assert_allclose(corrected(TIMES, raw, correction), truth, atol=1e-12)


def test_fouling_comes_off_before_drift():
    visits = [visit(0, 50.0, 50.0), visit(10, 49.5, 50.0, Cleaning(44.0, 46.0, meanwhile=0.5))]
    fouling, drift = corrections_of(visits)["k1-ct/conductivity"]
    assert fouling.points == ((44.0, 1.5),)
    assert drift.points == ((49.5, 0.5),)
    end = np.array([10 * DAY_MS])
    value = corrected(end, corrected(end, np.array([44.0]), fouling), drift)
    assert value == pytest.approx(44.0 + 1.5 + 0.5)


def test_an_earlier_calibration_stays_in_force_under_the_correction():
    """The line of the first visit goes on to be applied; the correction is for the raw reading."""
    first, second = visit(0, 25.0, 50.0), visit(10, 24.0, 50.0)
    (correction,) = corrections_of([second, first])["k1-ct/conductivity"]
    raw = corrected(np.array([10 * DAY_MS]), np.array([24.0]), correction)
    assert first.line.of(raw) == pytest.approx(50.0)


def test_two_points_correct_each_value_by_its_place_between_them():
    correction = Correction(0, 100, ((10.0, 1.0), (20.0, 3.0)))
    values = np.array([5.0, 10.0, 15.0, 20.0, 30.0])
    got = corrected(np.full(5, 100), values, correction) - values
    np.testing.assert_allclose(got, [1.0, 1.0, 2.0, 3.0, 3.0])


def test_three_points_bend_at_the_middle_one():
    correction = Correction(0, 100, ((0.0, 0.0), (10.0, 1.0), (20.0, 0.0)))
    values = np.array([5.0, 10.0, 15.0])
    np.testing.assert_allclose(corrected(np.full(3, 50), values, correction) - values, [0.25, 0.5, 0.25])


@given(
    st.lists(st.tuples(st.integers(-50, 150), st.floats(0, 60)), min_size=1, max_size=50),
    st.integers(0, 50),
)
def test_any_cut_gives_the_same_corrected_values(record, cut):
    times, values = np.array([t for t, _ in record]), np.array([v for _, v in record])
    correction = Correction(0, 100, ((10.0, 0.7), (30.0, -0.3), (41.0, 2.0)))
    whole = corrected(times, values, correction)
    parts = [corrected(times[part], values[part], correction) for part in (slice(cut), slice(cut, None))]
    assert np.array_equal(np.concatenate(parts), whole)
    outside = (times < 0) | (times > 100)
    assert np.array_equal(whole[outside], values[outside])


def test_nothing_is_known_of_the_time_before_the_first_visit():
    assert corrections_of([visit(10, 49.0, 50.0)]) == {}


@pytest.mark.parametrize(
    "points", [(), ((1.0, 0.0), (1.0, 0.1)), ((2.0, 0.0), (1.0, 0.0)), ((1, 0), (2, 0), (3, 0), (4, 0))]
)
def test_points_must_rise_and_be_three_at_most(points):
    with pytest.raises(CalibrationError, match="each higher than the last"):
        Correction(0, 100, points)


def test_a_correction_over_no_time_is_refused():
    with pytest.raises(CalibrationError, match="later"):
        Correction(100, 100, ((1.0, 0.1),))


def test_fouling_is_what_wiping_changed_less_what_the_water_did():
    assert fouling_error(Cleaning(10.0, 12.0, 0.5)) == 1.5
