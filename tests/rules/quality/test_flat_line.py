"""Flat line by count (QARTOD manuals, example REP_CNT 3 and 5) and by time, against a plain loop."""

import json
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.plain import from_plain, to_plain
from rules.quality.flat_line import FlatRun, flat_line_test
from rules.quality.settings import QualitySettings, Range, Repeats
from tests.rigs.examples import examples

NAN = math.nan
SENSOR = Range(-100, 100)


def limits(suspect=None, fail=None, eps=0.0, max_gap_ms=None):
    return QualitySettings(
        SENSOR,
        flat_line_suspect=suspect,
        flat_line_fail=fail,
        flat_line_eps=eps,
        max_gap_ms=max_gap_ms,
    )


def flag(value, quality, time_ms=None, run=None):
    time_ms = range(0, 1000 * len(value), 1000) if time_ms is None else time_ms
    arrays = np.array(time_ms, dtype=np.int64), np.array(value, dtype=np.float64)
    return flat_line_test(*arrays, quality, run or FlatRun())


def plain(time_ms, value, quality):
    """Flag by looking back from each reading over the whole past."""
    flags, past = [], []  # past: time and value of usable readings since the last gap
    for t, x in zip(time_ms, value, strict=True):
        if math.isnan(x):
            flags.append(9)
            continue
        if past and quality.max_gap_ms is not None and t - past[-1][0] > quality.max_gap_ms:
            past = []
        disagreeing = [i for i, (_, y) in enumerate(past) if abs(x - y) > quality.flat_line_eps]
        last = disagreeing[-1] if disagreeing else -1
        began = past[last][0] if disagreeing else (past or [(t, x)])[0][0] - 1
        found = 1
        for repeats, number in ((quality.flat_line_suspect, 3), (quality.flat_line_fail, 4)):
            if repeats and len(past) - last > repeats.count and t - began > repeats.duration_ms:
                found = number
        flags.append(found)
        past.append((t, x))
    return flags


def test_by_count_as_in_the_manuals_loop():
    """Five comparisons, so the sixth equal reading is the first to fail; earlier flags stay."""
    flags, _ = flag([1.0] * 7 + [1.1] * 4, limits(Repeats(3), Repeats(5)))
    assert flags.tolist() == [1, 1, 1, 3, 3, 4, 4, 1, 1, 1, 3]


def test_within_eps_of_the_reading_itself():
    """EPS 0.05: example of the QARTOD manuals (from memory). Compared is the newest reading, not the span."""
    quality = limits(Repeats(2), eps=0.05)
    assert flag([1.00, 1.05, 1.025], quality)[0].tolist() == [1, 1, 3]
    assert flag([1.00, 1.03, 1.06], quality)[0].tolist() == [1, 1, 1]
    assert flag([0.96, 1.04, 1.00], quality)[0].tolist() == [1, 1, 3]


def test_by_time_wants_the_whole_time_and_the_count():
    quality = limits(Repeats(2, 5000))
    assert flag([1.0] * 7, quality)[0].tolist() == [1, 1, 1, 1, 1, 3, 3]
    assert flag([1.0] * 3, quality, [0, 10_000, 20_000])[0].tolist() == [1, 1, 3]


def test_a_gap_in_the_record_starts_anew():
    quality = limits(Repeats(1, 5000), max_gap_ms=10_000)
    assert flag([1.0] * 4, quality, [0, 5000, 20_000, 26_000])[0].tolist() == [1, 3, 1, 3]


def test_missing_readings_neither_count_nor_interrupt():
    quality = limits(Repeats(2))
    assert flag([1.0, NAN, 1.0, NAN, 1.0], quality)[0].tolist() == [1, 9, 1, 9, 3]


# Runs that end where a single reading stands out, at steps that add up to the durations asked for.
values = st.sampled_from([0.0, 0.1, 0.2, 0.3, 0.4, 1.0, NAN])
run = st.tuples(st.sampled_from([1, 1, 5, 10]), values, st.integers(1, 12))
series = st.lists(run, min_size=1, max_size=10).map(
    lambda runs: [(step, value) for step, value, length in runs for _ in range(length)]
)
repeats = st.one_of(st.none(), st.builds(Repeats, st.integers(1, 6), st.sampled_from([0, 9, 20, 40])))


@st.composite
def settings_of_both(draw):
    suspect, fail = draw(repeats), draw(repeats)
    if suspect and fail:
        fail = Repeats(max(suspect.count, fail.count), max(suspect.duration_ms, fail.duration_ms))
    eps = draw(st.sampled_from([0.0, 0.15, 0.2, 0.25]))
    return limits(suspect, fail, eps, draw(st.sampled_from([None, 9])))


@example([(1, 0.0), (1, 0.4), (1, 0.2)], limits(Repeats(2), eps=0.2), set())  # neighbours apart by 2 EPS
@example([(1, 0.0), (1, 0.1), (1, 0.1), (1, 0.2)], limits(Repeats(3), eps=0.15), {1, 2, 3})
@example([(1, 0.0), (1, 0.0), (1, 0.1), (1, 0.1), (1, 0.2)], limits(Repeats(3), eps=0.15), {4})
@settings(max_examples=examples(600))
@given(series, settings_of_both(), st.sets(st.integers(1, 119), max_size=20))
def test_is_the_plain_loop_however_cut(series, limits, cuts):
    time_ms = np.cumsum([step for step, _ in series])
    value = [x for _, x in series]
    run, flags = FlatRun(), []
    bounds = [0, *sorted(cut for cut in cuts if cut < len(value)), len(value)]
    for start, stop in pairwise(bounds):
        part, run = flag(value[start:stop], limits, time_ms[start:stop], run)
        run = from_plain(FlatRun, json.loads(json.dumps(to_plain(run))))
        flags += part.tolist()
    evaluated = limits.flat_line_suspect or limits.flat_line_fail
    expected = plain(time_ms.tolist(), value, limits)
    assert flags == (expected if evaluated else [9 if math.isnan(x) else 2 for x in value])


@pytest.mark.parametrize("eps", [0.0, 0.5])
def test_little_is_carried_however_long_the_window(eps):
    """A day of noise at one reading a second: of 86400 readings in the window few stand out."""
    value = np.random.default_rng(20260711).normal(15.0, 0.1, 200_000)
    _, run = flag(value, limits(Repeats(10, 86_400_000), eps=eps))
    assert run.value.size < 60


def test_nothing_from_before_a_jump_is_carried():
    _, run = flag([1.0] * 5 + [9.0] * 3, limits(Repeats(10, 1_000_000), eps=0.1))
    assert (run.value.tolist(), run.number.tolist(), run.barrier_count) == ([9.0], [8], 5)
