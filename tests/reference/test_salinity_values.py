"""Practical salinity against its published check values and against the reference library of TEOS-10."""

import gsw
import numpy as np
import pytest

from rules.water.seawater import C_35_15_0, conductivity_from_salinity, practical_salinity

IPTS68_PER_ITS90 = 1.00024  # Saunders 1990; written here again so that a change in rules/ shows

# Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44, page 9: conductivity ratio,
# temperature (IPTS-68), sea pressure (dbar), salinity. Confirmed by the same figures quoted with that page
# in the documentation of two public oceanographic libraries (Python `seawater`, R `oce`).
UNESCO_44 = [
    (1.0, 15.0, 0.0, 35.000000),
    (1.2, 20.0, 2000.0, 37.245628),
    (0.65, 5.0, 1500.0, 27.995347),
]

# Conductivity (mS/cm), temperature (ITS-90), salinity; computed with gsw 3.6 and with `seawater` 3.3.5,
# which agree in every figure given.
TABLE = [
    (20.0, 5, 19.8804),
    (25.0, 5, 25.3781),
    (30.0, 5, 31.0199),
    (35.0, 5, 36.8005),
    (25.0, 10, 21.9774),
    (35.0, 10, 31.8561),
    (40.0, 10, 36.9651),
    (35.0, 15, 27.8906),
    (40.0, 15, 32.3535),
    (45.0, 15, 36.9080),
    (30.0, 20, 20.8061),
    (40.0, 20, 28.6047),
    (45.0, 20, 32.6210),
    (50.0, 20, 36.7131),
    (45.0, 25, 29.0938),
    (50.0, 25, 32.7332),
    (60.0, 25, 40.2020),
    (35.0, 30, 19.7987),
    (45.0, 30, 26.1586),
    (60.0, 30, 36.1141),
]

# Salinity, temperature (ITS-90), conductivity (mS/cm); computed with gsw 3.6.
INVERSE_TABLE = [
    (20, 5, 20.1102),
    (35, 5, 33.4554),
    (28, 10, 31.1516),
    (35, 10, 38.0897),
    (33, 15, 40.7159),
    (35, 15, 42.9175),
    (32, 20, 44.2331),
    (35, 20, 47.9180),
    (34, 25, 51.7202),
    (40, 25, 59.7339),
    (20, 30, 35.3223),
    (40, 30, 65.6656),
]


@pytest.mark.parametrize(("ratio", "t68", "pressure", "expected"), UNESCO_44)
def test_salinity_has_the_check_values_of_unesco_44(ratio, t68, pressure, expected):
    salinity = practical_salinity(ratio * C_35_15_0, t68 / IPTS68_PER_ITS90, pressure)
    assert salinity == pytest.approx([expected], abs=5e-7)


@pytest.mark.parametrize(("ratio", "t68", "pressure", "expected"), UNESCO_44)
def test_taking_ipts_68_for_its_90_misses_the_check_values(ratio, t68, pressure, expected):
    S = practical_salinity(ratio * C_35_15_0, t68, pressure)
    assert 5e-4 < abs(S[0] - expected) < 5e-3


@pytest.mark.parametrize(("conductivity", "temperature", "expected"), TABLE)
def test_salinity_has_the_values_of_the_table(conductivity, temperature, expected):
    assert practical_salinity(conductivity, temperature) == pytest.approx([expected], abs=5.1e-5)


@pytest.mark.parametrize(("salinity", "temperature", "expected"), INVERSE_TABLE)
def test_conductivity_has_the_values_of_the_table(salinity, temperature, expected):
    assert conductivity_from_salinity(salinity, temperature) == pytest.approx([expected], abs=5.1e-5)


def _grid(low: float, high: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    axes = np.linspace(low, high, 241), np.linspace(-2.0, 35.0, 149), np.array([0.0, 1.0, 10.0, 1e3, 1e4])
    S, t, p = (axis.ravel() for axis in np.meshgrid(*axes))
    return S, t, p


@pytest.mark.parametrize(("low", "high"), [(2.0, 42.0), (0.0, 2.0)], ids=["PSS-78", "Hill et al. 1986"])
def test_salinity_agrees_with_teos_10_on_a_dense_grid(low, high):
    S, t, p = _grid(low, high)
    C = gsw.C_from_SP(S, t, p)
    theirs = gsw.SP_from_C(C, t, p)
    ours = practical_salinity(C, t, p)
    known = ~np.isnan(theirs)  # at S = 0 rounding takes theirs below zero, where it has no answer
    worst = np.max(np.abs(ours - theirs)[known])
    print(f"salinity {low:g} to {high:g}: largest difference to gsw {worst:.1e} at {known.sum()} points")
    assert known.mean() > 0.99
    assert worst <= 1e-9
    assert np.max(np.abs(ours - S)) <= 1e-9


@pytest.mark.parametrize(("low", "high"), [(2.0, 42.0), (0.0, 2.0)], ids=["PSS-78", "Hill et al. 1986"])
def test_conductivity_agrees_with_teos_10_on_a_dense_grid(low, high):
    S, t, p = _grid(low, high)
    worst = np.max(np.abs(conductivity_from_salinity(S, t, p) - gsw.C_from_SP(S, t, p)))
    print(f"conductivity of salinity {low:g} to {high:g}: largest difference to gsw {worst:.1e} mS/cm")
    assert worst <= 1e-9
