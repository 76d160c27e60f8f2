"""A channel's readings in one block, as they go from step to step of the judgement."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import Crossing
from rules.judging.trend import Trend, TrendState
from rules.quality.probe_faults import Belied
from rules.quality.quality import Judged
from rules.quality.settings import HOUR_MS
from rules.quantities import Quantity

Array = NDArray[np.float64]
Edge = tuple[int, Crossing]
"""A crossing, and the reading of the block that made it."""


class Read(NamedTuple):
    """Readings of a source in one block: where in it, when each was taken in and measured, as given."""

    here: NDArray[np.intp]
    at_ms: NDArray[np.int64]
    time_ms: NDArray[np.int64]
    value: Array

    def only(self, where: NDArray[np.bool_]) -> "Read":
        """Return some of them (shape m)."""
        if np.count_nonzero(where) == where.size:
            return self
        return Read(self.here[where], self.at_ms[where], self.time_ms[where], self.value[where])


def known_at(here: NDArray[np.intp], at: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return how many of the places `here` come up to each of the places `at`; both rise.

    Where probes are read in turns one of each lies between two of the other: that need only be looked at.
    """
    if here.size == at.size > 1:
        first = bool(here[0] <= at[0])
        apart = here > at if first else at >= here
        if not np.count_nonzero(apart):
            apart = at[:-1] >= here[1:] if first else here[:-1] > at[1:]
            if not np.count_nonzero(apart):
                return np.arange(int(first), at.size + int(first))
    return here.searchsorted(at, side="right")


_NEVER = np.array([], dtype=np.int64)
NOTHING_READ = Read(np.array([], dtype=np.intp), _NEVER, _NEVER, np.array([]))


@dataclass(frozen=True, slots=True)
class Series:
    """A channel's readings in one block: `index` (into the block), `time_ms`, `value`, shapes m.

    Of a derived one that lacks an input: `error` is how far the value may be off for that (0 where nothing
    lacks), `lacking` which input lacks where. `elsewhere` is another number wherever an input is another
    probe's, or none's, or a probe has just been put in: where that changes no trend goes on.
    `base` is what it was before a swift move of its own (`rules.quality.swift`), NaN where it makes none.
    `suspect` is where an input is, or the temperature by which the probe itself corrects its value; `doubted`
    is what is not believed and may be the water all the same, NaN elsewhere. `otherwise` is what a derived
    value would be by an input that nothing else bears out: which of the two is likely nobody knows.
    """

    index: NDArray[np.intp]
    time_ms: NDArray[np.int64]
    value: Array
    error: Array | None = None
    suspect: NDArray[np.bool_] | None = None
    elsewhere: NDArray[np.int64] | None = None
    lacking: Mapping[Quantity, NDArray[np.bool_]] = field(default_factory=dict)
    base: Array | None = None
    doubted: Array | None = None
    otherwise: Array | None = None

    def part(self, part: slice) -> "Series":
        """Return some of the readings, in their order."""
        if part.stop - part.start == self.value.size:
            return self
        cut = {
            it.name: all_[part]
            for it in fields(self)
            if isinstance(all_ := getattr(self, it.name), np.ndarray)
        }
        lacking = {quantity: where[part] for quantity, where in self.lacking.items()}
        return replace(self, lacking=lacking, **cut)

    def lacks(self, index: int) -> tuple[Quantity, ...]:
        """Return what is not measured now at one reading."""
        return tuple(quantity for quantity, where in self.lacking.items() if where[index])


@dataclass(frozen=True, slots=True)
class Shown:
    """What a channel shows in one block, whatever its limits: readings, flags, and values that may be used
    (NaN elsewhere).

    `alone` is which readings fail each by itself, `out` where the whole probe is out of the water, `belied`
    what else speaks against them; None: nowhere. `stretches` are those of the block, each with whether it
    begins with a return into the water. `trends` are those that were worked out, by window and start of the
    stretch: what each went on from, itself, and what is carried on.
    """

    series: Series
    judged: Judged
    usable: Array
    alone: NDArray[np.bool_]
    out: NDArray[np.bool_] | None
    belied: Belied | None
    stretches: list[tuple[slice, bool | None]]
    trends: dict[tuple[int, int], tuple[TrendState, Trend, TrendState]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of one block of a channel against its limits: crossings, and the trend of each stretch."""

    shown: Shown
    edges: list[Edge]
    courses: list[tuple[slice, Trend]]

    def rate_per_hour(self) -> Array:
        """Return the slope of the trend at each reading."""
        return self._along(lambda course: course.rate_per_hour)

    def moves_per_hour(self) -> Array:
        """Return how fast the value moves at each reading, by the greater of a long and a short look."""
        return self._along(lambda course: course.swift_per_hour)

    def _along(self, of: Callable[[Trend], Array]) -> Array:
        if len(self.courses) == len(self.shown.stretches) == 1:
            return of(self.courses[0][1])
        found = np.full(self.shown.usable.size, np.nan)
        for part, course in self.courses:
            found[part] = of(course)
        return found


@dataclass(frozen=True, slots=True)
class Samples:
    """One good reading an hour of the last day: the hours (since the epoch) and the values."""

    hour: tuple[int, ...] = ()
    value: tuple[float, ...] = ()


SAMPLES_KEPT = 24


def sample(measured: Series, past: Samples) -> tuple[NDArray[np.intp], Samples]:
    """Return which readings (places in `measured`) are the first good ones of their hours, and all kept."""
    if past.hour and measured.time_ms[-1] // HOUR_MS <= past.hour[-1]:
        return np.array([], dtype=np.intp), past
    good = (~np.isnan(measured.value)).nonzero()[0]
    hour = measured.time_ms[good] // HOUR_MS
    new = hour > np.concatenate([past.hour[-1:] or (-1,), hour[:-1]])
    kept = good[new]
    hours = (*past.hour, *hour[new].tolist())[-SAMPLES_KEPT:]
    values = (*past.value, *measured.value[kept].tolist())[-SAMPLES_KEPT:]
    return kept, Samples(hours, values)


def without(lacks: tuple[Quantity, ...], error: float) -> str:
    """Say in words how far a value may be off for want of inputs that are not measured now."""
    return f"off by up to {error:.2g}, no {' and '.join(lacks)} now".replace("_", " ")


def number(value: float) -> float | None:
    """Return a number as it is written down; None for NaN."""
    return None if np.isnan(value) else float(value)
