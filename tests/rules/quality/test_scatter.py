"""Readings that scatter as no water does, beside the same rule reading by reading. All are invented."""

import numpy as np
import pytest

from rules.quality.history import DAY_MS, Learned
from rules.quality.scatter import Pair, Scatter, bend_limit, erratic
from rules.quantities import Quantity

LOT = 3_377_190_462
HOUR = 3_600_000
NOISE = {
    "temperature": 0.3, "conductivity": 0.6, "salinity": 0.5, "oxygen": 0.4, "oxygen_saturation": 4.0,
    "air_pressure": 1.5,
}  # fmt: skip
"""One standard deviation that no probe in order has, in the unit of its quantity (project judgement)."""


def are_waters(place, time_ms, kelvin, other, other_ms):
    """The turn that ends at a place is the water's, by what its pair showed nearest to each of the three.

    In kelvin, and by readings of which the next one is there; of two as near the earlier counts.
    """
    apart, long_ms = [], time_ms[place] - time_ms[place - 2]
    for own in (place - 2, place - 1, place):
        late_ms, since_ms = other_ms[own + 1] - time_ms[own], time_ms[own] - other_ms[own]
        nearest = own + 1 if late_ms < since_ms else own
        if abs(other_ms[nearest] - time_ms[own]) > long_ms / 4:
            return False
        apart.append(kelvin[own] - other[nearest])
    whole = abs(kelvin[place] - 2 * kelvin[place - 1] + kelvin[place - 2])
    own = abs(apart[2] - 2 * apart[1] + apart[0])
    slow = all(
        abs(kelvin[it] - kelvin[it - 1]) <= 20.0 * (time_ms[it] - time_ms[it - 1]) / HOUR
        for it in (place - 1, place)
    )
    return slow and long_ms >= 100_000 and own <= whole / 2 and own <= 0.5


def plainly(time_ms, value, bend, pair=None):
    """An erratic probe turns too far in ten of twenty readings, until an hour with less than half of that;
    with its pair it does not where half of those are the water, the newest apart."""
    erratic_ms, uneasy_ms, calm_ms, told = -1, -1, -1, []
    turns, waters = [0.0, 0.0], [False, False]
    for a, b, c in zip(value, value[1:], value[2:], strict=False):
        turns.append(abs(c - 2 * b + a) if (c - b) * (b - a) < 0 else 0.0)
    for place in range(2, len(value) - 1):
        waters.append(pair is not None and are_waters(place, time_ms, np.array(value) / 2, *pair))
    for place, now_ms in enumerate(time_ms):
        first = max(2, place - 19)
        newest, settled = turns[first : place + 1], waters[first:place]
        for much in (bend, bend / 2):
            count = sum(it > much for it in newest)
            of_water = sum(it > much and its for it, its in zip(newest, settled, strict=False))
            if count >= 10 and of_water < (count - (newest[-1] > much)) / 2:
                erratic_ms = now_ms if much == bend else erratic_ms
                uneasy_ms = now_ms
        if now_ms - uneasy_ms > HOUR:
            calm_ms = now_ms
        told.append(erratic_ms > calm_ms)
    return told, (erratic_ms, uneasy_ms, calm_ms)


