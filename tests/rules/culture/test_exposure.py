"""The water as a batch had it: worked by hand, adding up over time, and unknown where nothing was read."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.culture.cohorts import Cohort, Stay
from rules.culture.exposure import Series, exposure, stays_within
from tests.rigs.examples import examples

MIN = 60_000


def series(minutes, values, hold=10, end=60):
    times = np.array(minutes, np.int64) * MIN
    held = np.minimum(np.diff(times, append=end * MIN), hold * MIN)
    bands = np.repeat(np.array([[12.0], [18.0], [10.0], [20.0]]), times.size, axis=1)
    return Series(times, held, np.array(values, float), bands)


def test_worked_by_hand():
    """15 for 5 min, 19 for 5, 21 for 5, 11 for 10 (of 45: the stage goes unwatched for no longer)."""
    its = exposure([(series([0, 5, 10, 15], [15.0, 19.0, 21.0, 11.0]), 0, 60 * MIN)])
    assert (its.lowest, its.middle, its.highest) == (11.0, 17.0, 21.0)
    assert (its.advisory_ms, its.critical_ms, its.known_ms) == (20 * MIN, 5 * MIN, 25 * MIN)
    assert its.unwatched_ms == 35 * MIN
    assert its.unit_days == pytest.approx((15 * 5 + 19 * 5 + 21 * 5 + 11 * 10) / 1440)
    assert its.deficit == pytest.approx(1.0 * 10 / 60), "one below the advisory low for ten minutes"
    assert its.mean == pytest.approx(385 / 25)


def test_of_a_part_only_what_held_in_it_counts_also_from_before():
    its = exposure([(series([0, 5, 10], [15.0, 19.0, 21.0]), 7 * MIN, 12 * MIN)])
    assert (its.lowest, its.highest, its.known_ms, its.unwatched_ms) == (19.0, 21.0, 5 * MIN, 0)


def test_a_vessel_that_nobody_read_is_unwatched():
    its = exposure([(None, 0, 60 * MIN), (series([0], [15.0]), 0, 20 * MIN)])
    assert (its.known_ms, its.unwatched_ms) == (10 * MIN, 70 * MIN)
    assert math.isnan(exposure([(None, 0, MIN)]).mean)


def test_the_worst_step_is_that_of_neighbouring_hours_of_one_vessel():
    one = series([0, 30, 60, 90, 240], [15.0, 16.0, 18.0, 18.0, 30.0], hold=300, end=300)
    assert exposure([(one, 0, 300 * MIN)]).worst_per_hour == pytest.approx(2.5)
    other = series([0, 30], [40.0, 40.0])
    assert exposure([(one, 0, 120 * MIN), (other, 0, 60 * MIN)]).worst_per_hour == pytest.approx(2.5)


def test_where_a_batch_was_is_cut_to_the_time():
    stays = [Stay("k1", 0, 20), Stay("k2", 20, 50), Stay("k3", 50)]
    of = Cohort("e1", 0, "ephyra", stays=stays)
    assert list(stays_within(of, 0, 60)) == [("k1", 0, 20), ("k2", 20, 50), ("k3", 50, 60)]
    assert list(stays_within(of, 20, 40)) == [("k2", 20, 40)]
    assert list(stays_within(of, 30, 50)) == [("k2", 30, 50)]


@given(st.lists(st.floats(5, 25), min_size=2, max_size=40), st.integers(1, 59))
@settings(max_examples=examples(100))
def test_two_parts_of_a_time_add_up_to_the_whole(values, cut):
    its = series(range(len(values)), values)
    whole = exposure([(its, 0, 60 * MIN)])
    parts = [exposure([(its, 0, cut * MIN)]), exposure([(its, cut * MIN, 60 * MIN)])]
    for name in ("known_ms", "unwatched_ms", "advisory_ms", "critical_ms"):
        assert getattr(whole, name) == sum(getattr(part, name) for part in parts)
    assert whole.unit_days == pytest.approx(math.fsum(part.unit_days for part in parts))
    assert whole.critical_ms <= whole.advisory_ms <= whole.known_ms


def test_where_no_lower_limit_is_set_nothing_is_missing():
    its = series([0, 5], [15.0, 11.0])
    its.bands[0] = -math.inf
    assert exposure([(its, 0, 20 * MIN)]).deficit == 0.0
