"""How fast a quantity moves, over a window, without being fooled by a single outlier.

Each reading is replaced by the median of itself and the two before it; the rate is the slope
between the newest such median and the oldest one inside the window. A straight line keeps its
slope exactly and one outlier among three readings changes nothing. (The running median as a
smoother that resists outliers: Tukey, Exploratory Data Analysis, 1977, chapter 7.)

How sure a trend is shows in its two halves: the slopes of the older and the newer half of the
window bracket it. The flatter of the two, `steady_rate`, is what a forecast may count on: nought
where the halves disagree about the direction, small where a change is already levelling off.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MS_PER_HOUR = 3_600_000.0
SHORTEST_SPAN = 0.5
"""A rate needs readings over at least this share of the window (project judgement)."""

_MEDIAN_OF = 3


@dataclass(frozen=True, slots=True)
class TrendState:
    """The good readings that the next rates still look at."""

    time_ms: tuple[int, ...] = ()
    value: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Trend:
    """The trend at each of n readings: `level` (the median) and `rate_per_hour`, NaN where unknown.

    The other fields are the medians of the window and before, and where each reading stands in them.
    """

    level: Array
    rate_per_hour: Array
    centre_ms: NDArray[np.int64]
    median: Array
    oldest: NDArray[np.intp]
    place: NDArray[np.intp]

    def steady_rate(self, index: NDArray[np.intp]) -> Array:
        """Return the flatter of the slopes of both halves of the window at readings `index` (shape m)."""
        newest = self.place[index]
        oldest = self.oldest[newest]
        centre, median = self.centre_ms, self.median
        middle = np.searchsorted(centre, centre[oldest] + (centre[newest] - centre[oldest]) // 2)
        older = _slope(centre, median, oldest, middle)
        newer = _slope(centre, median, middle, newest)
        flatter = np.where(np.abs(older) < np.abs(newer), older, newer)
        return np.where(older * newer > 0, flatter, 0.0)


def trend(
    time_ms: NDArray[np.int64], value: Array, window_ms: int, state: TrendState
) -> tuple[Trend, TrendState]:
    """Return the trend at each reading, and the state to carry on with.

    Shapes n; `value` is NaN where a reading must not be used, and so is the trend there, and
    wherever the readings before span less than half the window.
    """
    good = np.flatnonzero(~np.isnan(value))
    times = np.concatenate([np.array(state.time_ms, dtype=np.int64), time_ms[good]])
    values = np.concatenate([np.array(state.value, dtype=np.float64), value[good]])
    before, middle, newest = values[:-2], values[1:-1], values[2:]
    median = np.maximum(np.minimum(before, middle), np.minimum(np.maximum(before, middle), newest))
    centre_ms = times[1:-1]
    oldest = np.searchsorted(centre_ms, centre_ms - window_ms)
    enough = np.flatnonzero(centre_ms - centre_ms[oldest] >= SHORTEST_SPAN * window_ms)
    place = np.full(value.size, -1, dtype=np.intp)
    place[good] = np.arange(times.size - good.size, times.size) - (_MEDIAN_OF - 1)
    known = np.flatnonzero(place >= 0)
    level = np.full(value.size, np.nan)
    level[known] = median[place[known]]
    rates = np.full(median.size, np.nan)
    rates[enough] = _slope(centre_ms, median, oldest[enough], enough)
    rate = np.full(value.size, np.nan)
    rate[known] = rates[place[known]]
    return Trend(level, rate, centre_ms, median, oldest, place), _tail(times, values, window_ms)


def _slope(
    time_ms: NDArray[np.int64], value: Array, start: NDArray[np.intp], stop: NDArray[np.intp]
) -> Array:
    """Return the slopes per hour between readings `start` and `stop`; 0 where they are the same."""
    span_ms = np.maximum(time_ms[stop] - time_ms[start], 1)
    slope: Array = (value[stop] - value[start]) / span_ms * MS_PER_HOUR
    return slope


def _tail(time_ms: NDArray[np.int64], value: Array, window_ms: int) -> TrendState:
    """Keep what a later median inside the window can still use, whatever comes next."""
    if time_ms.size == 0:
        return TrendState()
    centre_ms = time_ms[-2] if time_ms.size > 1 else time_ms[-1]
    first = max(0, int(np.searchsorted(time_ms, centre_ms - window_ms)) - 1)
    return TrendState(tuple(time_ms[first:].tolist()), tuple(value[first:].tolist()))
