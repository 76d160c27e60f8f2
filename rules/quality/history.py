"""What is usual for a channel: learned from its own whole hours, in a memory that does not grow.

An hour counts once it is over, and only where every reading in it was good, none was missing and nobody was
at work; what it adds is put together by days, and a fortnight of days is kept. Values are rounded to whole
quanta, so that sums do not depend on where a block was cut. What was learned changes at midnight (UTC) only.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.quality.hour_statistics import begins
from rules.quality.settings import HOUR_MS
from rules.quantities import Quantity

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

DAY_MS: Final = 24 * HOUR_MS
FORTNIGHT: Final = 14
COUNTS_AFTER_MS: Final = 2 * DAY_MS
ENOUGH_HOURS: Final = 36
"""Before two days and so many good hours nothing that was learned counts."""
LEARNED_WITHIN: Final = 4.0
"""So many times the default, or that part of it, is as far as what was learned may go (project judgement)."""

LAST_DIGIT: Final = {
    Quantity.TEMPERATURE: 0.01,
    Quantity.CONDUCTIVITY: 0.01,
    Quantity.SALINITY: 0.01,
    Quantity.OXYGEN: 0.01,
    Quantity.OXYGEN_SATURATION: 0.1,
    Quantity.AIR_PRESSURE: 0.1,
}
"""The last digit of a usual probe, in the unit of the quantity (common practice, no source)."""

_QUANTA_IN_DIGIT: Final = 1000
_BEYOND: Final = 2**62


@dataclass(frozen=True, slots=True)
class Hour:
    """The hour under way: how many readings, the longest wait among them, and sums in quanta.

    `bad` is whether it will not count. `steps` sums up the sizes of first differences, `bends` the squares of
    second ones, `digit` is the smallest step that was none; `last` are the two newest readings.
    """

    hour: int = -1
    bad: bool = False
    count: int = 0
    wait_ms: int = 0
    newest_ms: int = 0
    steps: int = 0
    bends: int = 0
    low: int = _BEYOND
    high: int = -_BEYOND
    digit: int = _BEYOND
    last: tuple[int, ...] = ()

    def one_more(self, at_ms: int, quanta: int) -> "Hour":
        """Return the hour with one more reading."""
        step, bend = (quanta - self.last[-1] if self.last else 0), 0
        if len(self.last) == 2:
            bend = step - self.last[1] + self.last[0]
        return Hour(
            self.hour,
            self.bad,
            self.count + 1,
            max(self.wait_ms, at_ms - self.newest_ms),
            at_ms,
            self.steps + abs(step),
            self.bends + bend * bend,
            min(self.low, quanta),
            max(self.high, quanta),
            min(self.digit, abs(step) or _BEYOND),
            (*self.last[-1:], quanta),
        )


@dataclass(frozen=True, slots=True)
class Day:
    """The sums of a day's good hours, from the `first` of them on; `spans` adds up how far apart the readings
    of each hour lay."""

    day: int
    first: int
    hours: int = 0
    count: int = 0
    steps: int = 0
    bends: int = 0
    spans: int = 0
    digit: int = _BEYOND


@dataclass(frozen=True, slots=True)
class History:
    """What a channel did in the hour under way and on the days of the last fortnight."""

    now: Hour = Hour()
    days: tuple[Day, ...] = ()


@dataclass(frozen=True, slots=True)
class Learned:
    """What is usual for a channel, in its unit: step from reading to reading, noise (one standard deviation),
    last digit, how far apart the readings of an hour lie; from so many good hours since `since_ms`."""

    since_ms: int
    hours: int
    step: float
    noise: float
    digit: float
    per_hour: float

    def counts(self, at_ms: int) -> bool:
        """Return whether thresholds may rest on it at a moment."""
        return self.hours >= ENOUGH_HOURS and at_ms - self.since_ms >= COUNTS_AFTER_MS


def near_default(learned: float, default: float) -> float:
    """Return what was learned of something, as far as it may go from its default."""
    return min(max(learned, default / LEARNED_WITHIN), default * LEARNED_WITHIN)


def learn(
    past: History, at_ms: Ints, value: Floats, doubtful: NDArray[np.bool_], quantity: Quantity, wait_ms: int
) -> History:
    """Take in the next readings of a channel, in the order of their arrival at `at_ms`, all on one day (UTC).

    Shapes n, not empty. `doubtful` are those that are not to be learned from; an hour with a wait over
    `wait_ms` has gaps.
    """
    goes_on = at_ms[-1] // HOUR_MS == past.now.hour
    if goes_on and past.now.bad:
        return past
    scaled = value * (_QUANTA_IN_DIGIT / LAST_DIGIT[quantity])
    good = scaled if not np.count_nonzero(doubtful) else np.where(doubtful, 0.0, scaled)
    quanta = np.rint(good).astype(np.int64)
    if goes_on and at_ms.size == 1:
        now = (
            Hour(past.now.hour, bad=True) if doubtful[0] else past.now.one_more(int(at_ms[0]), int(quanta[0]))
        )
        return History(now, past.days)
    rows, starts = _by_hours(past.now, at_ms, quanta, doubtful)
    stops = [*starts[1:].tolist(), at_ms.size]

    def hour(place: int) -> Hour:
        number, bad, *own = rows[:, place].tolist()
        newest = quanta[max(int(starts[place]), stops[place] - 2) : stops[place]].tolist()
        return Hour(number, bad=True) if bad else Hour(*(number, False, *own, tuple(newest)))

    days, now = past.days, hour(0)
    if past.now.hour == now.hour:
        now = _together(past.now, now)
    else:
        days = _with(days, past.now, wait_ms)
    if starts.size > 1:
        days = _with(days, now, wait_ms)
        days = _with_hours(days, rows[:, 1:-1], wait_ms)
        now = hour(starts.size - 1)
    return History(now, days)


def _by_hours(now: Hour, at_ms: Ints, quanta: Ints, doubtful: NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Return the fields of `Hour` up to `digit` for a block's hours, shape (10, hours), and their starts.

    Of the hour under way, what the block adds to it.
    """
    known, (hours, starts, count) = len(now.last), begins(at_ms, HOUR_MS)
    begun = starts[1:] if now.hour == hours[0] else starts
    row = np.concatenate((np.array(now.last, dtype=np.int64), quanta))
    steps, bends = np.zeros(row.size, dtype=np.int64), np.zeros(row.size, dtype=np.int64)
    off = row[1:] - row[:-1]
    np.abs(off, out=steps[1:])
    np.subtract(off[1:], off[:-1], out=bends[2:])
    steps, bends = steps[known:], bends[known:]
    steps[begun] = bends[begun] = bends[np.minimum(begun + 1, at_ms.size - 1)] = 0  # across two hours
    waits = at_ms - np.concatenate(([now.newest_ms], at_ms[:-1]))
    waits[begun] = at_ms[begun] - hours[starts.size - begun.size :] * HOUR_MS
    rows = (
        hours,
        np.logical_or.reduceat(doubtful, starts),
        count,
        np.maximum.reduceat(waits, starts),
        at_ms[starts + count - 1],
        np.add.reduceat(steps, starts),
        np.add.reduceat(bends * bends, starts),
        np.minimum.reduceat(quanta, starts),
        np.maximum.reduceat(quanta, starts),
        np.minimum.reduceat(np.where(steps > 0, steps, _BEYOND), starts),
    )
    return np.array(rows), starts


