"""One reading at a time, as the live watch judges, is the whole at once, bit for bit. All readings invented.

Each test of a probe takes a shorter way where there is one reading, or where nothing can be found.
"""

import json
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.judging.series import Samples, Series, sample
from rules.plain import to_plain
from rules.quality.calm import Calm, Usual, Witness, frozen
from rules.quality.hour_statistics import Buckets
from rules.quality.leaps import Leap, leaps
from rules.quality.quality import judge
from rules.quality.repeats import Repeats, repeated
from rules.quality.replayed import Played, played
from rules.quality.scatter import Scatter, bend_limit, erratic
from rules.quality.settings import DEFAULT_QUALITY
from rules.quality.state import QualityState
from rules.quality.swift import Swift, swift
from rules.quantities import Quantity
from rules.water.arrays import polynomial

EVERY_MS, START_MS = 60_000, 1_760_000_000_000
QUALITY = DEFAULT_QUALITY[Quantity.TEMPERATURE]


def of_repeats(at_ms, value, past):
    found, after = repeated(at_ms, value, past)
    return [found], after


def of_scatter(at_ms, value, past):
    found, after = erratic(at_ms, value, bend_limit(Quantity.TEMPERATURE, None, 0), past)
    return [found], after


def of_leaps(at_ms, value, past):
    found, after = leaps(at_ms, value, QUALITY, past)
    return [found.jumped, found.young, found.loose], after


def of_swift(at_ms, value, past):
    new = past.new_points(at_ms)
    found, after = swift(at_ms[new], value[new], 15.0 + 0.01 * np.sin(at_ms[new] / 9e6), None, 0.0, past)
    return [np.nan_to_num(found)[new.searchsorted(np.arange(at_ms.size), side="right")]], after


def of_record(at_ms, value, past):
    again = played(at_ms, value, past, EVERY_MS)
    return [again.since_ms[1:], again.matched[1:], again.began_ms[1:]], past


def of_calm(at_ms, value, past):
    calm, beside = past  # a thermometer, and another one that sees the water warm by 6 K an hour
    beside, _ = beside.followed_by(at_ms, 15.0 + (at_ms - START_MS) / 600_000)
    now, usual = calm.buckets.followed_by(at_ms, value), Usual(Quantity.TEMPERATURE, None)
    found, after = frozen(at_ms, value, calm, now, usual, [Witness(beside, 0.5)])
    return [found], (after, beside)


def of_quality(at_ms, value, past):
    found = judge(at_ms, value, QUALITY, past)
    return [found.causal], found.state


def of_samples(at_ms, value, past):
    kept, after = sample(Series(np.arange(value.size), at_ms, value), past)
    return [at_ms[kept]], after


TESTS: list[tuple[Callable, Callable]] = [
    (of_repeats, Repeats),
    (of_scatter, Scatter),
    (of_leaps, Leap),
    (of_swift, Swift),
    (of_record, Played),
    (of_calm, lambda: (Calm(), Buckets())),
    (of_quality, QualityState),
    (of_samples, Samples),
]


def plain(carried):
    its = carried if isinstance(carried, tuple) else (carried,)
    return json.dumps([to_plain(it) for it in its])  # where NaN is NaN


def course(draw):
    """Noise and steady stretches, coarse and fine, steps, nonsense, a record that is played again."""
    parts, level = [], 15.0
    for _ in range(draw.integers(3, 9)):
        size, kind = int(draw.integers(1, 70)), draw.integers(6)
        if kind == 0:
            parts.append(np.full(size, level))
        elif kind == 1:
            parts.append(np.round(level + draw.normal(0, 0.05, size), int(draw.integers(1, 3))))
        elif kind == 2:
            level += float(draw.choice([-4.0, -1.0, 1.0, 4.0]))
            parts.append(level + draw.normal(0, 0.01, size))
        elif kind == 3:
            parts.append(level + draw.normal(0, draw.choice([0.5, 2.0]), size))
        elif kind == 4:
            parts.append(np.where(draw.random(size) < 0.3, 99.0, level))
        elif parts:
            parts.append(np.concatenate(parts)[-4 * size :])
    return np.concatenate([*parts, [level]])


@pytest.mark.parametrize(("test", "nothing"), TESTS)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
@example(seed=8320539)  # ends with a reading that is not usable
def test_one_reading_at_a_time_is_the_whole(test, nothing, seed):
    value = course(np.random.default_rng(seed))
    at_ms = START_MS + EVERY_MS * np.arange(value.size)
    whole, after = test(at_ms, value, nothing())
    past, found = nothing(), []
    for at in range(value.size):
        told, past = test(at_ms[at : at + 1], value[at : at + 1], past)
        found.append(told)
    assert plain(past) == plain(after)
    columns = [np.concatenate(column).tolist() for column in zip(*found, strict=True)]
    assert columns == [column.tolist() for column in whole]


@given(
    st.lists(st.floats(allow_nan=False), min_size=2, max_size=20),
    st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=7),
)
def test_a_polynomial_of_one_value_is_that_of_many(values, coefficients):
    with np.errstate(all="ignore"):
        many = polynomial(np.array(values), tuple(coefficients))
        ones = [polynomial(np.array([value]), tuple(coefficients)) for value in values]
    np.testing.assert_array_equal(many.view(np.int64), np.concatenate(ones).view(np.int64))
