"""What a channel did in each whole UTC hour: the memory of the tests that look back over a day.

A window over hours is the same wherever a block was cut, if the statistics of an hour are. Minimum
and maximum are. Sums of floating point numbers are not, so values are first rounded to whole
numbers of quanta (2^-20 of the sensor's range, below any probe's resolution): sums of whole numbers
are exact in any order.
"""

from dataclasses import dataclass, field
from typing import Any, Final, Self, TypeAlias

import numpy as np
import numpy.typing as npt

from rules.quality_settings import HOUR_MS, Range

Ints: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]

QUANTA: Final = 2.0**20
"""Quanta in the sensor's range: a squared sum has room for 2^23 readings in a window of int64."""


def _no_ints() -> Ints:
    return np.empty(0, dtype=np.int64)


def _no_floats() -> Floats:
    return np.empty(0, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class HourStatistics:
    """Statistics of the usable readings of each hour in which any reading came, oldest first, shape (hours,).

    hour: hours since 1970; count; total and squares: sums of quanta and of their squares;
    low and high: extremes in the quantity's unit, NaN where count is 0. The last hour is still open.
    """

    hour: Ints = field(default_factory=_no_ints)
    count: Ints = field(default_factory=_no_ints)
    total: Ints = field(default_factory=_no_ints)
    squares: Ints = field(default_factory=_no_ints)
    low: Floats = field(default_factory=_no_floats)
    high: Floats = field(default_factory=_no_floats)

    @classmethod
    def of(cls, time_ms: Ints, value: Floats, sensor: Range) -> tuple[Self, Ints]:
        """Return the statistics of one or more readings (NaN: not usable), and where each hour begins."""
        hours = time_ms // HOUR_MS
        starts = np.concatenate(([0], np.flatnonzero(hours[1:] != hours[:-1]) + 1))
        quanta, usable = _quanta(value, sensor)
        return cls(
            hour=hours[starts],
            count=np.add.reduceat(usable, starts, dtype=np.int64),
            total=np.add.reduceat(quanta, starts),
            squares=np.add.reduceat(quanta * quanta, starts),
            low=np.fmin.reduceat(value, starts),
            high=np.fmax.reduceat(value, starts),
        ), starts

    def followed_by(self, later: Self) -> Self:
        """Return both in one, the hour that they may share put together."""
        shared = 1 if self.hour.size and self.hour[-1] == later.hour[0] else 0
        kept = self.hour.size - shared
        joined = type(self)(*(np.concatenate((own[:kept], new)) for own, new in self._beside(later)))
        if shared:
            for name in ("count", "total", "squares"):
                getattr(joined, name)[kept] += getattr(self, name)[-1]
            joined.low[kept] = np.fmin(self.low[-1], later.low[0])
            joined.high[kept] = np.fmax(self.high[-1], later.high[0])
        return joined

    def _beside(self, later: Self) -> list[tuple[npt.NDArray[Any], npt.NDArray[Any]]]:
        return [(getattr(self, name), getattr(later, name)) for name in self.__slots__]

    def last_hours(self, hours: int) -> Self:
        """Return what the tests may still need: the open hour and those up to `hours` before it."""
        start = int(np.searchsorted(self.hour, self.hour[-1] - hours)) if self.hour.size else 0
        return type(self)(*(getattr(self, name)[start:].copy() for name in self.__slots__))

    def deviation_before(self, hours: int, first: int, sensor: Range) -> Floats:
        """Return, for each hour from index `first` on, the standard deviation over the `hours` before it.

        In the quantity's unit, of the population. NaN where fewer than half of those hours hold a
        usable reading: the window of the manuals is then not covered.
        """
        stop = np.arange(first, self.hour.size)
        start = np.searchsorted(self.hour, self.hour[first:] - hours)
        count, total, squares, present = (
            _between(start, stop, column)
            for column in (self.count, self.total, self.squares, (self.count > 0).astype(np.int64))
        )
        covered = 2 * present >= hours
        n = np.where(covered, count, 1).astype(np.float64)
        mean = total / n
        variance = np.maximum(squares / n - mean * mean, 0.0)
        quantum = (sensor.high - sensor.low) / QUANTA
        return np.where(covered, np.sqrt(variance) * quantum, np.nan)

    def span_before(self, hours: int, first: int) -> Floats:
        """Return, for each hour from index `first` on, maximum minus minimum over the `hours` before it.

        NaN unless every one of those hours holds a usable reading: fewer readings vary less, which
        is no fault of the probe.
        """
        spans = np.full(self.hour.size - first, np.nan)
        stop = np.arange(max(first, hours), self.hour.size)
        stop = stop[self.hour[stop - hours] == self.hour[stop] - hours]
        if stop.size:
            windows = stop[:, None] - np.arange(1, hours + 1)
            spans[stop - first] = self.high[windows].max(axis=1) - self.low[windows].min(axis=1)
        return spans

    def to_json(self) -> dict[str, Any]:
        """Return lists of plain numbers; None stands for NaN."""
        columns: dict[str, Any] = {name: getattr(self, name).tolist() for name in self.__slots__}
        for name in ("low", "high"):
            columns[name] = [None if np.isnan(value) else value for value in columns[name]]
        return columns

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> Self:
        """Return the statistics that `to_json` wrote."""
        columns: dict[str, Any] = {
            name: np.array(column, dtype=np.float64 if name in ("low", "high") else np.int64)
            for name, column in document.items()
        }
        return cls(**columns)


def _quanta(value: Floats, sensor: Range) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """Return whole quanta above the sensor's lower limit, 0 where not usable, and which are usable."""
    scaled = value - sensor.low
    scaled *= QUANTA / (sensor.high - sensor.low)
    usable = ~np.isnan(scaled)
    np.rint(scaled, out=scaled)
    np.copyto(scaled, 0.0, where=~usable)
    return scaled.astype(np.int64), usable


def _between(start: Ints, stop: Ints, column: Ints) -> Ints:
    sums = np.concatenate(([0], np.cumsum(column)))
    return sums[stop] - sums[start]
