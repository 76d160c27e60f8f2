"""Readings that scatter as no water does, beside the same rule reading by reading. All are invented."""

import numpy as np
import pytest

from rules.quality.history import DAY_MS, Learned
from rules.quality.scatter import Scatter, bend_limit, erratic
from rules.quantities import Quantity

LOT = 3_377_190_462
HOUR = 3_600_000
NOISE = {
    "temperature": 0.3, "conductivity": 0.6, "salinity": 0.5, "oxygen": 0.4, "oxygen_saturation": 4.0,
    "air_pressure": 1.5,
}  # fmt: skip
"""One standard deviation that no probe in order has, in the unit of its quantity (project judgement)."""


def plainly(time_ms, value, bend):
    """An erratic probe turns too far in ten of twenty readings, until an hour with less than half of that."""
    erratic_ms, uneasy_ms, calm_ms, told = -1, -1, -1, []
    turns = [0.0, 0.0]
    for a, b, c in zip(value, value[1:], value[2:], strict=False):
        turns.append(abs(c - 2 * b + a) if (c - b) * (b - a) < 0 else 0.0)
    for place, now_ms in enumerate(time_ms):
        newest = turns[max(2, place - 19) : place + 1]
        if sum(it > bend for it in newest) >= 10:
            erratic_ms = now_ms
        if sum(it > bend / 2 for it in newest) >= 10:
            uneasy_ms = now_ms
        if now_ms - uneasy_ms > HOUR:
            calm_ms = now_ms
        told.append(erratic_ms > calm_ms)
    return told, (erratic_ms, uneasy_ms, calm_ms)


@pytest.mark.parametrize("number", range(20))
def test_blocks_are_judged_as_reading_by_reading(number):
    """Values in eighths, so that many a turn is just what is too much, or just half of it."""
    draw, bend = np.random.default_rng([LOT, number]), 1.0
    value = 15.0 + np.concatenate([
        draw.integers(-most, most + 1, length) / 8
        for most, length in zip(draw.integers(0, 7, 12), draw.integers(5, 120, 12), strict=True)
    ])  # fmt: skip
    waits = draw.choice(
        [60_000, 60_000, 120_000, HOUR // 20, HOUR], value.size, p=[0.4, 0.4, 0.12, 0.03, 0.05]
    )
    time_ms, past, start, found = 10**12 + np.cumsum(waits), Scatter(), 0, []
    while start < value.size:
        part = slice(start, start + int(draw.integers(0, draw.choice([2, 3, 30]))))
        told, past = erratic(time_ms[part], value[part], bend, past)
        found += told.tolist()
        start = part.stop
    expected, times = plainly(time_ms.tolist(), value.tolist(), bend)
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
    past = Scatter((15.0, 15.0), (False,) * 19, (False,) * 19, erratic_ms=100, uneasy_ms=100)
    told, after = erratic(np.array([100 + after_ms] * size), np.full(size, 15.0), 1.0, past)
    assert told.tolist() == [is_erratic] * size
    assert after.calm_ms == (-1 if is_erratic else 100 + after_ms)
