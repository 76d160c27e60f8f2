"""Density and specific gravity against published check values and an independent EOS-80 library's output."""

import gsw
import numpy as np
import pytest

from rules.water.density import (
    SpecificGravityScale,
    density_kg_m3,
    salinity_from_hydrometer,
)

IPTS68_PER_ITS90 = 1.00024  # Saunders 1990

# Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44, and Gill 1982, Atmosphere-Ocean
# Dynamics, A3.2: salinity, temperature (IPTS-68), density (kg/m³) at one atmosphere. 1027.67547 is also the
# check value in Table 1 of Millero & Poisson 1981. Confirmed by several public test suites that quote them.
UNESCO_44 = [
    (0.0, 5.0, 999.96675),
    (0.0, 25.0, 997.04796),
    (35.0, 5.0, 1027.67547),
    (35.0, 25.0, 1023.34306),
]

# The `seawater` library 3.3.5 (its own EOS-80), dens0(S, t90): a second, independent computation.
SEAWATER_LIBRARY = [
    (0.0, -2.0, 999.669463651),
    (0.0, 4.0, 999.974957887),
    (0.0, 12.5, 999.440628112),
    (0.0, 20.0, 998.205329101),
    (0.0, 25.0, 997.046419849),
    (0.0, 33.3, 994.605840415),
    (0.0, 40.0, 992.216735651),
    (10.0, -2.0, 1007.859942442),
    (10.0, 4.0, 1007.947360347),
    (10.0, 12.5, 1007.178428185),
    (10.0, 20.0, 1005.791630571),
    (10.0, 25.0, 1004.554151635),
    (10.0, 33.3, 1002.015056241),
    (10.0, 40.0, 999.571712481),
    (28.0, -2.0, 1022.492420314),
    (28.0, 4.0, 1022.222708281),
    (28.0, 12.5, 1021.069488626),
    (28.0, 20.0, 1019.431677103),
    (28.0, 25.0, 1018.061060217),
    (28.0, 33.3, 1015.347498727),
    (28.0, 40.0, 1012.798917046),
    (35.0, -2.0, 1028.186769457),
    (35.0, 4.0, 1027.786238685),
    (35.0, 12.5, 1026.492228822),
    (35.0, 20.0, 1024.761739873),
    (35.0, 25.0, 1023.341234843),
    (35.0, 33.3, 1020.560477477),
    (35.0, 40.0, 1017.969237047),
    (42.0, -2.0, 1033.891500103),
    (42.0, 4.0, 1033.363849179),
    (42.0, 12.5, 1031.933018171),
    (42.0, 20.0, 1030.112116815),
    (42.0, 25.0, 1028.642589334),
    (42.0, 33.3, 1025.794935116),
    (42.0, 40.0, 1023.160241250),
]

# Pure water, temperature (ITS-90), density (kg/m³): Tanaka et al. 2001, Metrologia 38:301; values from memory
PURE_WATER = [(4.0, 999.9749), (20.0, 998.2067), (25.0, 997.0470)]

# S, then SG 20/4, 25/4, 20/20, 25/25, 60F/60F; computed with `seawater` 3.3.5 at ITS-90 temperatures
SCALES = ["20/4", "25/4", "20/20", "25/25", "60F/60F"]
SPECIFIC_GRAVITY = [
    (20, 1.0133862, 1.0120738, 1.0151828, 1.0150465, 1.0153343),
    (25, 1.0171783, 1.0158293, 1.0189816, 1.0188130, 1.0191684),
    (30, 1.0209782, 1.0195932, 1.0227882, 1.0225880, 1.0230096),
    (33, 1.0232625, 1.0218562, 1.0250766, 1.0248576, 1.0253184),
    (35, 1.0247874, 1.0233669, 1.0266042, 1.0263727, 1.0268595),
    (40, 1.0286070, 1.0271513, 1.0304305, 1.0301683, 1.0307191),
]
# SG, then S by 20/4, 25/4, 20/20, 25/25, 60F/60F; computed with `seawater` 3.3.5
SALINITY = [
    (1.020, 28.71, 30.54, 26.34, 26.57, 26.08),
    (1.022, 31.34, 33.19, 28.97, 29.22, 28.69),
    (1.024, 33.97, 35.84, 31.59, 31.87, 31.29),
    (1.025, 35.28, 37.16, 32.90, 33.19, 32.59),
    (1.026, 36.59, 38.48, 34.21, 34.51, 33.88),
]


@pytest.mark.parametrize(("salinity", "t68", "expected"), UNESCO_44)
def test_density_has_the_check_values_of_unesco_44(salinity, t68, expected):
    density = density_kg_m3(salinity, t68 / IPTS68_PER_ITS90)
    assert density == pytest.approx([expected], abs=5.1e-6)


@pytest.mark.parametrize("salinity", [0.0, 35.0])
def test_taking_ipts_68_for_its_90_misses_the_check_value_at_25_degrees(salinity):
    expected = {(S, t68): rho for S, t68, rho in UNESCO_44}[salinity, 25.0]
    assert abs(density_kg_m3(salinity, 25.0)[0] - expected) > 1e-3


@pytest.mark.parametrize(("salinity", "temperature", "expected"), SEAWATER_LIBRARY)
def test_density_is_that_of_an_independent_eos_80(salinity, temperature, expected):
    assert density_kg_m3(salinity, temperature) == pytest.approx([expected], abs=1e-9)


def test_density_is_within_hundredths_of_teos_10():
    S, t = (axis.ravel() for axis in np.meshgrid(np.linspace(2.0, 42.0, 81), np.linspace(0.0, 35.0, 71)))
    SA = gsw.SR_from_SP(S)
    worst = np.max(np.abs(density_kg_m3(S, t) - gsw.rho_t_exact(SA, t, 0.0)))
    print(f"density: largest difference of EOS-80 to TEOS-10 {worst:.4f} kg/m³")
    assert worst < 0.02


@pytest.mark.parametrize(("temperature", "expected"), PURE_WATER)
def test_pure_water_is_within_two_grams_per_cubic_metre_of_the_metrologists(temperature, expected):
    assert density_kg_m3(0.0, temperature) == pytest.approx([expected], abs=2e-3)


@pytest.mark.parametrize("row", SPECIFIC_GRAVITY, ids=lambda row: f"S={row[0]}")
def test_specific_gravity_of_salinity(row):
    salinity, *expected = row
    scales = map(SpecificGravityScale.parse, SCALES)
    ours = [density_kg_m3(salinity, each.sample_c)[0] / density_kg_m3(0, each.water_c)[0] for each in scales]
    assert ours == pytest.approx(expected, abs=5.1e-8)


@pytest.mark.parametrize("row", SALINITY, ids=lambda row: f"SG={row[0]}")
def test_salinity_of_specific_gravity(row):
    SG, *expected = row
    scales = map(SpecificGravityScale.parse, SCALES)
    ours = [salinity_from_hydrometer(SG, scale, scale.sample_c)[0] for scale in scales]
    assert ours == pytest.approx(expected, abs=5.1e-3)
