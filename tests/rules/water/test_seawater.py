"""Practical salinity: what is outside the range, and that the two directions are inverse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.water.seawater import conductivity_from_salinity, practical_salinity

temperatures = st.floats(-2.0, 35.0)


@pytest.mark.parametrize(
    ("conductivity", "temperature", "pressure", "inside"),
    [
        (45.0, 20.0, 0.0, True),
        (0.0, 20.0, 0.0, True),  # a probe in air
        (45.0, 35.0, 10_000.0, True),
        (np.nan, 20.0, 0.0, False),
        (45.0, np.nan, 0.0, False),
        (45.0, 20.0, np.nan, False),
        (45.0, 35.01, 0.0, False),
        (45.0, -2.01, 0.0, False),
        (-0.01, 20.0, 0.0, False),
        (np.inf, 20.0, 0.0, False),
        (1e300, 20.0, 0.0, False),
        (45.0, 20.0, -0.1, False),
        (45.0, 20.0, 10_000.1, False),
        (54.41, 10.0, 0.0, False),  # S = 35 compensated to 25 °C, taken as in situ
        (45_000.0, 20.0, 0.0, False),  # µS/cm taken for mS/cm
        (4.5, 20.0, 0.0, True),  # S/m taken for mS/cm looks like brackish water: no range can tell
    ],
)
def test_salinity_is_nan_exactly_outside_the_range(conductivity, temperature, pressure, inside):
    value = practical_salinity(conductivity, temperature, pressure)
    assert np.isnan(value).tolist() == [not inside]


@given(st.floats(0.0, 42.0), temperatures, st.floats(0.0, 10_000.0))
def test_conductivity_of_a_salinity_has_that_salinity(salinity, temperature, pressure):
    C = conductivity_from_salinity(salinity, temperature, pressure)
    assert practical_salinity(C, temperature, pressure) == pytest.approx([salinity], abs=1e-10)


@given(st.floats(0.0, 80.0), temperatures, st.floats(0.01, 1.0))
def test_more_conductivity_at_one_temperature_is_more_salt(conductivity, temperature, more):
    less_salt, more_salt = practical_salinity([conductivity, conductivity + more], temperature)
    if not np.isnan(more_salt):
        assert more_salt > less_salt


@given(temperatures)
def test_the_two_formulas_meet_at_two(temperature):
    at_two = conductivity_from_salinity(2.0, temperature)[0]
    below, above = practical_salinity([at_two * (1.0 - 1e-9), at_two * (1.0 + 1e-9)], temperature)
    assert above - below == pytest.approx(4e-9, abs=2e-9)


def test_next_to_no_conductivity_is_no_salt_rather_than_less_than_none():
    S = practical_salinity(np.linspace(0.0, 0.0015, 16), 10.0)
    assert np.all((S >= 0.0) & (S < 3e-4))


@pytest.mark.parametrize(
    ("salinity", "temperature", "pressure"),
    [(42.1, 20.0, 0.0), (-0.1, 20.0, 0.0), (35.0, 35.1, 0.0), (35.0, 20.0, -1.0), (np.nan, 20.0, 0.0)],
)
def test_conductivity_outside_the_range_is_nan(salinity, temperature, pressure):
    assert np.isnan(conductivity_from_salinity(salinity, temperature, pressure)).all()
