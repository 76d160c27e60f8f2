"""Propagated accuracy against Monte Carlo (JCGM 101:2008) with the reference library of TEOS-10."""

import gsw
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.water.oxygen import oxygen_saturation_percent
from rules.water.seawater import conductivity_from_salinity, practical_salinity
from rules.water.uncertainty import propagated

DRAWS = 200_000
OF_MONTE_CARLO = 0.01  # relative; six times the statistical error of a standard deviation of 200 000 draws

WATERS = [(35.0, 20.0), (32.0, 10.0), (28.0, 25.0), (20.0, 30.0), (33.0, 4.0)]

O2_ACCURACY, T_ACCURACY, C_ACCURACY, S_ACCURACY, P_ACCURACY = 0.1, 0.2, 0.4, 0.5, 2.0


def _saturation(O2: np.ndarray, t: np.ndarray, S: np.ndarray, P: np.ndarray) -> np.ndarray:
    """Saturation (%) by gsw alone; that pressure acts on the dry air is enough for a spread."""
    vapour_hpa = 6.112 * np.exp(17.62 * t / (243.12 + t))  # Magnus formula, WMO-No. 8
    solubility = gsw.O2sol_SP_pt(S, t) * gsw.rho_t_exact(gsw.SR_from_SP(S), t, 0.0) * 31.9988e-6
    return 100.0 * O2 / (solubility * (P - vapour_hpa) / (1013.25 - vapour_hpa))


def salinity_uncertainty(C, t, C_accuracy, t_accuracy):
    inputs = ("conductivity", C, C_accuracy), ("temperature", t, t_accuracy)
    return propagated(practical_salinity, *inputs)


def _ours_by_conductivity(O2, t, C, P):
    return oxygen_saturation_percent(O2, t, practical_salinity(C, t), P)


@pytest.mark.parametrize(("salinity", "temperature"), WATERS)
def test_salinity_uncertainty_is_the_spread_of_monte_carlo(salinity, temperature):
    rng = np.random.default_rng(7)
    C = gsw.C_from_SP(salinity, temperature, 0.0)
    spread = np.std(
        gsw.SP_from_C(rng.normal(C, C_ACCURACY, DRAWS), rng.normal(temperature, T_ACCURACY, DRAWS), 0.0)
    )
    ours = salinity_uncertainty(C, temperature, C_ACCURACY, T_ACCURACY)
    assert ours == pytest.approx([spread], rel=OF_MONTE_CARLO)


@pytest.mark.parametrize(("salinity", "temperature"), WATERS)
def test_saturation_uncertainty_is_the_spread_of_monte_carlo(salinity, temperature):
    rng = np.random.default_rng(8)
    spread = np.std(
        _saturation(
            rng.normal(7.4, O2_ACCURACY, DRAWS),
            rng.normal(temperature, T_ACCURACY, DRAWS),
            rng.normal(salinity, S_ACCURACY, DRAWS),
            rng.normal(990.0, P_ACCURACY, DRAWS),
        )
    )
    ours = propagated(
        oxygen_saturation_percent,
        ("oxygen", 7.4, O2_ACCURACY),
        ("temperature", temperature, T_ACCURACY),
        ("salinity", salinity, S_ACCURACY),
        ("air_pressure", 990.0, P_ACCURACY),
    )
    assert ours == pytest.approx([spread], rel=OF_MONTE_CARLO)


@pytest.mark.parametrize(("salinity", "temperature"), WATERS)
def test_uncertainty_of_saturation_with_conductivity_is_the_spread_of_monte_carlo(salinity, temperature):
    rng = np.random.default_rng(9)
    C = gsw.C_from_SP(salinity, temperature, 0.0)
    t = rng.normal(temperature, T_ACCURACY, DRAWS)
    S = gsw.SP_from_C(rng.normal(C, C_ACCURACY, DRAWS), t, 0.0)
    spread = np.std(
        _saturation(rng.normal(7.4, O2_ACCURACY, DRAWS), t, S, rng.normal(990.0, P_ACCURACY, DRAWS))
    )
    ours = propagated(
        _ours_by_conductivity,
        ("oxygen", 7.4, O2_ACCURACY),
        ("temperature", temperature, T_ACCURACY),
        ("conductivity", C, C_ACCURACY),
        ("air_pressure", 990.0, P_ACCURACY),
    )
    assert ours == pytest.approx([spread], rel=OF_MONTE_CARLO)


def test_one_thermometer_for_both_leaves_less_doubt_than_two():
    """Read too warm, salinity comes out low and solubility high, which takes back part of the error."""
    oxygen, temperature, air = (
        ("oxygen", 7.4, 0.0),
        ("temperature", 20.0, T_ACCURACY),
        ("air_pressure", 1013.25, 0),
    )
    cell = ("conductivity", conductivity_from_salinity(35.0, 20.0), 0.0)
    one = propagated(_ours_by_conductivity, oxygen, temperature, cell, air)
    apart = propagated(oxygen_saturation_percent, oxygen, temperature, ("salinity", 35.0, 0.0), air)
    assert 0.6 * apart[0] < one[0] < 0.85 * apart[0]


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.1, 10.0))
def test_uncertainty_grows_in_proportion_to_the_accuracies(C_accuracy, t_accuracy, factor):
    once, scaled = salinity_uncertainty(
        45.0,
        20.0,
        [C_accuracy, factor * C_accuracy],
        [t_accuracy, factor * t_accuracy],
    )
    assert scaled == pytest.approx(factor * once, rel=1e-9)


@pytest.mark.parametrize("temperature", [34.99, 35.0, 35.01, 39.995, 40.0])
def test_uncertainty_is_known_wherever_the_value_is_to_the_edge_of_its_range(temperature):
    """A range of the salinity formula that ends at 35 °C takes nothing off oxygen, whose own ends at 40."""
    doubt = ("oxygen", 7.0, 0.0), ("temperature", temperature, 0.5)
    inside = ("oxygen", 7.0, 0.0), ("temperature", temperature - 0.05, 0.5)
    rest = ("salinity", 32.0, 0.0), ("air_pressure", 1013.25, 0.0)
    found = [propagated(oxygen_saturation_percent, *each, *rest).item() for each in (doubt, inside)]
    assert found[0] == pytest.approx(found[1], rel=2e-3)


def test_perfect_probes_leave_no_uncertainty():
    perfect = salinity_uncertainty(45.0, 20.0, 0.0, 0.0)
    assert perfect.tolist() == [0.0]


@pytest.mark.parametrize(("limit", "inside"), [(-2.0, -1.99), (35.0, 34.99)])
def test_uncertainty_is_known_on_the_very_limits_of_the_range(limit, inside):
    at_limit, beside = salinity_uncertainty(30.0, [limit, inside], 0.5, 0.2)
    assert at_limit == pytest.approx(beside, rel=1e-3)


@pytest.mark.parametrize(("conductivity", "temperature"), [(30.0, 35.005), (30.0, -2.005), (np.nan, 20.0)])
def test_uncertainty_is_nan_where_salinity_is(conductivity, temperature):
    uncertainty = salinity_uncertainty(conductivity, temperature, 0.5, 0.2)
    assert np.isnan(uncertainty).all()
