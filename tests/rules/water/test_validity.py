"""Where a formula holds: both limits are included, one value counts for all, nothing stands for nothing."""

import numpy as np

from rules.water.validity import Limits, blank, settle

WARM = Limits(10.0, 20.0)
SALTY = Limits(30.0, 40.0)


def kept(*checks):
    """Which of the results are left."""
    return np.isfinite(blank(np.ones(1), *checks)).tolist()


def test_both_limits_are_included():
    assert kept((np.array([9.999, 10.0, 20.0, 20.001]), WARM)) == [False, True, True, False]


def test_any_check_that_fails_is_enough_and_what_is_missing_fails():
    temperature = np.array([15.0, 5.0, 15.0, 5.0, np.nan, 15.0])
    salinity = np.array([35.0, 35.0, 50.0, 50.0, 35.0, np.nan])
    assert kept((temperature, WARM), (salinity, SALTY)) == [True, *[False] * 5]


def test_one_value_is_judged_for_all():
    assert kept((np.array([15.0, 5.0]), WARM), (np.array([35.0]), SALTY)) == [True, False]
    assert kept((np.array([15.0, 5.0]), WARM), (np.array([50.0]), SALTY)) == [False, False]


def test_blank_keeps_what_is_inside_and_leaves_its_input_alone():
    values = np.array([1.0, 2.0])
    blanked = blank(values, (np.array([15.0, 5.0]), WARM))
    assert blanked[0] == 1.0
    assert np.isnan(blanked[1])
    assert values.tolist() == [1.0, 2.0]


def test_settle_puts_back_rounding_and_nothing_more():
    settled = settle(np.array([30.0 - 1e-12, 40.0 + 1e-12, 29.999, 40.001, 35.0, np.nan]), SALTY)
    assert settled[:5].tolist() == [30.0, 40.0, 29.999, 40.001, 35.0]
    assert np.isnan(settled[5])
