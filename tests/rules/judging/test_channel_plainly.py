"""A channel against each of its limits, reading by reading in plain numbers, beside the arrays.

What is expected follows the words of `rules.judging.channel` and of the limits; trends and delays, which have
tests of their own, are taken from there. All readings are invented, in 64ths, so that limits are met exactly.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition
from rules.alarms.persistence import Persistence, turns
from rules.judging import channel
from rules.judging.channel import judge_channel
from rules.judging.series import ChannelState, Series
from rules.judging.trend import NO_TREND, Rise, rose_from, trend
from rules.judging.water import show
from rules.quality.settings import QualitySettings, Range
from rules.quantities import Quantity
from rules.rack.limits import Basis, Bounds, Level, limits_of
from rules.rack.tolerance import Band, Tolerance

LOT = 3_016_558_274
MINUTE, HOUR = 60_000, 3_600_000
ANYTHING = QualitySettings(sensor_range=Range(-1000.0, 1000.0))
LIMITS = Tolerance(
    target=15.0,
    advisory=Band(13.0, 17.0),
    critical=Band(12.0, 18.0),
    max_rise_per_hour=2.0,
    max_fall_per_hour=2.0,
    deadband=0.25,
    on_delay_ms=2 * MINUTE,
    critical_on_delay_ms=MINUTE,
    off_delay_ms=3 * MINUTE,
    lead_time_ms=HOUR,
    given=("stages.polyp.temperature.critical_high",),
)
TOLERANCES = [
    LIMITS,
    replace(LIMITS, target=None),
    replace(LIMITS, max_rise_per_hour=None),
    replace(LIMITS, lead_time_ms=0, on_delay_ms=0, off_delay_ms=0, critical_on_delay_ms=0),
    replace(LIMITS, rate_window_ms=HOUR, lead_time_ms=4 * HOUR, deadband=0.0),
]


def course(draw, size):
    value, level = [], 15.0
    while len(value) < size:
        length, to = (
            int(draw.integers(2, 70)),
            float(draw.choice([12.0, 13.0, 14.5, 15.0, 15.0, 17.0, 18.0, 19.0])),
        )
        value += (level + (to - level) * np.arange(1, length + 1) / length).tolist()
        value += [to] * int(draw.choice([0, 5, 30]))
        level = to
    return np.round((np.array(value[:size]) + draw.choice([0, 0, 0, 1, -1, 16], size) / 64) * 64) / 64


class Rows:
    """A series and what is known beside it, at every reading."""

    def __init__(self, draw, size, *, derived, doubted, torn):
        self.time_ms = 1_760_000_000_000 + np.cumsum(draw.choice([MINUTE, MINUTE, 2 * MINUTE, 30_000], size))
        self.value = course(draw, size)
        self.usable = np.where(draw.random(size) < 0.05, np.nan, self.value)
        self.error = draw.choice([0.0, 0.25, 0.5], 10).repeat(size // 10) if derived else None
        self.turns = draw.choice([0.0, 0.5], 10).repeat(size // 10) if derived else None
        away = np.where(draw.random(20).repeat(size // 20) < 0.3, self.value, np.nan)
        self.doubted = away if doubted else None
        self.usable = np.where(np.isnan(away), self.usable, np.nan) if doubted else self.usable
        aside = draw.choice([-1.0, 0.5, np.nan, np.nan], 20).repeat(size // 20)
        self.otherwise = self.value + aside if torn else None

    def part(self, part):
        """The readings of a block, as it has them."""
        cut = {name: its if its is None else its[part] for name, its in vars(self).items()}
        lacking = {} if self.error is None else {Quantity.TEMPERATURE: cut["error"] > 0}
        index = np.arange(cut["value"].size)
        series = Series(index, cut["time_ms"], cut["value"], cut["error"], lacking=lacking)
        return (
            replace(series, doubted=cut["doubted"], otherwise=cut["otherwise"]),
            cut["usable"],
            cut["turns"],
        )


class Plainly:
    """What the readings of a channel say of one limit, each for itself."""

    def __init__(self, rows, tolerance, noise, ramp, shift, worked):
        self.worked_ms = [
            max(rows.time_ms[: at + 1][worked[: at + 1]].tolist(), default=-1) for at in range(worked.size)
        ]
        self.rows, self.tolerance, self.noise, self.ramp, self.shift = rows, tolerance, noise, ramp, shift
        self.course, _ = trend(rows.time_ms, rows.usable, tolerance.rate_window_ms, NO_TREND)
        self.rose, _ = rose_from(self.course, rows.time_ms, tolerance, Rise())
        self.since = self.course.since_per_hour(np.array(self.worked_ms))
        self.lead_h, self.window_h = tolerance.lead_time_ms / HOUR, tolerance.rate_window_ms / HOUR

    def edges(self, limit):
        size = self.rows.value.size
        told = [self.reading(limit, at) for at in range(size)]
        beyond, inside = (np.array([row[it] for row in told]) for it in (0, 1))
        on_ms, off_ms = limit.delays_ms
        if limit.level is Level.LIKELY_CRITICAL and self.rows.doubted is not None:
            on_ms = max(on_ms, 7 * MINUTE)
        for turn in turns(beyond, inside, self.rows.time_ms, (on_ms, off_ms), Persistence())[0]:
            yield turn.index, limit.key, turn.active, turn.since_ms, self.evidence(limit, turn)

    def _known(self, name, at):
        its = getattr(self.rows, name)
        return math.nan if its is None else float(its[at])

    def reading(self, limit, at):
        """Whether one reading is beyond a limit for sure, and whether it is back inside by the deadband."""
        bound, way = self.bound(limit, at), 1.0 if limit.above else -1.0
        value, error = float(self.rows.usable[at]), max(self._known("error", at), 0.0)
        error = 0.0 if math.isnan(error) else error
        unseen = self._known("turns", at)
        unseen = 0.0 if math.isnan(unseen) else unseen
        level, rate = float(self.course.level[at]), float(self.course.rate_per_hour[at])
        deadband = limit.deadband
        if limit.basis in (Basis.VALUE, Basis.LIKELY_VALUE) and self.noise is not None:
            deadband = min(max(4.0 * self.noise, deadband), 4.0 * deadband)
        if limit.basis is Basis.RATE:
            compared = self._rate(at)
            sure = compared - way * (error / self.window_h + unseen)
        elif limit.basis is Basis.PROJECTION:
            compared = level + rate * self.lead_h
            sure = compared - way * (error + unseen * self.lead_h)
        elif limit.basis is Basis.VALUE:
            compared, sure = value, value - way * error
        else:
            compared, sure = self._likely(limit, at, value, error, way)
        beyond = way * sure > way * bound
        if beyond and limit.past is not None:
            beyond = way * level > way * limit.past or bool(self.ramp is not None and self.ramp[at])
        if beyond and limit.basis is Basis.PROJECTION:
            beyond = self._heads_out(at, level, error, way, bound)
        inside = way * compared < way * bound - deadband
        if limit.condition is Condition.FALLING and self.rose is not None:
            back = level >= self.rose[at] - self.tolerance.deadband
            beyond, inside = beyond and not back, inside or back
        return beyond, inside

    def _rate(self, at):
        """For a window after work it is the flatter of all and of what came since, if both go one way."""
        rate, since = float(self.course.sure_per_hour[at]), float(self.since[at])
        if self.rows.time_ms[at] - self.worked_ms[at] >= self.tolerance.rate_window_ms or math.isnan(rate):
            return rate
        return min(rate, since, key=abs) if rate * since > 0 else 0.0

    def _likely(self, limit, at, value, error, way):
        """A value that may be off counts as it is; what is doubted too, where it is critical."""
        if limit.level is Level.LIKELY_CRITICAL and self.rows.doubted is not None:
            doubted = float(self.rows.doubted[at])
            return value if math.isnan(doubted) else doubted, doubted
        otherwise = self._known("otherwise", at)
        milder = value if math.isnan(otherwise) else way * min(way * value, way * otherwise)
        return value, milder if error > 0 else math.nan

    def _heads_out(self, at, level, error, way, bound):
        """What is past a limit heads for it no more; both halves of the trend must lead there."""
        steady = float(self.course.steady_rate(np.array([at]))[0])
        torn = not math.isnan(self._known("otherwise", at))
        reached = level + steady * self.lead_h - way * error
        return not torn and way * level <= way * bound < way * reached

    def bound(self, limit, at):
        moves = self.shift is not None and limit.basis is Basis.VALUE
        return limit.value + (float(self.shift[at]) if moves else 0.0)

    def evidence(self, limit, turn):
        at, bound = turn.index, self.bound(limit, turn.index)
        rate, level = (known(its[at]) for its in (self.course.rate_per_hour, self.course.level))
        if limit.basis is Basis.PROJECTION:
            heads = turn.active and rate and level is not None and (bound - level) / rate >= 0
            reached_ms = int(self.rows.time_ms[at]) + round((bound - level) / rate * HOUR) if heads else None
            return level, bound, limit.origin, rate, reached_ms, turn.again
        value = rate if limit.basis is Basis.RATE else known(self.rows.usable[at])
        reason = []
        doubted = limit.level is Level.LIKELY_CRITICAL and self._known("doubted", at)
        if doubted and not math.isnan(doubted):
            return (
                doubted,
                bound,
                limit.origin,
                rate,
                None,
                "it came in a leap, and nothing else shows whether it is the water",
            )
        if (error := self._known("error", at)) > 0:
            reason.append(f"off by up to {error:.2g}, no temperature now")
        return value, bound, limit.origin, rate, None, "; ".join(filter(None, (*reason, turn.again)))


def known(value):
    return None if math.isnan(value) else float(value)


def crossing(condition, level, priority, turn, evidence):
    return Crossing(
        "k1", "", "k1/x", condition, "", level, priority, turn.active, turn.since_ms, evidence=evidence
    )


def found(draw, rows, tolerance, noise, ramp, shift, worked):
    """The edges by the arrays, in blocks of any length."""
    state, size, told = ChannelState(), rows.value.size, []
    cuts = np.cumsum(draw.integers(1, draw.choice([2, 150]), size))
    for start, stop in pairwise([0, *cuts[cuts < size].tolist(), size]):
        part = slice(start, stop)
        series, usable, unseen = rows.part(part)
        limits = [
            (
                limit,
                limit.value + shift[part]
                if shift is not None and limit.basis is Basis.VALUE
                else limit.value,
            )
            for limit in limits_of(tolerance)
        ]
        work = worked[part] if worked[part].any() else None
        bounds = Bounds(tolerance, limits, None if ramp is None else ramp[part], work)
        shown = replace(show(series, state, ANYTHING), usable=usable)
        noisy = None if noise is None else lambda: noise
        for index, its in judge_channel(shown, state, bounds, crossing, noisy, unseen).edges:
            evidence = its.evidence
            why = evidence.value, evidence.limit, evidence.limit_from, evidence.rate_per_hour
            row = its.active, its.since_ms, (*why, evidence.reached_ms, evidence.reason)
            told.append((start + index, f"{its.condition}:{its.level}", *row))
    return sorted(told, key=lambda row: row[:3])


@pytest.mark.parametrize("number", range(6))
@pytest.mark.parametrize("kind", ["measured", "derived", "doubted", "torn"])
@pytest.mark.parametrize("which", range(len(TOLERANCES)))
def test_blocks_are_judged_as_reading_by_reading_in_plain_numbers(kind, which, number, monkeypatch):
    """What is told of moves that come again is apart (`test_to_and_fro.py`)."""
    monkeypatch.setattr(channel, "told", lambda turns, *_: turns)
    draw, size, derived = np.random.default_rng([LOT, which, number]), 400, kind in ("derived", "torn")
    rows = Rows(draw, size, derived=derived, doubted=kind == "doubted", torn=kind == "torn")
    tolerance, noise = TOLERANCES[which], [None, 0.0, 0.125, 1.0][number % 4]
    ramp = draw.random(10).repeat(size // 10) < 0.3 if number % 2 else None
    shift = draw.choice([0.0, 0.5], 10).repeat(size // 10) if number % 3 == 2 else None
    worked = draw.random(20).repeat(size // 20) < 0.2
    plain = Plainly(rows, tolerance, noise, ramp, shift, worked)
    limits = [it for it in limits_of(tolerance) if it.basis is not Basis.DIFFERENCE]
    expected = sorted((row for limit in limits for row in plain.edges(limit)), key=lambda row: row[:3])
    assert found(draw, rows, tolerance, noise, ramp, shift, worked) == expected
    assert expected, "else nothing was compared"
