"""Oxygen solubility against published tables and check values and the reference library of TEOS-10."""

import math

import gsw
import numpy as np
import pytest

from rules.water.oxygen import (
    oxygen_saturation_percent,
    oxygen_solubility_mg_l,
    oxygen_solubility_umol_kg,
)

IPTS68_PER_ITS90 = 1.00024  # Saunders 1990
ONE_ATM = 1013.25

# APHA Standard Methods 4500-O, solubility of oxygen (mg/L) in water under moist air at 760 mmHg, from Benson
# & Krause 1984; as reproduced in a published manual of a laboratory oxygen meter, whose misprinted cells
# (11 °C at 0, 25 °C at 15) are left out. Columns: chlorinity 0, 5, 10, 15, 20; S = 1.80655 Cl.
CHLORINITY = (0.0, 5.0, 10.0, 15.0, 20.0)
APHA_4500_O = {
    0: (14.621, 13.728, 12.888, 12.097, 11.355),
    5: (12.770, 12.024, 11.320, 10.656, 10.031),
    10: (11.288, 10.656, 10.058, 9.493, 8.959),
    15: (10.084, 9.541, 9.027, 8.540, 8.079),
    20: (9.092, 8.621, 8.174, 7.749, 7.346),
    22: (8.743, 8.297, 7.873, 7.470, 7.087),
    28: (7.827, 7.444, 7.079, 6.731, 6.400),
    30: (7.559, 7.194, 6.845, 6.513, 6.197),
}

# ISO 5814 / EN 25814, solubility (mg/L) at 1013.25 hPa and what each g/kg of salt takes off, 0 to 30 °C; as
# reproduced in the manuals of two makers of oxygen meters.
ISO_5814 = """14.62 14.22 13.83 13.46 13.11 12.77 12.45 12.14 11.84 11.56 11.29 11.03 10.78 10.54 10.31 10.08
    9.87 9.66 9.47 9.28 9.09 8.91 8.74 8.58 8.42 8.26 8.11 7.97 7.83 7.69 7.56"""
ISO_5814_PER_SALT = """
    0.0875 0.0843 0.0818 0.0789 0.0760 0.0739 0.0714 0.0693 0.0671 0.0650 0.0632 0.0614 0.0593
    0.0582 0.0561 0.0545 0.0532 0.0514 0.0500 0.0489 0.0475 0.0464 0.0453 0.0443 0.0432 0.0421 0.0407 0.0400
    0.0389 0.0382 0.0371"""

# Solubility (µmol/kg) by gsw 3.6, temperature (ITS-90), then S = 0, 20, 30, 32, 35, 40
GSW_SALINITY = (0, 20, 30, 32, 35, 40)
GSW = {
    0: (457.006, 391.079, 361.742, 356.142, 347.903, 334.588),
    5: (399.086, 343.782, 319.048, 314.316, 307.350, 296.076),
    10: (352.844, 305.771, 284.621, 280.568, 274.596, 264.920),
    15: (315.393, 274.795, 256.479, 252.963, 247.778, 239.370),
    20: (284.625, 249.196, 233.152, 230.068, 225.517, 218.129),
    25: (258.968, 227.728, 213.533, 210.801, 206.767, 200.212),
    30: (237.223, 209.432, 196.766, 194.325, 190.719, 184.856),
}

# Solubility at station pressure over that at one atmosphere, S = 0; computed apart from this code with the
# formula of Benson & Krause 1984 / APHA 4500-O: pressure (hPa), at 10 °C, at 20 °C.
MM_HG = ONE_ATM / 760.0
PRESSURE_FACTOR = [
    (700 * MM_HG, 0.92015, 0.91924),
    (740 * MM_HG, 0.97338, 0.97308),
    (780 * MM_HG, 1.02662, 1.02692),
    (980.0, 0.96681, 0.96643),
    (1000.0, 0.98677, 0.98662),
    (1030.0, 1.01672, 1.01691),
]


def test_solubility_has_the_check_value_of_garcia_and_gordon():
    """Garcia & Gordon 1992 at 10 °C (IPTS-68) and S = 35: 274.610 µmol/kg, quoted so by public libraries."""
    at_check = oxygen_solubility_umol_kg(10.0 / IPTS68_PER_ITS90, 35.0, ONE_ATM)
    assert at_check == pytest.approx([274.610], abs=5.1e-4)


def test_solubility_per_volume_has_the_check_value_of_garcia_and_gordon():
    """6.315 mL/L and 282.015 µmol/L for the same water: values from memory. Theirs is a separate fit."""
    mg_l = oxygen_solubility_mg_l(10.0 / IPTS68_PER_ITS90, 35.0, ONE_ATM)
    ml_l = mg_l / 31.9988e-3 / 44.6596  # µmol per mL of the real gas at 0 °C and 1 atm
    assert ml_l == pytest.approx([6.315], abs=5.1e-4)
    assert ml_l * 44.6596 == pytest.approx([282.015], abs=0.01)


def test_taking_ipts_68_for_its_90_misses_the_check_value():
    assert abs(oxygen_solubility_umol_kg(10.0, 35.0, ONE_ATM)[0] - 274.610) > 0.01


def test_taking_a_kilogram_for_a_litre_misses_every_table_of_seawater():
    """The second trap: µmol/kg used as µmol/L is 2 to 3 % low in seawater."""
    for temperature, row in APHA_4500_O.items():
        per_kg = oxygen_solubility_umol_kg(temperature, 1.80655 * 20.0, ONE_ATM)
        error = per_kg[0] * 31.9988e-3 / row[-1] - 1.0
        assert -0.03 < error < -0.02
        assert oxygen_solubility_mg_l(temperature, 1.80655 * 20.0, ONE_ATM)[0] == pytest.approx(
            row[-1], rel=6e-4
        )