def _together(now: Hour, more: Hour) -> Hour:
    """Return the hour under way with what a block adds to it."""
    if now.bad or more.bad:
        return Hour(now.hour, bad=True)
    return Hour(
        now.hour,
        False,
        now.count + more.count,
        max(now.wait_ms, more.wait_ms),
        more.newest_ms,
        now.steps + more.steps,
        now.bends + more.bends,
        min(now.low, more.low),
        max(now.high, more.high),
        min(now.digit, more.digit),
        (*now.last, *more.last)[-2:],
    )


def _with(days: tuple[Day, ...], over: Hour, wait_ms: int) -> tuple[Day, ...]:
    """Return the days with an hour that is over, if it is a good one."""
    wait = max(over.wait_ms, (over.hour + 1) * HOUR_MS - over.newest_ms)
    if over.bad or not over.count or wait > wait_ms:
        return days
    day = over.hour // 24
    return _added(
        days, Day(day, over.hour, 1, over.count, over.steps, over.bends, over.high - over.low, over.digit)
    )


def _with_hours(days: tuple[Day, ...], rows: Ints, wait_ms: int) -> tuple[Day, ...]:
    """Return the days with the good ones of a day's hours that are over (as `_by_hours` has them)."""
    number, bad, _, wait, newest_ms = rows[:5]
    good = (bad == 0) & (np.maximum(wait, (number + 1) * HOUR_MS - newest_ms) <= wait_ms)
    if not good.any():
        return days
    its = rows[:, good]
    first, (_, _, count, _, _, steps, bends, low, high, _) = int(its[0, 0]), its.sum(axis=1).tolist()
    digit = int(its[-1].min())
    return _added(days, Day(first // 24, first, its.shape[1], count, steps, bends, high - low, digit))


def _added(days: tuple[Day, ...], more: Day) -> tuple[Day, ...]:
    """Return the days with more of the newest, or with a new one; the oldest are dropped."""
    day = more.day
    if days and days[-1].day == day:
        was = days[-1]
        more = Day(
            day,
            was.first,
            was.hours + more.hours,
            was.count + more.count,
            was.steps + more.steps,
            was.bends + more.bends,
            was.spans + more.spans,
            min(was.digit, more.digit),
        )
    return (*(it for it in days if day - FORTNIGHT <= it.day < day), more)


def learned(history: History, at_ms: int, quantity: Quantity, wait_ms: int) -> Learned | None:
    """Return what a channel showed on the fortnight before the day of `at_ms`; None without a good hour."""
    today = at_ms // DAY_MS
    known = _with(history.days, history.now, wait_ms) if history.now.hour < today * 24 else history.days
    days = [day for day in known if today - FORTNIGHT <= day.day < today]
    if not days:
        return None
    quantum = LAST_DIGIT[quantity] / _QUANTA_IN_DIGIT
    hours, count = sum(day.hours for day in days), sum(day.count for day in days)
    digit = min(day.digit for day in days)
    return Learned(
        since_ms=days[0].first * HOUR_MS,
        hours=hours,
        step=sum(day.steps for day in days) / count * quantum,
        noise=math.sqrt(sum(day.bends for day in days) / count / 6.0) * quantum,
        digit=digit * quantum if digit < _BEYOND else LAST_DIGIT[quantity],
        per_hour=sum(day.spans for day in days) / hours * quantum,
    )
