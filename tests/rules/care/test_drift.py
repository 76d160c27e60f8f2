"""Drift correction: what was put on a record evenly is taken off again, and nothing else changes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.care.calibration import Calibration, Cleaning, Line, Moves, Point
from rules.care.drift import (
    Correction,
    corrected,
    corrections_of,
    error_found,
    uncertainty_between,
    visits_in_pairs,
)
from rules.errors import CalibrationError
from rules.quantities import Quantity

DAY_MS = 86_400_000
TIMES = np.arange(0, 10 * DAY_MS + 1, DAY_MS // 4)
SHARES = TIMES / (10 * DAY_MS)
COLD, SALT = Quantity.TEMPERATURE, Quantity.CONDUCTIVITY


def visit(day, *points, quantity=SALT, **more):
    pairs = tuple(Point(*point) for point in points)
    return Calibration(day * DAY_MS, "k1-ct", quantity, pairs, "lot 7", "kim", **more)


def undone(raw, *visits):
    (found,) = corrections_of(visits).values()
    for correction in found:
        raw = corrected(TIMES, raw, correction)
    return raw


def test_an_offset_that_grows_evenly_comes_off():
    """An ice point at each end: the probe read right at first and 0.5 °C low after ten days."""
    truth = 15.0 + np.sin(TIMES / DAY_MS)
    visits = [visit(0, (0.0, 0.0), quantity=COLD), visit(10, (-0.5, 0.0), quantity=COLD)]
    np.testing.assert_allclose(undone(truth - 0.5 * SHARES, *visits), truth, atol=1e-12)


@pytest.mark.parametrize("standard", [1.413, 12.88, 50.0])
def test_a_gain_that_drifts_evenly_comes_off_whatever_the_standard(standard):
    """Three per cent of gain in ten days, in water of about 39.6 mS/cm: nothing is left of it."""
    truth = 39.6 + np.sin(TIMES / DAY_MS)
    visits = [visit(0, (standard, standard)), visit(10, (0.97 * standard, standard))]
    np.testing.assert_allclose(undone(truth * (1.0 - 0.03 * SHARES), *visits), truth, rtol=1e-12)


def test_an_oxygen_foil_calibrated_in_air_is_right_at_5_mg_l():
    truth = np.full(TIMES.size, 5.0)
    visits = [visit(day, (read, 8.2), quantity=Quantity.OXYGEN) for day, read in ((0, 8.2), (10, 7.79))]
    np.testing.assert_allclose(undone(truth * (1.0 - 0.05 * SHARES), *visits), truth, rtol=1e-12)


def test_two_points_take_gain_and_zero_off():
    truth = np.linspace(5.0, 55.0, TIMES.size)
    raw = truth * (1.0 + 0.04 * SHARES) - 0.3 * SHARES
    visits = [visit(0, (1.4, 1.4), (50.0, 50.0)), visit(10, (1.04 * 1.4 - 0.3, 1.4), (51.7, 50.0))]
    np.testing.assert_allclose(undone(raw, *visits), truth, rtol=1e-12)


def test_by_hand_worked_numbers():
    """Half way from right to 4 % low, 38.808 was 38.808 / 0.98 = 39.6; to 0.4 low, 39.4 was 39.6."""
    half = np.array([50])
    assert corrected(half, np.array([38.808]), Correction(0, 100, gain=0.96)) == pytest.approx(39.6)
    assert corrected(half, np.array([39.4]), Correction(0, 100, zero=-0.4)) == pytest.approx(39.6)


def test_what_one_point_moves_may_be_said():
    visits = [visit(0, (50.0, 50.0)), visit(10, (49.0, 50.0), said=Moves.OFFSET)]
    assert error_found(*visits) == (1.0, pytest.approx(-1.0))
    assert error_found(visits[0], visit(10, (49.0, 50.0))) == (pytest.approx(0.98), 0.0)


def test_no_drift_is_taken_across_two_probes():
    """The first lost 2 % in five days; the second sends 4 % less, and loses 1 % more in as many."""
    first, found = visit(0, (50.0, 50.0)), visit(5, (49.0, 50.0))
    new, later = visit(6, (48.0, 50.0), replaced=True), visit(11, (47.52, 50.0))
    corrections = corrections_of([first, found, new, later])["k1-ct/conductivity"]
    assert [(it.from_ms, it.to_ms) for it in corrections] == [
        (first.at_ms, found.at_ms),
        (new.at_ms, later.at_ms),
    ]
    assert [it.gain for it in corrections] == pytest.approx([0.98, 0.99])


def test_fouling_comes_off_before_drift():
    """38 before wiping and 40 after, of which 0.5 was the water; then 49.5 in a standard of 50."""
    visits = [visit(0, (50.0, 50.0)), visit(10, (49.5, 50.0), cleaned=Cleaning(38.0, 40.0, meanwhile=0.5))]
    fouling, drift = corrections_of(visits)["k1-ct/conductivity"]
    assert fouling.gain == pytest.approx(38.0 / 39.5)
    assert drift.gain == pytest.approx(0.99)
    assert undone(np.full(TIMES.size, 38.0), *visits)[-1] == pytest.approx(39.5 / 0.99)


@given(
    slope=st.floats(0.8, 1.25),
    offset=st.floats(-1.0, 1.0),
    gain=st.floats(0.9, 1.1),
    said=st.sampled_from([Moves.OFFSET, Moves.SLOPE]),
)
def test_the_corrected_record_meets_the_line_before_and_the_one_after(slope, offset, gain, said):
    """Nothing was adjusted: at the first visit the old line holds, at the second the new one."""
    before = visit(0, ((12.88 - offset) / slope, 12.88), ((50.0 - offset) / slope, 50.0))
    read = before.line.read_at(12.88 * gain)
    after = visit(10, (read, 12.88), said=said, base=before.line)
    (correction,) = corrections_of([before, after])["k1-ct/conductivity"]
    raw = np.array([20.0, 40.0])
    start, end = np.full(2, 0), np.full(2, 10 * DAY_MS)
    np.testing.assert_allclose(corrected(start, raw, correction), raw, rtol=1e-12)
    at_the_end = before.line.of(corrected(end, raw, correction))
    np.testing.assert_allclose(at_the_end, after.line.of(raw), rtol=1e-9)


def test_as_found_counts_for_the_record_and_as_left_for_what_comes():
    left = visit(10, (50.0, 50.0), found=(Point(48.5, 50.0),))
    assert error_found(visit(0, (50.0, 50.0)), left) == (pytest.approx(0.97), 0.0)
    assert left.line == Line()


def test_an_earlier_calibration_stays_in_force_under_the_correction():
    """The line of the first visit goes on to be applied; the correction is for the raw reading."""
    first, second = visit(0, (25.0, 50.0)), visit(10, (24.0, 50.0))
    (correction,) = corrections_of([second, first])["k1-ct/conductivity"]
    raw = corrected(np.array([10 * DAY_MS]), np.array([24.0]), correction)
    assert first.line.of(raw) == pytest.approx(50.0)


def test_the_standards_own_errors_are_in_the_result():
    """0.5 % of the bottle at each end is 0.2 of 40 at the ends and 0.2 / sqrt(2) half way."""
    before, after = visit(0, (12.88, 12.88, 0.0644)), visit(10, (12.6, 12.88, 0.0644))
    errors = [uncertainty_between(before, after, day * DAY_MS, 40.0) for day in (0, 5, 10)]
    assert errors == pytest.approx([0.2, 0.2 / 2**0.5, 0.2])


def test_the_visit_counts_as_it_was_found_and_the_one_before_as_it_was_left():
    """A certificate of 0.5 % when found, a better bottle of 0.1 % for what was left: 0.2 of 40 at the end."""
    before = visit(0, (12.88, 12.88, 0.01288), found=(Point(12.9, 12.88, 0.5),))
    after = visit(10, (12.88, 12.88, 0.01288), found=(Point(12.6, 12.88, 0.0644),))
    errors = [uncertainty_between(before, after, day * DAY_MS, 40.0) for day in (0, 10)]
    assert errors == pytest.approx([0.04, 0.2])
    zero = visit(10, (2.0, 2.0, 0.1), found=(Point(0.05, 0.0, 0.05),), quantity=Quantity.OXYGEN)
    air = visit(0, (8.0, 8.0, 0.08), quantity=Quantity.OXYGEN)
    assert uncertainty_between(air, zero, 10 * DAY_MS, 8.0) == 0.05  # a zero tells of no gain


def test_visits_are_paired_by_their_times_and_each_probe_with_itself():
    late, early = visit(10, (49.0, 50.0)), visit(0, (50.0, 50.0))
    same = visit(10, (48.0, 50.0))
    assert list(visits_in_pairs([late, early, same, visit(5, (0.1, 0.0), quantity=COLD)])) == [(early, late)]


@given(
    st.lists(st.tuples(st.integers(-50, 150), st.floats(0, 60)), min_size=1, max_size=50),
    st.integers(0, 50),
)
def test_any_cut_gives_the_same_corrected_values(record, cut):
    times, values = np.array([t for t, _ in record]), np.array([v for _, v in record])
    correction = Correction(0, 100, 0.97, 0.2, Line(1.02, -0.1))
    whole = corrected(times, values, correction)
    parts = [corrected(times[part], values[part], correction) for part in (slice(cut), slice(cut, None))]
    assert np.array_equal(np.concatenate(parts), whole)
    outside = (times < 0) | (times > 100)
    assert np.array_equal(whole[outside], values[outside])


def test_nothing_is_known_of_the_time_before_the_first_visit():
    assert corrections_of([visit(10, (49.0, 50.0))]) == {}


def test_a_correction_over_no_time_is_refused():
    with pytest.raises(CalibrationError, match="later"):
        Correction(100, 100)
