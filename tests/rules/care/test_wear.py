"""What is seen of a probe's drift, and what is made of it: its error at an age, and when it is due."""

import pytest

from rules.care.calibration import Calibration, Point
from rules.care.wear import NO_WEAR, Wear, worn
from rules.quantities import Quantity

DAY_MS = 86_400_000
LEAST_MS, GREATEST_MS = 7 * DAY_MS, 366 * DAY_MS  # project judgement


def visit(day, read, quantity=Quantity.CONDUCTIVITY):
    return Calibration(day * DAY_MS, "k1-ct", quantity, (Point(read, 50.0),), "lot 7", "kim")


def test_a_cell_that_loses_two_per_cent_in_a_hundred_days_is_04_off_at_40_after_fifty():
    wear = NO_WEAR.after(visit(0, 50.0), visit(100, 49.0))
    assert wear.error_at(40.0, 50 * DAY_MS) == pytest.approx(0.4)
    assert wear.lasts_ms(40.0, 0.2) == pytest.approx(25 * DAY_MS)


def test_the_pace_is_that_of_all_visits_whatever_their_sign():
    wear = NO_WEAR.after(visit(0, 50.0), visit(100, 49.0)).after(visit(100, 49.0), visit(200, 49.0))
    assert wear.error_at(50.0, 100 * DAY_MS) == pytest.approx(0.5)
    back = Wear(100 * DAY_MS, 0.02).after(visit(100, 49.0), visit(200, 50.0))
    assert back.error_at(50.0, 100 * DAY_MS) == pytest.approx(1.01, abs=0.001)


def test_another_try_within_a_day_is_no_wear():
    assert NO_WEAR.after(visit(0, 50.0), visit(0.9, 40.0)) == NO_WEAR


def test_forecasts_have_bounds_and_nothing_seen_is_no_forecast():
    assert NO_WEAR.lasts_ms(40.0, 0.2) is None
    assert NO_WEAR.error_at(40.0, DAY_MS) == 0.0
    assert Wear(DAY_MS, 0.5).lasts_ms(40.0, 0.2) == LEAST_MS
    assert Wear(DAY_MS).lasts_ms(40.0, 0.2) == GREATEST_MS
    assert Wear(DAY_MS, zero=1e-9).lasts_ms(40.0, 0.2) == GREATEST_MS


@pytest.mark.parametrize(
    ("read", "to_replace"), [(50.0, False), (63.0, True), (39.5, True), (62.5, False), (40.0, False)]
)
def test_a_slope_far_from_one_is_that_of_a_worn_probe(read, to_replace):
    assert worn(visit(0, read)) is to_replace
