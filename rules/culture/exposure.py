"""The water as a batch of animals had it, through its moves: sums over the time that it spent in each vessel.

A value holds until the next one, for as long at most as the stage may go unwatched; after that nothing is
known, and the time counts as unwatched.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.culture.cohorts import Cohort

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """The usable values of a channel, shape n, each for how long it held, and the bands in force then.

    `bands` has shape (4, n): advisory low and high, critical low and high; infinite where there is none.
    """

    time_ms: Ints
    held_ms: Ints
    value: Floats
    bands: Floats


@dataclass(frozen=True, slots=True)
class Exposure:
    """Sums over a time; values in the channel's unit, NaN where nothing is known.

    `unit_days` is the integral of the value (degree-days above 0 °C), `deficit` that of what was missing to
    the advisory low, in units times hours; `worst_per_hour` is the greatest step between the means of
    neighbouring hours of one vessel.
    """

    known_ms: int = 0
    unwatched_ms: int = 0
    lowest: float = math.nan
    highest: float = math.nan
    middle: float = math.nan
    unit_days: float = 0.0
    advisory_ms: int = 0
    critical_ms: int = 0
    deficit: float = 0.0
    worst_per_hour: float = 0.0

    @property
    def mean(self) -> float:
        """Return the mean over the time that is known."""
        return self.unit_days * DAY_MS / self.known_ms if self.known_ms else math.nan


def exposure(parts: Sequence[tuple[Series | None, int, int]]) -> Exposure:
    """Return what there was in from_ms <= t < to_ms of each part; of no series nothing is known."""
    spent_ms = sum(to_ms - from_ms for _, from_ms, to_ms in parts)
    seen = [(series, begun_ms, end_ms) for series, begun_ms, end_ms in parts if series is not None]
    known = [found for part in seen if (found := _held(*part))[0].size]
    if not known:
        return Exposure(unwatched_ms=spent_ms)
    lasted, value, bands = (np.concatenate(column, axis=-1) for column in zip(*known, strict=True))
    outside, harmful = ((value < bands[low]) | (value > bands[low + 1]) for low in (0, 2))
    missing = np.where(np.isfinite(bands[0]), np.maximum(bands[0] - value, 0.0), 0.0)
    known_ms = int(lasted.sum())
    return Exposure(
        known_ms,
        spent_ms - known_ms,
        float(value.min()),
        float(value.max()),
        float(np.median(value)),
        float((value * lasted).sum() / DAY_MS),
        int(lasted[outside].sum()),
        int(lasted[harmful].sum()),
        float((missing * lasted).sum() / HOUR_MS),
        max(_worst_step(*part) for part in seen),
    )


def _held(series: Series, from_ms: int, to_ms: int) -> tuple[Ints, Floats, Floats]:
    """Return the values that held within a time, shape n: for how long, the value, and the bands."""
    first, stop = np.searchsorted(series.time_ms, [from_ms, to_ms])
    part = slice(max(int(first) - 1, 0), int(stop))
    times = series.time_ms[part]
    lasted = np.minimum(times + series.held_ms[part], to_ms) - np.maximum(times, from_ms)
    here = lasted > 0
    return lasted[here], series.value[part][here], series.bands[:, part][:, here]


def _worst_step(series: Series, from_ms: int, to_ms: int) -> float:
    part = slice(*map(int, np.searchsorted(series.time_ms, [from_ms, to_ms])))
    hours, place = np.unique(series.time_ms[part] // HOUR_MS, return_inverse=True)
    means = np.bincount(place, series.value[part]) / np.bincount(place)
    return float(np.abs(np.diff(means))[np.diff(hours) == 1].max(initial=0.0))


def stays_within(of: Cohort, from_ms: int, to_ms: int) -> Iterator[tuple[str, int, int]]:
    """Go through where a batch was within a time: vessel, from when, to when."""
    for stay in of.stays:
        begun, end = max(stay.from_ms, from_ms), min(to_ms if stay.to_ms is None else stay.to_ms, to_ms)
        if begun < end:
            yield stay.vessel, begun, end
