"""The rules of leaps said once more, reading by reading in plain numbers, beside the arrays.

What is expected follows the words of `rules.quality.leaps`; its numbers stand here again, so that none
changes unseen. All readings are invented: steps and times are such that many a comparison is just met, or
just not.
"""

import math
from dataclasses import dataclass, field, replace
from statistics import median

import numpy as np
import pytest

from rules.quality.leaps import Beside, Leap, leaps
from rules.quality.settings import QualitySettings, Range

LOT = 1_640_228_905
JUMP, PER_HOUR = 1.0, 30.0
SETTINGS = QualitySettings(Range(-5.0, 50.0), Range(1.0, 33.0), max_jump=JUMP, max_change_per_hour=PER_HOUR)
TEN_MINUTES, HOUR = 600_000, 3_600_000
AGAIN = "both stand again as they usually do"


@dataclass
class Plainly:
    """A probe of which each reading is taken for itself: where it is a leap away, young, and loose."""

    beside: bool = False
    low: float = 1.0
    high: float = 33.0
    read: list[tuple[int, float, float]] = field(default_factory=list)
    floor: int = 0
    since_ms: int | None = None
    base: float = 0.0
    beside_base: float = 0.0
    far_ms: int = 0
    back_ms: int | None = None
    home: float = 0.0
    home_until_ms: int = -1
    apart: list[tuple[int, float]] = field(default_factory=list)
    usual: float = math.nan
    strange_ms: int = 0
    astray_ms: int = 0
    begun_ms: list[int] = field(default_factory=list)
    loose_until_ms: int = -1

    def take(self, time_ms, value, beside, agreed):
        self.read.append((time_ms, value, beside))
        if self.since_ms is None:
            self._begins(agreed)
        if self.since_ms is not None and self._ends(agreed):
            self._over()
        away = self.since_ms is not None
        if not away and self.beside and math.isfinite(beside) and time_ms // HOUR not in dict(self.apart):
            self.apart = [*self.apart, (time_ms // HOUR, 2.0 * value - beside)][-24:]
        return away, away and time_ms - self.since_ms < TEN_MINUTES, time_ms <= self.loose_until_ms

    def _begins(self, agreed):
        at, (time_ms, value, _) = len(self.read) - 1, self.read[-1]
        soon = self.back_ms is not None and time_ms - self.back_ms <= TEN_MINUTES and at < self.floor + 4
        if soon:
            if abs(value - self.base) > JUMP:
                self._begin(self.base, self.beside_base)
            return
        jump = JUMP / 2 if time_ms <= self.loose_until_ms else JUMP
        lag = next((lag for lag in range(1, 9) if self._leapt(lag, jump)), 0)
        if not lag or at - (lag + (lag > 1)) < self.floor or agreed:
            return
        before = [it for _, it, _ in self.read[max(self.floor, at - lag - 14) : at - lag + 1]]
        newest = before[-5:]
        off = median(newest if max(newest) - min(newest) <= JUMP / 2 else before)
        other = self.read[at - lag][2] if self.beside else 0.0
        if abs(value - off) > jump and not self._poured(off, other) and self.low <= off <= self.high:
            self._begin(off, other)

    def _leapt(self, lag, jump):
        """From the reading `lag` before; from further back than the one before it takes two, soon."""
        way, now_ms = self._far(lag, jump), self.read[-1][0]
        if lag == 1 or not way:
            return way
        return way == self._far(lag + 1, jump) and now_ms - self.read[-1 - lag][0] <= 120_000

    def _far(self, lag, jump):
        if len(self.read) <= lag:
            return 0
        (time_ms, value, _), (before_ms, before, _) = self.read[-1], self.read[-1 - lag]
        far = abs(value - before) > jump + PER_HOUR * ((time_ms - before_ms) / HOUR)
        return far and (1 if value > before else -1)

    def _begin(self, base, beside_base):
        now_ms = self.read[-1][0]
        third = len(self.begun_ms) == 2 and now_ms - self.begun_ms[0] <= 4 * HOUR
        self.loose_until_ms = now_ms + 4 * HOUR if third or self.loose_until_ms >= now_ms else -1
        self.begun_ms = [*self.begun_ms, now_ms][-2:]
        self.since_ms = self.far_ms = self.strange_ms = self.astray_ms = now_ms
        self.usual = median(apart for _, apart in self.apart) if len(self.apart) >= 6 else math.nan
        if now_ms >= self.home_until_ms:
            self.base, self.beside_base = base, beside_base
        else:
            self.base = self.home
        self.floor = len(self.read) - 1

    def _poured(self, base, beside_base):
        """What is beside moved too, neither more than three times as far as the other."""
        _, value, beside = self.read[-1]
        if not self.beside or abs(value - base) <= JUMP:
            return False
        return 1 / 3 <= (beside - beside_base) / (2 * value - 2 * base) <= 3

    def _ends(self, agreed):
        time_ms, value, _ = self.read[-1]
        off, age_ms = abs(value - self.base), time_ms - self.since_ms
        if off > JUMP / 4:
            self.far_ms = time_ms
        if not self._stands_as_usual(-1, 4):
            self.strange_ms = time_ms
        if self._is_astray():
            self.astray_ms = time_ms
        if time_ms - self.strange_ms >= HOUR and self.strange_ms - self.astray_ms <= HOUR / 2:
            return True
        young = age_ms < TEN_MINUTES
        if agreed or time_ms - self.far_ms >= HOUR or (young and off <= JUMP / 2):
            return True
        if young and self._poured(self.base, self.beside_base):
            return True
        near = JUMP * (min(0.5 + age_ms / (2 * TEN_MINUTES), 1.0) + 0.1 * (age_ms / HOUR))
        return off <= near and any(self._leapt_back(lag, off) for lag in range(1, 9))

    def _is_astray(self):
        """Further than half of the leap from there, and so the reading before, where there is one."""
        if not self.beside or math.isnan(self.usual):
            return False
        places = [-1, -2] if len(self.read) - 2 >= self.floor else [-1]
        known = all(math.isfinite(self.read[place][2]) for place in places)
        return known and not any(self._stands_as_usual(place, 2) for place in places)

    def _stands_as_usual(self, place, share):
        """Beside what it is measured with, within a share of the leap, and of the least one."""
        _, value, beside = self.read[place]
        most = max(abs(2.0 * value - 2.0 * self.base), 2.0 * JUMP) / share
        return self.beside and abs(2.0 * value - beside - self.usual) <= most

    def _leapt_back(self, lag, off):
        before_ms, before, _ = self.read[max(len(self.read) - 1 - lag, self.floor)]
        waits_h = (self.read[-1][0] - before_ms) / HOUR
        return abs(before - self.base) - off > JUMP / 2 + PER_HOUR * waits_h

    def _over(self):
        now_ms, value, _ = self.read[-1]
        off, age_ms = abs(value - self.base), now_ms - self.since_ms
        soon, near = off <= JUMP and age_ms < TEN_MINUTES, off <= JUMP * (1 + 0.1 * age_ms / HOUR)
        self.back_ms, self.since_ms = now_ms if soon else None, None
        self.home, self.home_until_ms = self.base, now_ms + HOUR if near else -1
        self.base, self.floor = (self.base + value) / 2, len(self.read) - 1


def course(draw, size):
    """Levels in eighths, leaps off them of every size and length, crawls."""
    value, level = [], 15.0
    while len(value) < size:
        kind, length = draw.integers(7), int(draw.choice([1, 2, 3, 5, 9, 20, 60]))
        if kind == 0:
            level += float(draw.choice([-2.0, -1.0, -0.5, -0.125, 0.125, 0.25, 0.5, 1.0, 2.0]))
        if kind in (0, 1):
            value += [level] * length
        elif kind == 2:
            away = float(draw.integers(-40, 41)) / 16
            value += [level + away, *[level + away] * (length - 1)]
        elif kind == 3:
            value += (level + draw.integers(-3, 4, length) / 8).tolist()
        elif kind == 4:
            value += (level + float(draw.choice([-4.0, 4.0])) * np.linspace(1, 0, length + 1)).tolist()
        elif kind == 5:
            value += np.where(draw.random(length) < 0.3, level + 3.0, level).tolist()
        else:
            level = float(draw.choice([15.0, 15.0, 15.0, 33.0, 34.0, 1.0, 0.5]))
    return np.array(value[:size])


def times(draw, size):
    """Around some period, with waits after which a rule just ends, or just does not."""
    usual = draw.choice([10_000, 15_000, 30_000, 60_000])
    rare = [usual, 1, 60_000, 119_999, 120_000, 120_001, TEN_MINUTES - usual, TEN_MINUTES, HOUR - usual, HOUR]
    late = draw.random(size) < 0.04
    return 1_760_000_000_000 + np.cumsum(np.where(late, draw.choice(rare, size), usual))


def held(draw, size):
    """Water in steps, and a probe that stands still while it moves, or is off for a while."""
    water = 15.0 + draw.choice([-4.0, 0.0, 0.125, 0.5, 2.5, 5.0], size // 20).repeat(20)
    value = water + draw.integers(-1, 2, size) / 16
    for begins in draw.integers(60, size - 30, 5):
        part = slice(begins, begins + int(draw.integers(10, 60)))
        value[part] = value[begins] if draw.random() < 0.7 else value[part] + draw.choice([-5.0, 4.5, 6.0])
    return value, 2.0 * water + 2.0


def expected(time_ms, value, beside, agreed, plain):
    rows = zip(time_ms.tolist(), value.tolist(), beside.tolist(), agreed.tolist(), strict=True)
    return [plain.take(*row) for row in rows]


def found(draw, time_ms, value, beside, agreed, settings=SETTINGS, step=40):
    """The same by the arrays, in blocks of any length; the state is carried."""
    past, start, rows = Leap(), 0, []
    while start < value.size:
        part = slice(start, start + int(draw.integers(1, step)))
        other = None if beside is None else Beside(beside[part], lambda own: 2.0 * own)
        borne_out = None if agreed is None else agreed[part]
        told, past = leaps(time_ms[part], value[part], settings, past, borne_out, other)
        rows += zip(told.jumped.tolist(), told.young.tolist(), told.loose.tolist(), strict=True)
        start = part.stop
    return rows, past


def compared(kind, number):
    """Whether any reading of a course leapt, once it was judged both ways."""
    draw = np.random.default_rng([LOT, number, len(kind)])
    value, time_ms = course(draw, 400), times(draw, 400)
    follows = draw.choice([0.0, 2 / 3, 1.0, 2.0, 6.0, 6.5], 50).repeat(8)
    beside = 2.0 + follows * (value - 15.0)
    if kind == AGAIN:
        (value, beside), time_ms = held(draw, 400), time_ms[0] + 6 * (time_ms - time_ms[0])
    beside[draw.random(400) < 0.02] = np.nan
    agreed = draw.random(400) < (0.02 if kind == "another bears it out" else 0.0)
    plain = Plainly(beside=kind in (AGAIN, "another quantity beside it"))
    others = beside if plain.beside else None, agreed if agreed.any() else None
    rows, past = found(draw, time_ms, value, *others)
    assert rows == expected(time_ms, value, beside, agreed, plain), number
    assert past.since_ms == (-1 if plain.since_ms is None else plain.since_ms)
    assert past.begun_ms == tuple(plain.begun_ms)
    assert bool(past.beside) is plain.beside
    return any(away for away, _, _ in rows)


@pytest.mark.parametrize("first", range(0, 60, 5))
@pytest.mark.parametrize("kind", ["alone", "another bears it out", "another quantity beside it", AGAIN])
def test_blocks_are_judged_as_reading_by_reading_in_plain_numbers(kind, first):
    leapt = [compared(kind, number) for number in range(first, first + 5)]
    assert any(leapt), "else nothing was compared"


def test_what_no_operator_takes_for_water_is_no_base_and_without_his_range_what_no_probe_can_say():
    value = np.repeat([34.0, 15.0], 20)
    time_ms = 30_000 * (1 + np.arange(40))
    assert not leaps(time_ms, value, SETTINGS, Leap())[0].jumped.any()
    anywhere = replace(SETTINGS, operator_range=None)
    assert leaps(time_ms, value, anywhere, Leap())[0].jumped.tolist() == [False] * 20 + [True] * 20


def test_without_a_greatest_jump_nothing_is_a_leap_and_only_the_newest_is_carried():
    value, time_ms = np.repeat([15.0, 25.0], 20), 30_000 * (1 + np.arange(40))
    past = Leap((0,), (15.0,), since_ms=5)
    without = replace(SETTINGS, max_jump=None)
    told, after = leaps(time_ms, value, without, past)
    found = told.jumped.any(), told.young.any(), told.loose.any()
    assert (found, after) == ((False, False, False), Leap((1_200_000,), (25.0,)))
    assert leaps(time_ms[:0], value[:0], without, past)[1] == Leap((0,), (15.0,))
    told, after = leaps(time_ms[:0], value[:0], SETTINGS, past)
    assert (told.jumped.size, after) == (0, past)
