"""The laws against their closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.rack.physics import evaporation_kg_per_s, metabolic_factor, relax, relax_mean, wander

values = st.floats(-50, 50)
rates = st.floats(1e-6, 1.0)


@given(values, values, rates, st.floats(1, 3600), st.integers(1, 50))
def test_relaxing_in_many_steps_equals_one_step(value, balance, rate, length_s, steps):
    stepped = value
    for _ in range(steps):
        stepped = relax(stepped, balance, rate, length_s / steps)
    assert stepped == pytest.approx(relax(value, balance, rate, length_s), abs=1e-9)


@given(values, values, rates, st.floats(1, 1e7))
def test_relaxing_never_leaves_the_span_between_value_and_balance(value, balance, rate, step_s):
    after = relax(value, balance, rate, step_s)
    assert min(value, balance) - 1e-9 <= after <= max(value, balance) + 1e-9


def test_relaxing_has_gone_63_percent_of_the_way_after_one_time_constant():
    assert relax(0.0, 1.0, 1 / 7200, 7200) == pytest.approx(1 - np.exp(-1), rel=1e-12)


def test_mean_while_relaxing_is_the_integral_over_the_step():
    times = np.linspace(0, 900, 200_001)
    course = relax(15.0, 4.0, 1 / 500, times)
    assert relax_mean(15.0, 4.0, 1 / 500, 900) == pytest.approx(np.trapezoid(course, times) / 900, rel=1e-9)


def test_wandering_keeps_its_spread_and_forgets_at_its_memory():
    draws = np.random.default_rng(3).standard_normal(200_000)
    course = np.empty(draws.size)
    value = 0.0
    for i, draw in enumerate(draws):
        value = wander(value, 0.4, 600.0, 60.0, draw)
        course[i] = value
    settled = course[100:]
    assert settled.std() == pytest.approx(0.4, rel=0.02)
    # Ornstein-Uhlenbeck: correlation exp(-lag / memory) at a lag of one memory, ten steps
    assert np.corrcoef(settled[:-10], settled[10:])[0, 1] == pytest.approx(np.exp(-1), abs=0.02)


def test_open_water_loses_a_few_millimetres_a_day_and_cold_water_gathers_dew():
    # 20 degrees C, half-saturated air: 23.4 and 11.7 hPa.
    # Indoor pools lose 1 to 3 mm a day (common practice, no source).
    loss_mm_per_day = evaporation_kg_per_s(1.0, 23.4, 11.7) * 86_400
    assert 1.0 < loss_mm_per_day < 3.0
    assert evaporation_kg_per_s(1.0, 8.0, 11.7) < 0


def test_respiration_doubles_with_ten_degrees():
    assert metabolic_factor(25.0) / metabolic_factor(15.0) == 2.0
    assert metabolic_factor(15.0) == 1.0
