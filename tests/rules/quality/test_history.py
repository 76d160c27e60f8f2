"""What is learned of a channel: from whole hours only, wherever the readings were cut."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.plain import from_plain, to_plain
from rules.quality.history import DAY_MS, ENOUGH_HOURS, FORTNIGHT, History, learn, learned
from rules.quality.settings import HOUR_MS
from rules.quantities import Quantity

MIDNIGHT_MS = 20_370 * DAY_MS
POLL_MS, WAIT_MS = 30_000, 150_000
LOT = 3_390_127_554
T = Quantity.TEMPERATURE


def readings(days, noise=0.02, digit=0.01, swing=0.0):
    at_ms = MIDNIGHT_MS + np.arange(0, round(days * DAY_MS), POLL_MS)
    draws = np.random.default_rng(LOT).normal(size=at_ms.size)
    value = 15.0 + swing * np.sin(2 * np.pi * at_ms / HOUR_MS) + noise * draws
    return at_ms, np.round(value / digit) * digit


def taken(at_ms, value, doubtful=None, past=None):
    doubtful = np.zeros(at_ms.size, dtype=np.bool_) if doubtful is None else doubtful
    return by_days(past or History(), at_ms, value, doubtful, WAIT_MS)


def by_days(history, at_ms, value, doubtful, wait_ms):
    nights = np.flatnonzero(np.diff(at_ms // DAY_MS)) + 1
    for start, stop in pairwise([0, *nights.tolist(), at_ms.size]):
        part = slice(start, stop)
        history = learn(history, at_ms[part], value[part], doubtful[part], T, wait_ms)
    return history


def known(history, after_days):
    return learned(history, MIDNIGHT_MS + round(after_days * DAY_MS), T, WAIT_MS)


def test_noise_digit_step_and_variation_of_a_series_that_is_known():
    """Normal noise of 0.02: neighbours differ by 2/sqrt(pi) times that on average (folded normal)."""
    found = known(taken(*readings(3)), 3)
    assert found.hours == 72
    assert found.noise == pytest.approx(0.02, rel=0.05)
    assert found.digit == pytest.approx(0.01)
    assert found.step == pytest.approx(0.02 * 2 / np.sqrt(np.pi), rel=0.05)
    assert found.per_hour == pytest.approx(0.02 * 5.1, rel=0.1), "range of 120 normal values (from memory)"
    assert known(taken(*readings(3, noise=0.0001, digit=1e-5, swing=0.4)), 3).per_hour == pytest.approx(
        0.8, rel=0.01
    )


def test_nothing_counts_before_two_days_and_nothing_of_today_ever():
    history = taken(*readings(2.9))
    assert not known(history, 1.9).counts(MIDNIGHT_MS + round(1.9 * DAY_MS))
    assert known(history, 2).counts(MIDNIGHT_MS + 2 * DAY_MS)
    assert known(history, 2).hours == known(history, 2.9).hours == 48


def test_two_days_count_from_the_first_good_hour_and_with_enough_of_them():
    at_ms, value = readings(4)
    late = at_ms >= MIDNIGHT_MS + 9 * HOUR_MS
    history = taken(at_ms[late], value[late])
    assert not known(history, 2.3).counts(MIDNIGHT_MS + 56 * HOUR_MS)
    assert known(history, 2.4).counts(MIDNIGHT_MS + 57 * HOUR_MS)
    few = taken(at_ms, value, at_ms // HOUR_MS % 24 > 10)
    assert known(few, 3.5).hours == 33 < ENOUGH_HOURS
    assert not known(few, 3.5).counts(MIDNIGHT_MS + round(3.5 * DAY_MS))


def test_an_hour_with_a_doubtful_reading_or_a_gap_is_not_learned_from():
    at_ms, value = readings(3)
    doubtful = np.zeros(at_ms.size, dtype=np.bool_)
    doubtful[5 * 120 + 7] = True
    value[5 * 120 : 6 * 120] += np.arange(120)
    gap = (at_ms >= MIDNIGHT_MS + 9.5 * HOUR_MS) & (at_ms < MIDNIGHT_MS + 9.5 * HOUR_MS + 180_000)
    found = known(taken(at_ms[~gap], value[~gap], doubtful[~gap]), 3)
    assert found.hours == 70
    assert found.per_hour == pytest.approx(0.1, rel=0.1)


def test_a_fortnight_is_kept_and_no_more():
    history = taken(*readings(20))
    assert len(history.days) <= FORTNIGHT + 3
    assert known(history, 19.9).hours == FORTNIGHT * 24


steps = st.sampled_from([0, 1, 30_000, 60_000, 140_000, 900_000, HOUR_MS, 7 * HOUR_MS])
series = st.lists(
    st.tuples(steps, st.sampled_from([15.0, 15.1, 15.3, 9.0]), st.sampled_from([False] * 9 + [True])),
    min_size=1,
    max_size=80,
)


@given(series, st.sets(st.integers(1, 79)), st.sampled_from([150_000, 8 * HOUR_MS]))
def test_cut_anywhere(rows, cuts, wait_ms):
    at_ms = MIDNIGHT_MS + np.cumsum([row[0] for row in rows])
    value, doubtful = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    whole = by_days(History(), at_ms, value, doubtful, wait_ms)
    history = History()
    places = [0, *sorted(cut for cut in cuts if cut < len(rows)), len(rows)]
    for start, stop in pairwise(places):
        part = slice(start, stop)
        history = by_days(history, at_ms[part], value[part], doubtful[part], wait_ms)
        history = from_plain(History, json.loads(json.dumps(to_plain(history))))
    assert history == whole
