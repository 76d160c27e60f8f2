"""What a channel did in each whole UTC hour, the memory of the tests that look back over a day; and its
readings by buckets of minutes.

A window over hours is the same wherever a block was cut, if the statistics of an hour are. Minimum
and maximum are. Sums of floating point numbers are not, so values are first rounded down to whole
numbers of quanta (2^-20 of the sensor's range, below any probe's resolution): sums of whole numbers
are exact in any order.
"""

from dataclasses import dataclass, field
from typing import Final, Self, TypeAlias

import numpy as np
import numpy.typing as npt

from rules.quality.settings import HOUR_MS, Range

Ints: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]

QUANTA: Final = 2.0**20
"""Quanta in the sensor's range: a squared sum has room for 2^23 readings in a window of int64."""


BUCKET_MS: Final = 5 * 60_000
APART: Final = 6
"""Buckets without a reading that end a stretch (half an hour); closed ones are kept twice as long."""


def all_since(moment_ms: int, size: int) -> Ints:
    """Return since when so many readings do not move, all the same (`np.full` takes three times as long)."""
    since_ms = np.empty(size, dtype=np.int64)
    since_ms.fill(moment_ms)
    return since_ms


def begins(time_ms: Ints, width_ms: int) -> tuple[Ints, Ints, Ints]:
    """Return the numbers of the hours (or what else is so wide) that times lie in, where each begins, and how
    many times are in it.

    The times are in order, and not empty. To divide each takes longer than all else that is done by hours.
    """
    first, last = int(time_ms[0]) // width_ms, int(time_ms[-1]) // width_ms
    if first == last:
        return np.array([first]), np.array([0]), np.array([time_ms.size])
    few = last - first <= time_ms.size
    numbers = np.arange(first, last + 2) if few else np.append(np.unique(time_ms // width_ms), last + 1)
    edges = time_ms.searchsorted(numbers * width_ms)
    found = numbers[:-1], edges[:-1], edges[1:] - edges[:-1]
    if np.count_nonzero(found[2]) == edges.size - 1:
        return found
    number, start, count = np.array(found)[:, found[2] > 0]
    return number, start, count


@dataclass(frozen=True, slots=True)
class HourStatistics:
    """Statistics of the usable readings of each hour in which any reading came, oldest first.

    hour: hours since 1970, shape (hours,). sums: count of readings, sum of quanta, sum of squared
    quanta, shape (3, hours). extremes: minimum and negated maximum in the quantity's unit, NaN where
    the count is 0, shape (2, hours). The last hour is still open.
    """

    hour: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    sums: Ints = field(default_factory=lambda: np.empty((3, 0), dtype=np.int64))
    extremes: Floats = field(default_factory=lambda: np.empty((2, 0), dtype=np.float64))
    before: dict[tuple[int, Range], Floats] = field(init=False, default_factory=dict, compare=False)
    """The deviations before the open hour, as they were asked for: no reading of that hour moves them."""

    @classmethod
    def of(cls, time_ms: Ints, value: Floats, sensor: Range) -> tuple[Self, Ints]:
        """Return the statistics of one or more readings (NaN: not usable), and how many are in each hour."""
        hours, starts, count = begins(time_ms, HOUR_MS)
        quanta, usable = _quanta(value, sensor)
        sums = np.empty((3, starts.size), dtype=np.int64)
        np.add.reduceat(usable, starts, dtype=np.int64, out=sums[0])
        np.add.reduceat(quanta, starts, out=sums[1])
        np.add.reduceat(quanta * quanta, starts, out=sums[2])
        extremes = np.empty((2, starts.size))
        np.fmin.reduceat(value, starts, out=extremes[0])
        np.fmax.reduceat(value, starts, out=extremes[1])
        np.negative(extremes[1], out=extremes[1])
        return cls(hours, sums, extremes), count

    def followed_by(self, later: Self) -> Self:
        """Return both in one, the hour that they may share put together."""
        kept = self.hour.size
        shared = kept > 0 and self.hour[-1] == later.hour[0]
        kept -= shared
        sums = np.concatenate((self.sums[:, :kept], later.sums), axis=1)
        extremes = np.concatenate((self.extremes[:, :kept], later.extremes), axis=1)
        if shared:
            sums[:, kept] += self.sums[:, kept]
            extremes[:, kept] = np.fmin(self.extremes[:, kept], extremes[:, kept])
        return type(self)(np.concatenate((self.hour[:kept], later.hour)), sums, extremes)

    def with_more(self, value: Floats, sensor: Range) -> Self:
        """Return the same with more readings (NaN: not usable) of the open hour."""
        sums, extremes = self.sums.copy(), self.extremes.copy()
        if value.size == 1 and not np.isnan(only := value.item()):  # the same, as plain numbers
            its = int((only - sensor.low) * (QUANTA / (sensor.high - sensor.low)))
            sums[:, -1] += (1, its, its * its)
        else:
            quanta, usable = _quanta(value, sensor)
            sums[:, -1] += (usable.sum(), quanta.sum(), (quanta * quanta).sum())
        np.fmin(extremes[:, -1], (np.fmin.reduce(value), -np.fmax.reduce(value)), out=extremes[:, -1])
        more = type(self)(self.hour, sums, extremes)
        more.before.update(self.before)
        return more

    def last_hours(self, hours: int) -> Self:
        """Return what the tests may still need: the open hour and those up to `hours` before it."""
        oldest = self.hour[-1] - hours
        if self.hour[0] >= oldest:
            return self
        start = int(self.hour.searchsorted(oldest))
        return type(self)(
            self.hour[start:].copy(), self.sums[:, start:].copy(), self.extremes[:, start:].copy()
        )

    def deviation_before(self, hours: int, first: int, sensor: Range) -> Floats:
        """Return, for each hour from index `first` on, the standard deviation over the `hours` before it.

        In the quantity's unit, of the population. NaN where fewer than half of those hours hold a
        usable reading: the window of the manuals is then not covered.
        """
        of_open_hour = first == self.hour.size - 1
        if of_open_hour and (hours, sensor) in self.before:
            return self.before[hours, sensor]
        start = self.hour.searchsorted(self.hour[first:] - hours)
        until = np.zeros((4, self.hour.size), dtype=np.int64)  # the sums of all hours before each hour
        np.cumsum(self.sums[:, :-1], axis=1, out=until[:3, 1:])
        np.cumsum(self.sums[0, :-1] > 0, out=until[3, 1:])
        count, total, squares, present = until[:, first:] - until[:, start]
        covered = 2 * present >= hours
        n = np.where(covered, count, 1)
        mean = total / n
        variance = np.maximum(squares / n - mean * mean, 0.0)
        quantum = (sensor.high - sensor.low) / QUANTA
        found = np.where(covered, np.sqrt(variance) * quantum, np.nan)
        if of_open_hour:
            self.before[hours, sensor] = found
        return found

    def span_before(self, hours: int, first: int) -> Floats:
        """Return, for each hour from index `first` on, maximum minus minimum over the `hours` before it.

        NaN unless every one of those hours holds a usable reading: fewer readings vary less, which
        is no fault of the probe.
        """
        spans = np.full(self.hour.size - first, np.nan)
        begin = max(first, hours)
        size = self.hour.size - begin
        if size > 0:
            lowest = self.extremes[:, begin - hours : begin - hours + size].copy()
            for back in range(1, hours):
                np.minimum(lowest, self.extremes[:, begin - back : begin - back + size], out=lowest)
            whole = self.hour[begin - hours : begin - hours + size] == self.hour[begin:] - hours
            spans[begin - first :] = np.where(whole, -lowest[1] - lowest[0], np.nan)
        return spans


def _quanta(value: Floats, sensor: Range) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """Return whole quanta above the sensor's lower limit, 0 where not usable, and which are usable."""
    scaled = value - sensor.low
    scaled *= QUANTA / (sensor.high - sensor.low)
    usable = ~np.isnan(scaled)
    np.copyto(scaled, 0.0, where=~usable)
    return scaled.astype(np.int64), usable


def _extremes(value: Floats, starts: Ints) -> tuple[Floats, Floats]:
    return np.minimum.reduceat(value, starts), np.maximum.reduceat(value, starts)


@dataclass(frozen=True, slots=True)
class Buckets:
    """A source's readings by buckets, oldest first, the last one still open.

    `when` has each bucket's number, how many readings it holds, and when the first and the last arrived,
    shape (4, buckets); `extremes` its lowest and highest reading, and the same where it can bear witness,
    shape (4, buckets).
    """

    when: Ints = field(default_factory=lambda: np.empty((4, 0), dtype=np.int64))
    extremes: Floats = field(default_factory=lambda: np.empty((4, 0)))

    @property
    def size(self) -> int:
        """How many buckets there are."""
        return int(self.when.shape[1])

    def followed_by(self, at_ms: Ints, value: Floats, witness: Floats | None = None) -> tuple[Self, Ints]:
        """Return the buckets with more readings (shapes n, not empty), and which one each of them is in.

        `witness` is `value`, NaN where that is nothing to hold another probe against (None: nowhere).
        """
        numbers, starts, count = begins(at_ms, BUCKET_MS)
        if starts.size == 1 and self.size and self.when[0, -1] == numbers[0]:
            when, extremes = self.when.copy(), self.extremes.copy()
            when[1, -1] += at_ms.size
            when[3, -1] = at_ms[-1]
            its = value if witness is None else witness
            extremes[::2, -1] = np.minimum(extremes[::2, -1], (value.min(), its.min()))
            extremes[1::2, -1] = np.maximum(extremes[1::2, -1], (value.max(), its.max()))
            return type(self)(when, extremes), np.full(at_ms.size, self.size - 1)
        when = np.array((numbers, count, at_ms[starts], at_ms[starts + count - 1]))
        own = _extremes(value, starts)
        extremes = np.array((*own, *(own if witness is None else _extremes(witness, starts))))
        kept = self.size
        if kept and self.when[0, -1] == numbers[0]:
            kept -= 1
            when[1, 0] += self.when[1, -1]
            when[2, 0] = self.when[2, -1]
            extremes[::2, 0] = np.minimum(extremes[::2, 0], self.extremes[::2, -1])
            extremes[1::2, 0] = np.maximum(extremes[1::2, 0], self.extremes[1::2, -1])
        joined = (
            np.concatenate((self.when[:, :kept], when), axis=1),
            np.concatenate((self.extremes[:, :kept], extremes), axis=1),
        )
        return type(self)(*joined), kept + np.repeat(np.arange(starts.size), count)

    def newest(self) -> Self:
        """Return those that may still be asked for: the oldest with the one before it."""
        start = int(self.when[0].searchsorted(self.when[0, -1] - 2 * APART))
        if not start:
            return self
        return type(self)(self.when[:, start:].copy(), self.extremes[:, start:].copy())

    def extremes_in(self, numbers: Ints) -> Floats:
        """Return the lowest and highest reading of each of n buckets, shape (2, n); NaN for no witness.

        A reading that is alone in its bucket may be a spike, and counts with the bucket before.
        """
        if not self.size:
            return np.full((2, numbers.size), np.nan)
        at = np.minimum(self.when[0].searchsorted(numbers), self.size - 1)
        found: Floats = self.extremes[2:].take(at, axis=1)
        there, alone = self.when[0].take(at) == numbers, self.when[1].take(at) == 1
        if np.count_nonzero(there) < there.size:
            found[:, ~there] = np.nan
        if np.count_nonzero(alone):
            before = np.maximum(at - 1, 0)
            low, high = self.extremes[2:, before]
            together = np.minimum(found[0], low), np.maximum(found[1], high)
            follows = (at > 0) & (self.when[0, before] >= numbers - APART)
            found = np.where(alone, np.where(follows, together, np.nan), found)
        return found
