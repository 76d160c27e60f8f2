"""How fast a quantity moves, over a whole window, without being fooled by an outlier or a thermostat.

Each reading is replaced by the median of itself and the two before it, so that one outlier among three
changes nothing (the running median as a smoother: Tukey, Exploratory Data Analysis, 1977, chapter 7). The
rate is the slope of the straight line of least squares through all medians of the window. A straight line
keeps its slope. A thermostat's saw-tooth goes up and down within the window and hardly tilts the line,
while the slope between the window's ends would swing with it.

The sums of a window are differences of running sums. Those are of whole numbers and hence exact: where
they began, at which cut, leaves no trace in any digit.

How sure a trend is shows in its two halves: the slopes of the older and the newer half of the
window bracket it. The flatter of the two, `steady_rate`, is what a forecast may count on: nought
where the halves disagree about the direction, small where a change is already levelling off.
"""

from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from math import isnan

import numpy as np
from numpy.typing import NDArray

from rules.rack.tolerance import Tolerance

Array = NDArray[np.float64]
Times = NDArray[np.int64]

MS_PER_HOUR = 3_600_000.0
SHORTEST_SPAN = 0.5
"""A rate needs readings over at least this share of the window (project judgement)."""

NEWEST = 4
"""A rate of the newest part is taken over one part in so many of the window (project judgement)."""

RISES_FAST = 0.8
RETURNS_WITHIN_MS = 5_400_000
"""What rises nearly as fast as it must not fall may fall back to where it came from for so long: a probe was
out of the water, or air went in (project judgement)."""

LEAPS, LEAPS_WITHIN_MS = 0.7, 120_000
"""Water that is poured in takes longer to mix than to be read twice: a move of which so much is one step, of
readings no further apart, is none of it (project judgement)."""

STEEPEST = 1.5
"""So many times as steep as its height within a window is the line of least squares through a step in the
middle of it."""

_FEW = 64
"""Of so few it costs more to look whether they follow each other than it may save."""

_STEPS = 2**18
"""Into so many steps a window is divided, and so is a unit of the quantity: sums over a window stay below
2^63 for any range of a probe and 100 000 readings, which is one a second for a day."""


@dataclass(frozen=True, slots=True)
class TrendState:
    """The good readings that the next rates still look at."""

    time_ms: Times = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    value: Array = field(default_factory=lambda: np.empty(0))


NO_TREND = TrendState()


@dataclass(frozen=True, slots=True)
class Rise:
    """The level that a value rose from fast, and when it last did."""

    level: float = np.nan
    time_ms: int = -1


