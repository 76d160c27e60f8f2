"""A source that says the same few numbers over and over is found out; what cycles or rests never is.

All readings are invented.

What is drawn by lot was drawn once, by `secrets`.
"""

from itertools import pairwise
from math import isqrt

import numpy as np
import pytest

from rules.quality.calm import MOVING
from rules.quality.repeats import Rounds, going_round
from tests.rules.quality.test_replayed import DAY, POLL_MS, noisy, steady_or_cycling

LOT = 3_871_160_294


def judged(value, every_ms=POLL_MS):
    return going_round((1 + np.arange(value.size)) * every_ms, value, Rounds())[0][1:]


def half_bits(known, same):
    worth = ((20, 8), (8, 6), (4, 4), (3, 3), (2, 2))
    return next((its for most, its in worth if known >= most * (3 + same + 2 * isqrt(same))), 0)


class Plainly:
    """Reading by reading: the shortest round that twenty readings keep to decides."""

    def __init__(self):
        self.row, self.runs, self.same = [], {}, dict.fromkeys(range(1, 21), 0)

    def take(self, at_ms, value):
        known, same = len(self.row) // 4, dict(self.same)
        alike = [lag for lag in self.same if len(self.row) >= lag and value == self.row[-lag]]
        for lag in alike if len(self.row) % 4 == 3 else ():
            self.same[lag] += 1
        self.row.append(value)
        self.runs = {lag: self.runs.get(lag, (0, at_ms, half_bits(known, same[lag]))) for lag in alike}
        self.runs = {lag: (times + 1, *began) for lag, (times, *began) in self.runs.items()}
        lag = next((lag for lag, (times, *_) in sorted(self.runs.items()) if lag > 1 and times >= 20), None)
        return self._round(lag, at_ms) if lag else (MOVING, False)

    def _round(self, lag, at_ms):
        times, began_ms, worth = self.runs[lag]
        its = self.row[-lag - 1 :]
        changes = sum(one != other for one, other in pairwise(its))
        sure = times * changes // lag * worth >= 100 and at_ms - began_ms >= 600_000
        return (began_ms if sure else MOVING), bool(changes)


def with_rounds(draw, size, noise, digit):
    """Water in which one round or another goes on for a while, some of them only for some numbers."""
    value = noisy(draw, size, noise, digit)
    for _ in range(12):
        lag, start = int(draw.integers(1, 24)), int(draw.integers(30, size))
        stop = min(start + int(draw.choice([lag, 21, 60, 300])), size)
        value[start:stop] = np.resize(value[start - lag : start], stop - start)
    value[draw.random(size) < 0.002] = np.nan
    return value


@pytest.mark.parametrize("every_ms", [30_000, 60_000, 90_000])
@pytest.mark.parametrize(("noise", "digit"), [(0.01, 0.0), (0.02, 0.01), (0.01, 0.01), (0.02, 0.1)])
def test_blocks_are_judged_as_reading_by_reading(noise, digit, every_ms):
    draw = np.random.default_rng([LOT, every_ms, round(noise * 100), round(digit * 100)])
    value, plain, past, start = with_rounds(draw, 4000, noise, digit), Plainly(), Rounds(), 0
    at_ms, found = every_ms * (1 + np.arange(value.size)), []
    expected = [plain.take(*row) for row in zip(at_ms.tolist(), value.tolist(), strict=True)]
    while start < value.size:
        part = slice(start, start + int(draw.integers(0, draw.choice([2, 10, 50, 900]))))
        since_ms, goes, past = going_round(at_ms[part], value[part], past)
        assert not start or since_ms[0] == found[-1][0], "what is known before"
        found += zip(since_ms[1:].tolist(), goes.tolist(), strict=True)
        start = part.stop
    assert found == expected
    assert any(goes for _, goes in found)
    assert any(it != MOVING for it, _ in found) is (digit != 0.1)
    whole = going_round(at_ms, value, Rounds())[2]
    assert repr(whole) == repr(past)


@pytest.mark.parametrize("lag", [2, 3, 4, 7, 11, 16, 19, 20])
def test_a_fine_probe_that_goes_round_is_found_within_half_an_hour(lag):
    draw = np.random.default_rng([LOT, lag])
    value = noisy(draw, 2 * DAY, 0.03, 0.001)
    value[DAY:] = np.resize(value[DAY - lag : DAY], DAY)
    found = judged(value) != MOVING
    assert not found[:DAY].any()
    assert found[DAY + 60 :].all()


@pytest.mark.parametrize("lag", [2, 3, 6, 13, 20])
@pytest.mark.parametrize(("noise", "within_min"), [(0.01, 60), (0.02, 30)])
def test_a_coarse_one_takes_longer(lag, noise, within_min):
    """Of a noise of one or two last digits."""
    draw = np.random.default_rng([LOT, lag, round(noise * 100)])
    value = noisy(draw, 2 * DAY, noise, 0.01)
    value[DAY - 1] += 0.01 * (np.ptp(value[DAY - lag : DAY]) == 0)
    value[DAY:] = np.resize(value[DAY - lag : DAY], DAY)
    found = judged(value) != MOVING
    assert not found[:DAY].any()
    assert found[DAY + 2 * within_min :].all()


@pytest.mark.parametrize("cycle", [0, 18, 80], ids=["no thermostat", "9 min", "40 min"])
@pytest.mark.parametrize(("noise", "digit"), [(0.0, 0.1), (0.03, 0.1), (0.06, 0.1), (0.01, 0.01), (0.4, 1.0)])
def test_coarse_or_cycling_water_is_never_accused(noise, digit, cycle):
    assert (judged(steady_or_cycling(noise, digit, cycle)) == MOVING).all()


@pytest.mark.parametrize("cycle", [2, 3, 4, 6, 8, 14])
@pytest.mark.parametrize("every_ms", [30_000, 120_000])
def test_a_cycle_that_keeps_step_with_the_polls_is_never_accused(cycle, every_ms):
    draw, turns = np.random.default_rng([LOT, cycle]), np.arange(5 * DAY) / cycle % 1.0
    for shape in (np.abs(turns * 4.0 - 2.0), 2.0 * (turns < 0.5)):
        for noise in (0.0, 0.02):
            value = 15.0 + 0.6 * shape + noise * draw.normal(size=turns.size)
            assert (judged(np.round(value, 1), every_ms=every_ms) == MOVING).all()


def test_what_swings_faster_than_it_is_read_is_never_accused():
    value = np.round(15.0 + 0.4 * np.sin(np.arange(5 * DAY) * 2 * np.pi / 2.5), 1)
    assert (judged(value) == MOVING).all()


@pytest.mark.parametrize("cycle", [2, 5, 10])
@pytest.mark.parametrize(("noise", "digit"), [(0.02, 0.1), (0.005, 0.01), (0.01, 0.01)])
def test_a_timer_that_begins_to_switch_in_step_with_the_polls_is_never_accused(cycle, noise, digit):
    draw = np.random.default_rng([LOT, cycle, 7])
    value = noisy(draw, 4 * DAY, noise, 0.0)
    value[2 * DAY :] += 0.5 * (np.arange(2 * DAY) / cycle % 1.0 < 0.5)
    assert (judged(np.round(value / digit) * digit) == MOVING).all()
