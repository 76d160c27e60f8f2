"""Jumps and scatter that no water makes; all readings are invented."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.quality.history import DAY_MS, Learned
from rules.quality.leaps import ERRATIC_NOISE, Leap, Scatter, bend_limit, erratic, jumps
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity

SETTINGS = DEFAULT_QUALITY[Quantity.TEMPERATURE]
POLL_MS, MINUTE = 30_000, 60_000
LOT = 911_423_306


def jumped(value, past=None, start=0):
    time_ms = POLL_MS * (1 + start + np.arange(len(value)))
    return jumps(time_ms, np.array(value, dtype=np.float64), SETTINGS, past or Leap())


def scatters(value, past=None):
    limit = bend_limit(Quantity.TEMPERATURE, None, 0)
    return erratic(np.array(value, dtype=np.float64), limit, past or Scatter())


def test_a_jump_lasts_until_the_reading_is_back():
    found, _ = jumped([15.0, 15.0, 19.0, 19.5, 15.1, 15.0])
    assert found.tolist() == [False, False, True, True, False, False]


def test_what_stays_away_for_a_day_is_taken_for_the_water():
    found, _ = jumped([15.0, 15.0, *[20.0] * 3000])
    assert found.tolist() == [False] * 2 + [True] * 2880 + [False] * 120


def test_a_fast_but_possible_warming_is_no_jump():
    """20 K an hour, the greatest rate that the settings take for water."""
    warming = 15.0 + 20.0 / 120 * np.arange(240)
    assert not jumped(warming)[0].any()
    assert not scatters(warming)[0].any()


@pytest.mark.parametrize(("noise", "is_erratic"), [(0.02, False), (0.15, False), (0.6, True), (3.0, True)])
def test_a_scattering_probe_is_erratic_within_ten_minutes(noise, is_erratic):
    draws = np.random.default_rng(LOT).normal(size=240)
    found, _ = scatters(15.0 + noise * draws)
    assert found[20:40].any() == is_erratic
    assert found[40:].mean() > 0.9 if is_erratic else not found.any()


def test_what_is_erratic_follows_from_the_probes_own_noise_within_a_factor_of_four():
    assert ERRATIC_NOISE[Quantity.TEMPERATURE] == 0.3
    now_ms, few, enough = 2 * DAY_MS, 35, 48
    usual = [Learned(0, *it, 0.01, 0.1) for it in ((few, 0.0, 0.02), (enough, 0.0, 0.02), (enough, 0.0, 0.0))]
    usual.append(Learned(0, enough, 0.0, 5.0, 0.01, 0.1))
    limits = [bend_limit(Quantity.TEMPERATURE, it, now_ms) / 1.65 for it in usual]
    assert limits == pytest.approx([0.3, 0.12, 0.075, 1.2])


@given(
    st.lists(st.sampled_from([15.0, 15.2, 19.0, 21.0, 9.0]) | st.floats(14, 16), min_size=1, max_size=90),
    st.integers(0, 90),
)
def test_cut_anywhere(values, cut):
    cut = min(cut, len(values))
    whole, first = jumped(values), jumped(values[:cut])
    second = jumped(values[cut:], first[1], start=cut)
    assert whole[0].tolist() == [*first[0].tolist(), *second[0].tolist()]
    whole, first = scatters(values), scatters(values[:cut])
    second = scatters(values[cut:], first[1])
    assert whole[0].tolist() == [*first[0].tolist(), *second[0].tolist()]
    assert whole[1] == second[1]


def test_what_is_carried_of_a_jump_does_not_depend_on_the_cut():
    values = [15.0, 15.0, 19.0, 19.0, 15.0, 21.0]
    for cut in range(1, 6):
        assert jumped(values[cut:], jumped(values[:cut])[1], start=cut)[1] == jumped(values)[1]