def beside(draw, time_ms, value):
    """A pair that shows half as much in kelvin: in step but for some eighths, or still, or of its own.

    Before or after each reading, near or far, not at each; nothing at first.
    """
    other, parts = value / 2, np.resize(draw.permutation(np.arange(24) % 4), value.size // 30 + 1).repeat(30)
    still, own = parts[: value.size] == 2, parts[: value.size] == 3
    other = other + draw.integers(-1, 2, value.size) / 8
    other = np.where(still, 7.5, np.where(own, 7.5 + draw.integers(-9, 10, value.size) / 8, other))
    off_ms = draw.choice([-40_000, -30_000, -2_000, 0, 1_000], value.size // 40 + 1).repeat(40)[: value.size]
    late = off_ms >= 0  # heard after one's own reading: the next one finds it
    shown, shown_ms = other.copy(), time_ms + off_ms
    shown[1:], shown_ms[1:] = (np.where(late[1:], it[:-1], it[1:]) for it in (other, time_ms + off_ms))
    newest = np.maximum.accumulate(np.where(draw.random(value.size) < 0.9, np.arange(value.size), 0))
    shown[:3], shown_ms[:3] = np.nan, 0
    return shown[newest], shown_ms[newest]


@pytest.mark.parametrize("paired", [False, True])
@pytest.mark.parametrize("number", range(20))
def test_blocks_are_judged_as_reading_by_reading(number, paired):
    """Values in eighths, so that many a turn is just what is too much, or just half of it."""
    draw, bend = np.random.default_rng([LOT, number]), (1.0, 0.25)[number % 2]
    value = 15.0 + np.concatenate([
        draw.integers(-most, most + 1, length) / 8
        for most, length in zip(draw.integers(0, 7, 12), draw.integers(5, 120, 12), strict=True)
    ])  # fmt: skip
    waits = draw.choice(
        [60_000, 60_000, 120_000, HOUR // 20, HOUR], value.size, p=[0.4, 0.4, 0.12, 0.03, 0.05]
    )
    time_ms, past, start, found = 10**12 + np.cumsum(waits), Scatter(), 0, []
    shown = beside(draw, time_ms, value) if paired else None
    while start < value.size:
        part = slice(start, start + (1 if number % 4 < 2 else int(draw.integers(0, draw.choice([2, 3, 30])))))
        pair = Pair(*(it[part] for it in shown), lambda own: own / 2) if paired else None
        told, past = erratic(time_ms[part], value[part], bend, past, pair)
        found += told.tolist()
        start = part.stop
    expected, times = plainly(time_ms.tolist(), value.tolist(), bend, shown)
    assert found == expected
    assert (past.erratic_ms, past.uneasy_ms, past.calm_ms) == times


@pytest.mark.parametrize("quantity", Quantity)
def test_too_much_is_what_half_the_readings_of_such_a_noise_bend_by(quantity):
    """The median second difference of normal noise is 0.6745 times the root of 6 of its deviation."""
    noise = NOISE[quantity]
    limit = bend_limit(quantity, None, 0)
    assert limit == pytest.approx(0.6745 * 6**0.5 * noise, rel=2e-3)
    bends = np.diff(np.random.default_rng(LOT).normal(0, noise, 40_000), 2)
    assert np.mean(np.abs(bends) > limit) == pytest.approx(0.5, abs=0.01)


def test_of_a_probe_that_is_known_it_is_six_times_its_own_noise_or_last_digit():
    def limit(noise, digit, now_ms=3 * DAY_MS):
        known = Learned(DAY_MS, 36, 0.0, noise, digit, 0.1)
        return bend_limit(Quantity.TEMPERATURE, known, now_ms) / 1.65

    assert limit(0.1, 0.01) == pytest.approx(0.6)
    assert limit(0.01, 0.1) == pytest.approx(0.6)
    assert limit(0.1, 0.01, 3 * DAY_MS - 1) == pytest.approx(0.3), "what counts is known at midnight"


@pytest.mark.parametrize("size", [1, 2])
@pytest.mark.parametrize(("after_ms", "is_erratic"), [(HOUR, True), (HOUR + 1, False)])
def test_it_is_over_after_more_than_an_hour_of_calm(size, after_ms, is_erratic):
    past = Scatter((15.0, 15.0), *(((False,) * 19,) * 3), erratic_ms=100, uneasy_ms=100)
    told, after = erratic(np.array([100 + after_ms] * size), np.full(size, 15.0), 1.0, past)
    assert told.tolist() == [is_erratic] * size
    assert after.calm_ms == (-1 if is_erratic else 100 + after_ms)
