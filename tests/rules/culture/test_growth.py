"""What a batch's discs, strobilation and releases say: worked by hand."""

import pytest

from rules.culture.cohorts import Cohort
from rules.culture.growth import discs_per_polyp, first_disc_ms, half_released_ms


def batch(**more):
    return Cohort("p1", 0, "polyp", **more)


def test_of_one_polyp_there_is_no_interval_and_of_none_nothing():
    assert discs_per_polyp(batch()) is None
    assert discs_per_polyp(batch(discs=[(5, 3.0)])) == (3.0, None, None)


def test_the_first_disc_is_a_disc_that_was_seen_or_a_strobila():
    assert first_disc_ms(batch(discs=[(5, 0.0)], changes=[(0, "polyp")])) is None
    assert first_disc_ms(batch(discs=[(5, 0.0), (9, 1.0), (7, 2.0)])) == 7
    assert first_disc_ms(batch(discs=[(9, 1.0)], changes=[(0, "polyp"), (6, "strobila")])) == 6


@pytest.mark.parametrize(
    ("released", "half_at"),
    [
        ([], None),
        ([(4, 9)], 4),
        ([(4, 10), (6, 10)], 4),
        ([(4, 9), (6, 10)], 6),
        ([(4, 5), (6, 5), (8, 30)], 8),
    ],
)
def test_half_are_released_with_the_young_that_make_it_half(released, half_at):
    assert half_released_ms(batch(released=released)) == half_at
