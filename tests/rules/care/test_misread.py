"""What a number would be read otherwise, at the ends of what floats are."""

import warnings

import pytest

from rules.care.misread import read_otherwise
from rules.quantities import Quantity


@pytest.mark.parametrize("value", [1e300, -1e300, 3.5e38])
def test_a_number_that_no_four_bytes_hold_is_read_in_no_other_order(value):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert read_otherwise(Quantity.TEMPERATURE, value) == ()
