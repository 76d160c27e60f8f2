"""A fine probe that repeats itself: how soon that is known, and that one that settles is not taken for it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from rules.quality.calm import LEAST_MS, LEAST_READINGS, MOVING
from rules.quality.repeats import RULE_OF_THREE, Repeats, repeated

POLL_MS = 30_000


def times(count):
    return (1 + np.arange(count, dtype=np.int64)) * POLL_MS


def frozen_from(value):
    """Return the first reading that counts as frozen, None without."""
    found, _ = repeated(times(len(value)), np.asarray(value, dtype=float), Repeats())
    return next(iter(np.flatnonzero(found != MOVING).tolist()), None)


@pytest.mark.parametrize("equal", range(12))
@pytest.mark.parametrize("readings", [60, 100, 200, 1000])
def test_the_bound_of_a_chance_is_no_lower_than_the_exact_one(readings, equal):
    # Clopper-Pearson's one-sided 95 % bound, by scipy
    exact = beta.ppf(0.95, equal + 1, readings - equal)
    assert (RULE_OF_THREE + 2 * equal) / readings >= exact


@pytest.mark.parametrize(("known", "at_least"), [(31, 0.9), (61, 0.97), (88, 0.99), (200, 1.0), (201, 1.0)])
def test_a_new_noisy_probe_that_freezes_is_found_within_its_least_time(known, at_least):
    draw = np.random.default_rng(20_260)
    within = 0
    for _ in range(300):
        noise = draw.normal(15, 0.02, known)
        first = frozen_from(np.concatenate([noise, np.full(200, noise[-1])]))
        within += first == known - 1 + max(LEAST_READINGS, LEAST_MS // POLL_MS)
    assert within >= at_least * 300


@given(
    warms_for=st.integers(30, 199),
    by_k=st.floats(0.5, 15.0),
    noise_digits=st.floats(0.0, 0.2),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_new_coarse_probe_that_comes_to_calm_water_is_left_in_peace(warms_for, by_k, noise_digits, seed):
    digit = by_k / warms_for / 2  # another value each time while it warms
    ramp = np.concatenate([np.linspace(0, by_k, warms_for), np.full(300, by_k)])
    noise = np.random.default_rng(seed).normal(0, digit * noise_digits, ramp.size)
    assert frozen_from(np.round((ramp + noise) / digit) * digit) is None


@given(data=st.data(), seed=st.integers(0, 2**32 - 1))
def test_cut_anywhere(data, seed):
    rng = np.random.default_rng(seed)
    parts = [rng.integers(0, size, data.draw(st.integers(1, 90))) for size in (900, 1, 900, 3, 1)]
    value = np.concatenate(parts)
    at_ms, value = times(value.size), value.astype(float)
    whole = repeated(at_ms, value, Repeats())
    cut = data.draw(st.integers(1, value.size - 1))
    first, state = repeated(at_ms[:cut], value[:cut], Repeats())
    second, state = repeated(at_ms[cut:], value[cut:], state)
    assert np.concatenate([first, second]).tolist() == whole[0].tolist()
    assert state == whole[1]
