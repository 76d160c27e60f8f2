"""A fine probe that repeats itself: how soon that is known, and that one that settles is not taken for it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from rules.quality.calm import LEAST_MS, LEAST_READINGS, MOVING
from rules.quality.repeats import RULE_OF_THREE, Repeats, frozen_along, repeated

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


def plainly(at_ms, value):
    """Since when each reading is frozen, reading by reading: once it came again twenty times in ten minutes.

    Where, before that, of 200 readings at most one in twenty came again, or surely fewer than one in ten and
    more than half of them turned back.
    """
    known, same, turns, way, run, told = 0, 0, 0, 0, [], []
    for now_ms, its in zip(at_ms.tolist(), value.tolist(), strict=True):
        if not run or its != run[-1][1]:
            if run and told[-1] is None:
                known, same = known + len(run), same + len(run) - 1
            before = run[-1][1] if run else its
            now_way = (its > before) - (its < before)
            turns, way, run = turns + (now_way * way < 0), now_way, []
        run.append((now_ms, its))
        few = known >= 200 and same * 20 <= known
        new = (3 + 2 * same) * 10 <= known and 2 * turns > known
        long = len(run) > 20 and now_ms - run[0][0] >= 600_000
        told.append(run[0][0] if long and (few or new) else None)
    return [MOVING if it is None else it for it in told]


@pytest.mark.parametrize("number", range(60))
def test_blocks_are_judged_as_reading_by_reading(number):
    draw = np.random.default_rng([1_505_331_878, number])
    sizes, lengths = draw.choice([1, 1, 2, 9, 900], 14), draw.choice([1, 19, 20, 21, 22, 40, 60, 205], 14)
    parts = [draw.integers(0, size, length) for size, length in zip(sizes, lengths, strict=True)]
    value = np.concatenate([draw.integers(0, 900, draw.choice([28, 30, 31, 200, 201])), *parts]).astype(float)
    value[draw.random(value.size) < 0.003] = np.nan
    at_ms = 1_760_000_000_000 + np.cumsum(
        draw.choice([10_000, 29_999, 30_000, 30_001], value.size, p=[0.1, 0.1, 0.7, 0.1])
    )
    past, start, found = Repeats(), 0, []
    while start < value.size:
        part = slice(start, start + int(draw.integers(1, draw.choice([2, 60]))))
        told, past = repeated(at_ms[part], value[part], past)
        found += told.tolist()
        start = part.stop
    assert found == plainly(at_ms, value)


def along_plainly(at_ms, value, beside_ms):
    """It came again twenty times, and did so as its probe froze, give or take five minutes: for twenty."""
    run, told, before = [], [], np.nan
    for now_ms, its, froze_ms in zip(at_ms.tolist(), value.tolist(), beside_ms.tolist(), strict=True):
        run = [*run, now_ms] if its == before else [now_ms]
        before = its
        since = froze_ms != MOVING and run[0] - 300_000 <= froze_ms <= now_ms - 1_200_000
        told.append(max(run[0], froze_ms) if since and len(run) > 20 else MOVING)
    return told


@pytest.mark.parametrize("number", range(30))
def test_what_repeats_itself_since_its_probe_froze_is_frozen_with_it(number):
    draw = np.random.default_rng([3_015_528_840, number])
    lengths = draw.choice([1, 2, 20, 21, 40, 41, 90], 30)
    value = np.repeat(draw.integers(0, 3, 30), lengths).astype(float)
    value[draw.random(value.size) < 0.005] = np.nan
    at_ms = times(value.size)
    begins = np.repeat(at_ms[np.cumsum(lengths) - lengths], lengths) + draw.choice(
        [-600_000, -300_000, 0, 60_000]
    )
    beside_ms = np.where(draw.random(value.size) < 0.05, MOVING, np.minimum(begins, at_ms))
    past, start, found = Repeats(), 0, []
    while start < value.size:
        part = slice(start, start + int(draw.integers(1, draw.choice([2, 60]))))
        found += frozen_along(at_ms[part], value[part], past, beside_ms[part]).tolist()
        _, past = repeated(at_ms[part], value[part], past)
        start = part.stop
    assert found == along_plainly(at_ms, value, beside_ms)
    assert set(found) > {MOVING}, "some are"
