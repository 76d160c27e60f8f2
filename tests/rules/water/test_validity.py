"""Why a value is missing: the first check that fails gives the reason."""

import numpy as np

from rules.water.validity import Limits, Validity, blank, judge, settle

WARM = Limits(10.0, 20.0, Validity.TEMPERATURE_OUT_OF_RANGE)
SALTY = Limits(30.0, 40.0, Validity.SALINITY_OUT_OF_RANGE)


def test_both_limits_are_included():
    assert judge((np.array([9.999, 10.0, 20.0, 20.001]), WARM)).tolist() == [2, 0, 0, 2]


def test_the_first_check_that_fails_gives_the_reason():
    temperature = np.array([15.0, 5.0, 15.0, 5.0, np.nan, 15.0])
    salinity = np.array([35.0, 35.0, 50.0, 50.0, 50.0, np.nan])
    assert [Validity(code) for code in judge((temperature, WARM), (salinity, SALTY))] == [
        Validity.OK,
        Validity.TEMPERATURE_OUT_OF_RANGE,
        Validity.SALINITY_OUT_OF_RANGE,
        Validity.TEMPERATURE_OUT_OF_RANGE,
        Validity.MISSING,
        Validity.MISSING,
    ]


def test_one_value_is_judged_for_all():
    codes = judge((np.array([15.0, 5.0]), WARM), (np.array([50.0]), SALTY))
    assert codes.tolist() == [Validity.SALINITY_OUT_OF_RANGE, Validity.TEMPERATURE_OUT_OF_RANGE]


def test_blank_keeps_what_is_ok_and_leaves_its_input_alone():
    values = np.array([1.0, 2.0])
    blanked = blank(values, np.array([Validity.OK, Validity.MISSING], dtype=np.uint8))
    assert blanked[0] == 1.0
    assert np.isnan(blanked[1])
    assert values.tolist() == [1.0, 2.0]


def test_settle_puts_back_rounding_and_nothing_more():
    settled = settle(np.array([30.0 - 1e-12, 40.0 + 1e-12, 29.999, 40.001, 35.0, np.nan]), SALTY)
    assert settled[:5].tolist() == [30.0, 40.0, 29.999, 40.001, 35.0]
    assert np.isnan(settled[5])
