"""Putting a reading compensated to 25 °C back to the water's temperature."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import SeawaterError
from rules.water.specific_conductance import Compensation, in_situ_conductivity, iso_7888_factor


@given(st.floats(0.1, 80.0), st.floats(0.0, 35.9), st.floats(0.0, 0.039))
def test_a_linear_probe_that_reads_the_result_would_report_the_reading(reading, temperature, per_kelvin):
    in_situ = in_situ_conductivity(reading, temperature, Compensation.LINEAR, per_kelvin)
    assert in_situ / (1.0 + per_kelvin * (temperature - 25.0)) == pytest.approx([reading], rel=1e-12)


@given(st.floats(0.1, 80.0))
def test_at_25_degrees_nothing_is_to_be_put_back(reading):
    assert in_situ_conductivity(reading, 25.0, Compensation.LINEAR, 0.02).tolist() == [reading]
    assert in_situ_conductivity(reading, 25.0, Compensation.ISO_7888) == pytest.approx([reading], rel=1e-15)


def test_warmer_water_needs_less_compensation():
    assert np.all(np.diff(iso_7888_factor(np.linspace(0.0, 35.9, 360))) < 0.0)


@pytest.mark.parametrize("temperature", [-0.01, 35.91, np.nan])
def test_iso_7888_is_nan_outside_its_range(temperature):
    assert np.isnan(iso_7888_factor(temperature)).all()
    assert np.isnan(in_situ_conductivity(50.0, temperature, Compensation.ISO_7888)).all()


@pytest.mark.parametrize("temperature", [-2.01, 40.01, np.nan])
def test_linear_compensation_is_nan_outside_its_range(temperature):
    assert np.isnan(in_situ_conductivity(50.0, temperature, Compensation.LINEAR, 0.02)).all()


@pytest.mark.parametrize("per_kelvin", [2.0, -0.02, np.nan])
def test_a_coefficient_that_is_no_fraction_is_refused(per_kelvin):
    with pytest.raises(SeawaterError, match=r"give a fraction up to 0\.05, as 0\.02 for 2 %/K"):
        in_situ_conductivity(50.0, 20.0, Compensation.LINEAR, per_kelvin)


@pytest.mark.parametrize(("per_kelvin", "expected"), [(0.0, 50.0), (0.05, 37.5)])
def test_a_coefficient_at_either_end_is_taken(per_kelvin, expected):
    """50 * (1 + 0.05 * (20 - 25))."""
    assert in_situ_conductivity(50.0, 20.0, Compensation.LINEAR, per_kelvin) == pytest.approx([expected])


@pytest.mark.parametrize("temperature", [-2.0, 40.0])
def test_linear_compensation_reaches_to_both_ends_of_its_range(temperature):
    assert not np.isnan(in_situ_conductivity(50.0, temperature, Compensation.LINEAR, 0.02)).any()
