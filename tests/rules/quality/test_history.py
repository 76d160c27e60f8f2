"""What is learned of a channel: from whole hours only, wherever the readings were cut."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.plain import from_plain, to_plain
from rules.quality.history import (
    DAY_MS,
    ENOUGH_HOURS,
    FORTNIGHT,
    History,
    Learned,
    learn,
    learned,
    near_default,
)
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


DIGITS = {"temperature": 0.01, "conductivity": 0.01, "salinity": 0.01, "oxygen": 0.01}
DIGITS |= {"oxygen_saturation": 0.1, "air_pressure": 0.1}


def plainly(at_ms, value, doubtful, today, wait_ms, digit):
    """What the last 14 days before `today` show, hour by hour in plain numbers; None without a good hour."""
    hours = {}
    for ms, its, bad in zip(at_ms.tolist(), value.tolist(), doubtful.tolist(), strict=True):
        hours.setdefault(ms // HOUR_MS, []).append((ms, round(its / digit * 1000) if not bad else None))
    good = []
    for hour, rows in hours.items():
        moments = [hour * HOUR_MS, *(ms for ms, _ in rows), (hour + 1) * HOUR_MS]
        waits = [after - before for before, after in pairwise(moments)]
        sound = all(its is not None for _, its in rows) and max(waits) <= wait_ms
        if sound and today - 14 <= hour // 24 < today:
            good.append((hour, [its for _, its in rows]))
    if not good:
        return None
    steps = [abs(b - a) for _, its in good for a, b in pairwise(its)]
    bends = [c - 2 * b + a for _, its in good for a, b, c in zip(its, its[1:], its[2:], strict=False)]
    count, quantum = sum(len(its) for _, its in good), digit / 1000
    return (
        good[0][0] * HOUR_MS,
        len(good),
        pytest.approx(sum(steps) / count * quantum, abs=1e-12),
        pytest.approx((sum(it * it for it in bends) / count / 6) ** 0.5 * quantum, abs=1e-12),
        pytest.approx(min([it for it in steps if it], default=1000) * quantum),
        pytest.approx(sum(max(its) - min(its) for _, its in good) / len(good) * quantum, abs=1e-12),
    )


@pytest.mark.parametrize("quantity", Quantity)
@pytest.mark.parametrize("number", range(6))
def test_each_midnight_it_is_what_the_hours_of_a_fortnight_show_in_plain_numbers(quantity, number):
    draw, digit = np.random.default_rng([LOT, number, len(quantity)]), DIGITS[quantity]
    every_ms = 12 * 60_000
    waits = draw.choice([every_ms, 2 * every_ms, 3 * every_ms, HOUR_MS, 30 * HOUR_MS], 4000,
                        p=[0.93, 0.04, 0.02, 0.006, 0.004])  # fmt: skip
    at_ms = MIDNIGHT_MS + np.cumsum(waits)
    value = digit * np.where(draw.random(4000) < 0.5, 1500, 1500 + draw.integers(-4, 5, 4000)) * 0.5
    doubtful = draw.random(4000) < 0.01
    history, start, seen = History(), 0, 0
    for midnight in np.unique(at_ms // DAY_MS).tolist():
        stop = int(at_ms.searchsorted((midnight + 1) * DAY_MS))
        while start < stop:
            part = slice(start, min(start + int(draw.choice([1, 2, 7, 200])), stop))
            its = at_ms[part], value[part], doubtful[part]
            history = learn(history, *its, quantity, 2 * every_ms)
            start = part.stop
        now_ms = (midnight + 1) * DAY_MS + int(draw.integers(0, DAY_MS))
        found = learned(history, now_ms, quantity, 2 * every_ms)
        its = at_ms[:stop], value[:stop], doubtful[:stop]
        expected = plainly(*its, midnight + 1, 2 * every_ms, digit)
        if expected is None or found is None:
            assert (found, expected) == (None, None)
            continue
        row = found.since_ms, found.hours, found.step, found.noise, found.digit, found.per_hour
        assert row == expected
        seen += found.hours > 0
    assert seen > 14


def test_what_was_learned_counts_after_two_days_and_36_good_hours():
    two_days_ms = 48 * HOUR_MS
    for hours, after_ms, counts in [
        (36, two_days_ms, True),
        (35, two_days_ms, False),
        (36, two_days_ms - 1, False),
    ]:
        found = Learned(7, hours, 0.0, 0.0, 0.01, 0.1)
        assert found.counts(7 + after_ms) is counts


@pytest.mark.parametrize(("found", "kept"), [(0.1, 0.5), (0.5, 0.5), (3.0, 3.0), (8.0, 8.0), (9.0, 8.0)])
def test_what_was_learned_goes_as_far_as_four_times_the_default_or_a_quarter_of_it(found, kept):
    assert near_default(found, 2.0) == kept