@dataclass(frozen=True)
class Trend:
    """The trend at each of n readings: `level` (the median) and `rate_per_hour`, NaN where unknown.

    `filled` is the share of the window that its readings span. The other fields are the medians of the window
    and before, and where in them the window of each reading begins and its own stands (-1: nowhere).
    """

    level: Array
    rate_per_hour: Array
    filled: Array
    medians: "_Medians"
    oldest: NDArray[np.intp]
    place: NDArray[np.intp]

    @cached_property
    def sure_per_hour(self) -> Array:
        """Return the rates that count against a limit: less while the window is not full.

        Of a thermostat's swing half a window shows one flank, of a slope no less than what is steep.
        """
        return self.rate_per_hour * self.filled**2

    @cached_property
    def newest_per_hour(self) -> Array:
        """Return the rates of the newest part of the window; of the whole where that says too little."""
        known = (self.place >= 0).nonzero()[0]
        newest, steps = self.place[known], self.medians.steps
        begins = _first_from(steps, steps[newest] - _STEPS // NEWEST)
        rate = self.rate_per_hour.copy()
        slope = self.medians.slope(np.maximum(begins, self.oldest[known]), newest)
        enough = (newest - begins >= NEWEST) & (steps[newest] - steps[begins] > _STEPS // (2 * NEWEST))
        rate[known] = np.where(enough, slope, rate[known])
        return rate

    def since_per_hour(self, since_ms: Times) -> Array:
        """Return the rates of what of each window came after moments (shape n); 0 where it is too little."""
        known = (self.place >= 0).nonzero()[0]
        newest, steps = self.place[known], self.medians.steps
        begins = np.minimum(np.maximum(self.medians.after(since_ms[known]), self.oldest[known]), newest)
        rate = np.zeros(since_ms.size)
        enough = (newest - begins >= NEWEST) & (steps[newest] - steps[begins] > _STEPS // (2 * NEWEST))
        rate[known] = np.where(enough, self.medians.slope(begins, newest), 0.0)
        return rate

    @cached_property
    def swift_per_hour(self) -> Array:
        """Return the greater of the rates of the whole window and its newest part, without a sign."""
        return np.fmax(np.abs(self.rate_per_hour), np.abs(self.newest_per_hour))

    def lowest(self, index: int) -> float:
        """Return the lowest median of the window at a reading."""
        return self.medians.lowest(int(self.oldest[index]), int(self.place[index]))

    def leap(self, index: int, way: float, sure_ms: Times) -> tuple[float, float] | None:
        """Return the level before and after the leap that most of a window's move is (times `way`: 1 or -1).

        It goes from one reading to the next; None where it is none, or not all is sure since `sure_ms`.
        """
        newest = int(self.place[index])
        found = self.medians.leap(int(self.oldest[index]), newest) if newest >= 0 else None
        return (way * found[1], way * found[2]) if found and found[0] > sure_ms[index] else None

    def steady_rate(self, index: NDArray[np.intp]) -> Array:
        """Return the flatter of the slopes of both halves of the window at readings `index` (shape m)."""
        newest, oldest = self.place[index], self.oldest[index]
        steps = self.medians.steps
        middle = steps.searchsorted(steps[oldest] + (steps[newest] - steps[oldest]) // 2)
        older, newer = self.medians.slope(oldest, middle), self.medians.slope(middle, newest)
        flatter = np.where(np.abs(older) < np.abs(newer), older, newer)
        return np.where(older * newer > 0, flatter, 0.0)


def rose_from(course: Trend, time_ms: Times, tolerance: Tolerance, past: Rise) -> tuple[Array | None, Rise]:
    """Return at each reading the level that a value lately rose from fast, and what to carry.

    NaN where it did not, or from below its band: that was no good place to be. None where a rise is limited
    too, so that there is no harmless one.
    """
    if tolerance.max_fall_per_hour is None or tolerance.max_rise_per_hour is not None:
        return None, past
    least = -np.inf if tolerance.advisory.low is None else tolerance.advisory.low
    rising = (course.sure_per_hour > RISES_FAST * tolerance.max_fall_per_hour).nonzero()[0]
    if not rising.size and isnan(past.level):
        return np.full(time_ms.size, np.nan), past
    lows = [course.lowest(at) for at in rising.tolist()]
    levels = np.array([past.level, *(low if low >= least else np.nan for low in lows)])
    times_ms = np.concatenate(([past.time_ms], time_ms[rising]))
    newest = rising.searchsorted(np.arange(time_ms.size), side="right")
    found = np.where(time_ms - times_ms[newest] <= RETURNS_WITHIN_MS, levels[newest], np.nan)
    return found, Rise(float(levels[-1]), int(times_ms[-1]))


class _Medians:
    """Medians (shape n) in whole numbers, their times in `steps`, and the running sums that give slopes."""

    def __init__(self, centre_ms: Times, median: Array, window_ms: int) -> None:
        self._time_ms, self.steps = centre_ms, centre_ms * _STEPS // window_ms
        self._value = np.rint(median * _STEPS).astype(np.int64)
        self._per_hour = MS_PER_HOUR / window_ms
        products = (self.steps, self._value, self.steps * self.steps, self.steps * self._value)
        self._sums = np.zeros((4, median.size + 1), dtype=np.int64)
        np.add.accumulate(products, axis=1, out=self._sums[:, 1:])

    def after(self, time_ms: Times) -> NDArray[np.intp]:
        """Return which medians are the first after moments."""
        return self._time_ms.searchsorted(time_ms, side="right")

    def lowest(self, start: int, stop: int) -> float:
        """Return the lowest of the medians `start` to `stop`."""
        return float(self._value[start : stop + 1].min()) / _STEPS

    def leap(self, start: int, stop: int) -> tuple[int, float, float] | None:
        """Return when medians `start` to `stop` leap by most of their span, from where to where, if so."""
        row = self._value[start : stop + 1]
        if row.size < 2:
            return None
        at = int(np.argmax(np.abs(np.diff(row))))
        before, after = float(row[at]) / _STEPS, float(row[at + 1]) / _STEPS
        times_ms = self._time_ms[start + at : start + at + 2]
        sudden = times_ms[1] - times_ms[0] <= LEAPS_WITHIN_MS
        most = abs(after - before) >= LEAPS * float(np.ptp(row)) / _STEPS
        return (int(times_ms[0]), before, after) if sudden and most else None

    def slope(self, start: NDArray[np.intp], stop: NDArray[np.intp]) -> Array:
        """Return the slopes per hour of the lines through medians `start` to `stop`; 0 through only one.

        Sums wrap round beyond 64 bits and their differences come back, as long as the window's own fit.
        """
        places, count = _run(stop), stop - start + 1
        steps, value = self.steps[places], self._value[places]
        moments = _taken(self._sums[:, 1:], places) - _taken(self._sums, _run(start))
        time, level, square, product = moments
        product -= value * time
        square -= steps * time
        time -= count * steps  # from the newest of the window on
        level -= count * value
        square -= steps * time
        product -= steps * level
        time, level, square, product = moments.astype(np.float64)
        mean = time / count
        product -= mean * level
        square -= mean * time
        product /= np.maximum(square, 1.0, out=square)
        slope: Array = product * self._per_hour
        return slope


def trend(time_ms: Times, value: Array, window_ms: int, state: TrendState) -> tuple[Trend, TrendState]:
    """Return the trend at each reading, and the state to carry on with.

    Shapes n; `value` is NaN where a reading must not be used, and so is the trend there, and
    wherever the readings before span less than half the window.
    """
    good = (~np.isnan(value)).nonzero()[0]
    times, values = np.concatenate((state.time_ms, time_ms[good])), np.concatenate((state.value, value[good]))
    before, middle, newest = values[:-2], values[1:-1], values[2:]
    median = np.maximum(np.minimum(before, middle), np.minimum(np.maximum(before, middle), newest))
    centre_ms, medians = times[1:-1], _Medians(times[1:-1], median, window_ms)
    count = min(good.size, median.size)  # each reading has a median but for the first two of all
    stop, known = np.arange(median.size - count, median.size), good[good.size - count :]
    newest_ms, level = centre_ms[median.size - count :], median[median.size - count :]
    start = _first_from(centre_ms, newest_ms - window_ms)
    span = (newest_ms - centre_ms[start]) / window_ms
    rate = np.where(span >= SHORTEST_SPAN, medians.slope(start, stop), np.nan)
    if count < value.size:
        found, places = np.full((3, value.size), np.nan), np.full((2, value.size), -1, dtype=np.intp)
        found[:, known], places[:, known] = (level, rate, span), (start, stop)
        (level, rate, span), (start, stop) = found, places
    return Trend(level, rate, span, medians, start, stop), _tail(times, values, window_ms)


def _first_from(times: Times, least: Times) -> NDArray[np.intp]:
    """Return `times.searchsorted(least)`: seen at a glance where many windows hold equally many."""
    if least.size > _FEW:
        begin = int(times.searchsorted(least[0]))
        here = times[begin : begin + least.size]
        if here.size == least.size and (here >= least).all() and (here[:-1] < least[1:]).all():
            return np.arange(begin, begin + least.size)
    return times.searchsorted(least)


def _run(places: NDArray[np.intp]) -> slice | NDArray[np.intp]:
    """Return many places as a slice where they follow each other: what stands there is not copied then."""
    if places.size > _FEW and (places[1:] - places[:-1] == 1).all():
        return slice(int(places[0]), int(places[-1]) + 1)
    return places


def _taken(rows: Times, places: slice | NDArray[np.intp]) -> Times:
    """Return what stands at places of each row; `take` is quicker there than an index."""
    return rows[:, places] if isinstance(places, slice) else rows.take(places, axis=1)


def _tail(time_ms: Times, value: Array, window_ms: int) -> TrendState:
    """Keep what a later median inside the window can still use, whatever comes next."""
    if time_ms.size == 0:
        return TrendState()
    centre_ms = time_ms[-2] if time_ms.size > 1 else time_ms[-1]
    first = max(0, int(time_ms.searchsorted(centre_ms - window_ms)) - 1)
    return TrendState(time_ms[first:].copy(), value[first:].copy())


def stretches(
    size: int, dry: NDArray[np.bool_] | None, elsewhere: NDArray[np.int64] | None, before: tuple[bool, int]
) -> tuple[list[tuple[slice, bool | None]], tuple[bool, int]]:
    """Return the stretches of a block at whose beginnings a trend begins anew, and what to carry on with.

    Each says whether it begins with a return into the water; None where it only goes on from before.
    A value made of what another vessel or another day knows steps when it begins and ends. `before` is
    whether the last reading before was `dry`, and its `elsewhere`.
    """
    if dry is None and elsewhere is None and not any(before):
        return [(slice(0, size), None)], before
    none = np.zeros(size, dtype=np.bool_)
    dry = none if dry is None else dry
    elsewhere = none.astype(np.int64) if elsewhere is None else elsewhere
    returns = np.concatenate([[before[0]], dry[:-1]]) & ~dry
    steps = np.concatenate([[before[1]], elsewhere[:-1]]) != elsewhere
    anew = (returns | steps).nonzero()[0].tolist()
    starts = anew if anew[:1] == [0] else [0, *anew]
    found = [
        (slice(start, stop), bool(returns[start]) if start in anew else None)
        for start, stop in pairwise([*starts, size])
    ]
    return found, (bool(dry[-1]), int(elsewhere[-1]))
