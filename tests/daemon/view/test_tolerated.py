"""Where a value stands between its limits, and which of them it will reach; worked out by hand."""

import pytest

from daemon.view.rack_now import Reaching
from daemon.view.tolerated import limits_now, place_of, reaching, telling
from rules.rack.tolerance import Band, Tolerance

START_MS = 1_760_000_000_000
HOUR_MS = 3_600_000
LOPSIDED = Tolerance(target=15.0, advisory=Band(12, 18), critical=Band(5, 19))


@pytest.mark.parametrize(
    ("tolerance", "value", "place"),
    [
        (LOPSIDED, 15.0, 0.0),
        (LOPSIDED, 17.0, 0.5),
        (LOPSIDED, 10.0, -0.5),
        (LOPSIDED, 23.0, 2.0),
        (Tolerance(advisory=Band(11, 19), critical=Band(10, 20)), 20.0, 1.0),
        (Tolerance(target=15.0, advisory=Band(11, 19)), 17.0, 0.5),
        (Tolerance(target=100.0, critical=Band(low=50)), 75.0, -0.5),
        (Tolerance(target=100.0, critical=Band(low=50)), 125.0, 0.5),
        (Tolerance(target=30.0, critical=Band(10, 20)), 15.0, 0.0),
        (Tolerance(critical=Band(low=50)), 60.0, None),
        (Tolerance(target=15.0), 15.0, None),
        (None, 15.0, None),
        (LOPSIDED, None, None),
    ],
)
def test_a_place_is_a_share_of_what_the_stage_tolerates(tolerance, value, place):
    assert place_of(value, tolerance) == place


def test_limits_carry_the_places_of_the_advisory_ones():
    limits = limits_now(LOPSIDED)
    assert (limits.target, limits.critical_low, limits.critical_high) == (15.0, 5, 19)
    assert (limits.advisory_low_place, limits.advisory_high_place) == (-0.3, 0.75)
    assert limits_now(None) is None


@pytest.mark.parametrize(
    ("value", "per_hour", "found"),
    [
        (15.0, 1.5, Reaching("advisory_high", 18, START_MS + 2 * HOUR_MS)),
        (18.5, 0.5, Reaching("critical_high", 19, START_MS + HOUR_MS)),
        (15.0, -1.0, Reaching("advisory_low", 12, START_MS + 3 * HOUR_MS)),
        (20.0, 1.0, None),
        (15.0, 0.0, None),
    ],
)
def test_the_next_limit_ahead_is_told_with_its_time(value, per_hour, found):
    assert reaching(value, per_hour, LOPSIDED, START_MS) == found


def test_a_trend_tells_from_a_tenth_of_the_stricter_rate():
    tolerance = Tolerance(max_rise_per_hour=1.0, max_fall_per_hour=0.5)
    assert telling(0.05, tolerance)
    assert telling(-0.05, tolerance)
    assert not telling(0.049, tolerance)
    assert not telling(9.9, Tolerance())
