"""How fast a quantity moves, over a window, without being fooled by a single outlier.

Each reading is replaced by the median of itself and the two before it; the rate is the slope
between the newest such median and the oldest one inside the window. A straight line keeps its
slope exactly and one outlier among three readings changes nothing. (The running median as a
smoother that resists outliers: Tukey, Exploratory Data Analysis, 1977, chapter 7.)
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

MS_PER_HOUR = 3_600_000.0
SHORTEST_SPAN = 0.5
"""A rate needs readings over at least this share of the window (project judgement)."""

_MEDIAN_OF = 3


@dataclass(frozen=True, slots=True)
class TrendState:
    """The good readings that the next rates still look at."""

    time_ms: tuple[int, ...] = ()
    value: tuple[float, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values for the snapshot."""
        return {"time_ms": list(self.time_ms), "value": list(self.value)}


def trend_state_from_json(data: dict[str, Any]) -> TrendState:
    """Return the state that `TrendState.to_json` wrote down."""
    return TrendState(tuple(data["time_ms"]), tuple(data["value"]))


def rates_per_hour(
    time_ms: NDArray[np.int64], value: NDArray[np.float64], window_ms: int, state: TrendState
) -> tuple[NDArray[np.float64], TrendState]:
    """Return the rate of change at each reading, in units per hour, and the state to carry on with.

    Shapes n; `value` is NaN where a reading must not be used, and the rate is NaN there and
    wherever the readings before span less than half the window.
    """
    rates = np.full(value.size, np.nan)
    good = np.flatnonzero(~np.isnan(value))
    times = np.concatenate([np.array(state.time_ms, dtype=np.int64), time_ms[good]])
    values = np.concatenate([np.array(state.value, dtype=np.float64), value[good]])
    if times.size >= _MEDIAN_OF:
        rates[good] = _median_slopes(times, values, window_ms)[times.size - good.size :]
    return rates, _tail(times, values, window_ms)


def _median_slopes(
    time_ms: NDArray[np.int64], value: NDArray[np.float64], window_ms: int
) -> NDArray[np.float64]:
    """Return the slopes per hour at each reading; the first two have none (NaN)."""
    before, middle, newest = value[:-2], value[1:-1], value[2:]
    median = np.maximum(np.minimum(before, middle), np.minimum(np.maximum(before, middle), newest))
    centre_ms = time_ms[1:-1]
    oldest = np.searchsorted(centre_ms, centre_ms - window_ms)
    span_ms = centre_ms - centre_ms[oldest]
    slopes = np.full(value.size, np.nan)
    enough = np.flatnonzero(span_ms >= SHORTEST_SPAN * window_ms)
    change = median[enough] - median[oldest[enough]]
    slopes[enough + 2] = change / span_ms[enough] * MS_PER_HOUR
    return slopes


def _tail(time_ms: NDArray[np.int64], value: NDArray[np.float64], window_ms: int) -> TrendState:
    """Keep what a later median inside the window can still use, whatever comes next."""
    if time_ms.size == 0:
        return TrendState()
    centre_ms = time_ms[-2] if time_ms.size > 1 else time_ms[-1]
    first = max(0, int(np.searchsorted(time_ms, centre_ms - window_ms)) - 1)
    return TrendState(tuple(time_ms[first:].tolist()), tuple(value[first:].tolist()))
