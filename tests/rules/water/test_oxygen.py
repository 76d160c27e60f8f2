"""Oxygen solubility and saturation: inverse directions and ranges."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.water.oxygen import (
    oxygen_mg_l,
    oxygen_saturation_percent,
    oxygen_solubility_mg_l,
    oxygen_solubility_umol_kg,
)

temperatures = st.floats(-2.0, 40.0)
salinities = st.floats(0.0, 42.0)
pressures = st.floats(500.0, 1100.0)
oxygens = st.floats(-0.5, 25.0)


@given(oxygens, temperatures, salinities, pressures)
def test_saturation_and_back_gives_the_same_oxygen(oxygen, temperature, salinity, pressure):
    percent = oxygen_saturation_percent(oxygen, temperature, salinity, pressure)
    assert oxygen_mg_l(percent, temperature, salinity, pressure) == pytest.approx([oxygen], rel=1e-14)


@given(temperatures, salinities, pressures)
def test_water_in_balance_with_air_is_at_a_hundred_percent(temperature, salinity, pressure):
    solubility = oxygen_solubility_mg_l(temperature, salinity, pressure)
    percent = oxygen_saturation_percent(solubility, temperature, salinity, pressure)
    assert percent == pytest.approx([100.0], rel=1e-14)


@given(temperatures, salinities, pressures)
def test_the_units_are_one_amount(temperature, salinity, pressure):
    mg_l = oxygen_solubility_mg_l(temperature, salinity, pressure)
    umol_kg = oxygen_solubility_umol_kg(temperature, salinity, pressure)
    assert np.all((mg_l / 31.9988e-3 / umol_kg > 0.99) & (mg_l / 31.9988e-3 / umol_kg < 1.04))


@given(st.floats(-2.0, 39.0), st.floats(0.0, 41.0), st.floats(500.0, 1090.0))
def test_warmth_and_salt_drive_oxygen_out_and_pressure_drives_it_in(temperature, salinity, pressure):
    here, warmer, saltier, deeper = oxygen_solubility_mg_l(
        [temperature, temperature + 1.0, temperature, temperature],
        [salinity, salinity, salinity + 1.0, salinity],
        [pressure, pressure, pressure, pressure + 10.0],
    )
    assert warmer < here
    assert saltier < here
    assert deeper > here


@pytest.mark.parametrize(
    ("temperature", "salinity", "pressure", "inside"),
    [
        (20.0, 35.0, 1013.25, True),
        (-2.0, 0.0, 500.0, True),
        (40.0, 42.0, 1100.0, True),
        (np.nan, 35.0, 1013.25, False),
        (20.0, np.nan, 1013.25, False),
        (20.0, 35.0, np.nan, False),
        (40.1, 35.0, 1013.25, False),
        (20.0, 42.1, 1013.25, False),
        (20.0, -0.1, 1013.25, False),
        (20.0, 35.0, 101.325, False),  # kPa
        (20.0, 35.0, 29.92, False),  # inHg
        (20.0, 35.0, 101_325.0, False),  # Pa
        (20.0, 35.0, np.inf, False),
    ],
)
def test_every_oxygen_result_is_nan_exactly_outside_the_range(temperature, salinity, pressure, inside):
    water = (temperature, salinity, pressure)
    results = [
        oxygen_solubility_umol_kg(*water),
        oxygen_solubility_mg_l(*water),
        oxygen_saturation_percent(7.0, *water),
        oxygen_mg_l(100.0, *water),
    ]
    assert np.isnan(np.concatenate(results)).tolist() == [not inside] * 4


def test_a_reading_a_little_below_zero_stays_one():
    """A probe's zero drifts; water without oxygen must not turn into a missing value."""
    assert oxygen_saturation_percent(-0.02, 20.0, 35.0, 1013.25)[0] == pytest.approx(-0.27, abs=0.01)