@pytest.mark.parametrize("temperature", APHA_4500_O)
def test_solubility_has_the_values_of_benson_and_krause(temperature):
    salinity = 1.80655 * np.array(CHLORINITY)
    ours = oxygen_solubility_mg_l(temperature, salinity, ONE_ATM)
    assert ours == pytest.approx(APHA_4500_O[temperature], abs=4e-3)


def test_solubility_in_fresh_water_has_the_values_of_iso_5814():
    table = [float(value) for value in ISO_5814.split()]
    ours = oxygen_solubility_mg_l(np.arange(31), 0.0, ONE_ATM)
    assert ours == pytest.approx(table, abs=8e-3)  # half of the last digit, and 0.003 between the fits


def test_salt_takes_off_what_iso_5814_says():
    """Its correction is a straight line of salinity, drawn to suit seawater."""
    per_salt = [float(value) for value in ISO_5814_PER_SALT.split()]
    taken_off = oxygen_solubility_mg_l(np.arange(31), 0.0, ONE_ATM) - oxygen_solubility_mg_l(
        np.arange(31), 35.0, ONE_ATM
    )
    assert taken_off / 35.0 == pytest.approx(per_salt, rel=0.05)


@pytest.mark.parametrize("temperature", GSW)
def test_solubility_has_the_values_of_the_table(temperature):
    ours = oxygen_solubility_umol_kg(temperature, GSW_SALINITY, ONE_ATM)
    assert ours == pytest.approx(GSW[temperature], abs=5.1e-4)


def test_solubility_agrees_with_teos_10_on_a_dense_grid():
    S, t = (axis.ravel() for axis in np.meshgrid(np.linspace(0.0, 42.0, 421), np.linspace(-2.0, 40.0, 421)))
    worst = np.max(np.abs(oxygen_solubility_umol_kg(t, S, ONE_ATM) / gsw.O2sol_SP_pt(S, t) - 1.0))
    print(f"oxygen solubility: largest relative difference to gsw {worst:.1e} at {S.size} points")
    assert worst <= 1e-9


def test_milligrams_per_litre_agree_with_teos_10_solubility_and_density():
    S, t = (axis.ravel() for axis in np.meshgrid(np.linspace(0.0, 40.0, 81), np.linspace(0.0, 35.0, 71)))
    theirs = gsw.O2sol_SP_pt(S, t) * gsw.rho_t_exact(gsw.SR_from_SP(S), t, 0.0) * 31.9988e-6
    worst = np.max(np.abs(oxygen_solubility_mg_l(t, S, ONE_ATM) / theirs - 1.0))
    print(f"oxygen solubility in mg/L: largest relative difference to gsw and TEOS-10 density {worst:.1e}")
    assert worst < 2e-5


@pytest.mark.parametrize(("pressure", "at_10", "at_20"), PRESSURE_FACTOR)
def test_solubility_follows_station_pressure(pressure, at_10, at_20):
    factor = oxygen_solubility_mg_l([10.0, 20.0], 0.0, pressure) / oxygen_solubility_mg_l(
        [10.0, 20.0], 0.0, ONE_ATM
    )
    assert factor == pytest.approx([at_10, at_20], abs=5.1e-6)


@pytest.mark.parametrize("pressure", [600.0, 850.0, 980.0, 1040.0])
def test_solubility_follows_the_pressure_formula_of_apha(pressure):
    """APHA 4500-O with the vapour pressure of Benson & Krause 1984, written out for fresh water."""
    t = np.linspace(0.0, 40.0, 81)
    t68 = IPTS68_PER_ITS90 * t
    T = t68 + 273.15
    vapour = np.exp(11.8571 - 3840.70 / T - 216961.0 / T**2)
    theta = 0.000975 - 1.426e-5 * t68 + 6.436e-8 * t68**2
    P = pressure / ONE_ATM
    expected = P * ((1 - vapour / P) * (1 - theta * P)) / ((1 - vapour) * (1 - theta))
    factor = oxygen_solubility_umol_kg(t, 0.0, pressure) / oxygen_solubility_umol_kg(t, 0.0, ONE_ATM)
    assert factor == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("pressure", [600.0, 850.0, 980.0, 1040.0])
@pytest.mark.parametrize("salinity", [0.0, 35.0])
def test_vapour_pressure_is_that_of_weiss_and_price(pressure, salinity):
    """The pressure factor with the vapour pressure of Weiss & Price 1980 (constants from memory)."""
    for t in (5.0, 15.0, 25.0, 35.0):
        T = t + 273.15
        vapour = math.exp(24.4543 - 67.4509 * 100 / T - 4.8489 * math.log(T / 100) - 0.000544 * salinity)
        P = pressure / ONE_ATM
        theta = 9.75e-4 - 1.426e-5 * t + 6.436e-8 * t * t
        theirs = (P - vapour) * (1 - theta * P) / ((1 - vapour) * (1 - theta))
        ours = oxygen_solubility_mg_l(t, salinity, pressure) / oxygen_solubility_mg_l(t, salinity, ONE_ATM)
        assert ours == pytest.approx([theirs], rel=1e-4)


def test_weather_alone_moves_saturation_by_five_percent():
    low, high = (oxygen_saturation_percent(7.4, 20.0, 35.0, pressure)[0] for pressure in (980.0, 1030.0))
    assert low / high - 1.0 == pytest.approx(0.052, abs=0.001)
