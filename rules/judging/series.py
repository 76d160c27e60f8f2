"""A channel's readings in a block, as they go from step to step of the judgement, and what is carried on."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import Crossing
from rules.alarms.persistence import Persistence, is_clear
from rules.alarms.recurrence import Recurrence
from rules.judging.trend import NO_TREND, Rise, Trend, TrendState
from rules.quality.calm import Calm
from rules.quality.flags import PASS, SUSPECT, Flag
from rules.quality.history import History, Learned
from rules.quality.leaps import Leap
from rules.quality.probe_faults import Belied
from rules.quality.quality import Judged
from rules.quality.repeats import Repeats, Rounds
from rules.quality.replayed import Played, Rests
from rules.quality.scatter import Scatter
from rules.quality.settings import HOUR_MS
from rules.quality.state import QualityState
from rules.quality.swift import Swift, first_of_hours
from rules.quantities import Quantity
from rules.rack.limits import FAULT_KEY, Bounds

Array = NDArray[np.float64]
Edge = tuple[int, Crossing]
"""A crossing, and the reading of the block that made it."""

Others = tuple[Array, NDArray[np.int64]]
"""What each reading of a channel is compared with, and when that was measured."""


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

    def part(self, part: slice) -> "Read":
        """Return some of them, in their order."""
        if part.stop - part.start == self.value.size:
            return self
        return Read(self.here[part], self.at_ms[part], self.time_ms[part], self.value[part])


def known_at(here: NDArray[np.intp], at: NDArray[np.intp]) -> NDArray[np.intp] | slice:
    """Return how many of the places `here` come up to each of the places `at`; both rise.

    Where probes are read in turns one of each lies between two of the other: that need only be looked at, and
    what is known is a part of all that is, which is not copied.
    """
    if here.size == at.size > 1:
        first = bool(here[0] <= at[0])
        apart = here > at if first else at >= here
        if not np.count_nonzero(apart):
            apart = at[:-1] >= here[1:] if first else here[:-1] > at[1:]
            if not np.count_nonzero(apart):
                return slice(int(first), at.size + int(first))
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
    begins with a return into the water, `seen` where in the block what may be used is. For engines that judge
    the same by other limits: `trends` are those that were worked out, by window and start of the stretch,
    `turns` how far thermometers that lag may mislead, `quiet` what came of limits at which nothing turned.
    """

    series: Series
    judged: Judged
    usable: Array
    alone: NDArray[np.bool_]
    out: NDArray[np.bool_] | None
    belied: Belied | None
    stretches: list[tuple[slice, bool | None]]
    seen: NDArray[np.intp]
    trends: dict[tuple[int, int], "Known"] = field(default_factory=dict)
    turns: list["Turning"] = field(default_factory=list)
    quiet: list["Quiet"] = field(default_factory=list)


class Known(NamedTuple):
    """A trend, what it went on from and what is carried on; and, of what limits of a kind (with a lead time)
    are compared with, the farthest, where a value may turn by `turns`."""

    before: TrendState
    course: Trend
    after: TrendState
    turns: Array | None
    farthest: dict[tuple[str, int], float]


class Turning(NamedTuple):
    """By how much a value may turn, by how fast each of its thermometers moved before the block and in it."""

    before: tuple[float, ...]
    rates: list[Array]
    turns: Array | None


class Quiet(NamedTuple):
    """What a channel was judged by that turned nothing, and its trends: what is carried on is of `after`."""

    bounds: Bounds
    turns: Array | None
    before: tuple[TrendState, Rise]
    after: tuple[TrendState, Rise]
    courses: list[tuple[slice, Trend]]

    def holds_for(self, bounds: Bounds, turns: Array | None, before: tuple[TrendState, Rise]) -> bool:
        """Return whether a channel would be judged the same (of equal settled bounds there is but one)."""
        same = self.bounds is bounds and self.turns is turns and self.before[0] is before[0]
        return same and self.before[1] == before[1]


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


@dataclass(slots=True)
class ChannelState:
    """What is carried from block to block for one channel.

    `good_*` is the last reading that may be used and lacked nothing; of the last one, `doubtful` is whether
    it did not pass, `dry` whether it was out of the water, `error` how far it may be off for want of the
    inputs in `lacking`, `elsewhere` and `base` as in `Series`, `seen_ms` when one last showed the water,
    `lacked_ms` when one last was off so, `worked_ms` when somebody last was at work; `compared_ms` is of when
    what it differed from last was, `again` how often each of a probe's own troubles came and went.
    """

    quality: QualityState = field(default_factory=cache(QualityState))
    trend: TrendState = field(default_factory=lambda: NO_TREND)
    rise: Rise = field(default_factory=Rise)
    standing: dict[str, Persistence] = field(default_factory=dict)
    last_seq: int = -1
    time_ms: int = 0
    value: float = np.nan
    flag: int = Flag.NOT_EVALUATED
    rate_per_hour: float = np.nan
    moves_per_hour: float = np.nan
    good_time_ms: int = 0
    good_value: float = np.nan
    good_suspect: bool = False
    doubtful: bool = False
    sample: Samples = field(default_factory=Samples)
    dry: bool = False
    elsewhere: int = 0
    error: float = 0.0
    lacking: tuple[Quantity, ...] = ()
    seen_ms: int = 0
    lacked_ms: int = -1
    worked_ms: int = -1
    compared_ms: int = -1
    history: History = field(default_factory=History)
    calm: Calm = field(default_factory=cache(Calm))
    leap: Leap = field(default_factory=Leap)
    scatter: Scatter = field(default_factory=Scatter)
    repeats: Repeats = field(default_factory=Repeats)
    again: dict[str, Recurrence] = field(default_factory=dict)
    swift: Swift = field(default_factory=Swift)
    played: Played = field(default_factory=Played)
    rests: Rests = field(default_factory=Rests)
    rounds: Rounds = field(default_factory=Rounds)
    base: float = np.nan
    usual: tuple[tuple[int, int], Learned | None] | None = field(init=False, default=None, compare=False)
    """What `history` tells, and on which day and with which gaps: worked out once a day."""

    @property
    def fails(self) -> bool:
        """Say whether its readings fail now, or for a moment do not."""
        return not is_clear(self.standing, FAULT_KEY)

    @property
    def is_calm(self) -> bool:
        """Say whether nothing of it stands, nor came and went."""
        return not (self.standing or self.again)

    def remember(self, shown: Shown, known: NDArray[np.bool_]) -> None:
        """Remember what the newest reading shows, and the last good one (`known`: may be used)."""
        series, judged, usable = shown.series, shown.judged, shown.usable
        self.time_ms = int(series.time_ms[-1])
        self.value = float(series.value[-1])
        self.flag = int(judged.summary[-1])
        self.doubtful = bool(judged.causal[-1] != PASS)
        self.error = 0.0 if series.error is None else float(series.error[-1])
        self.lacking = series.lacks(-1)
        good = known if series.error is None else known & (series.error == 0)
        newest = good.size - 1 - int(good[::-1].argmax())
        if good[newest]:
            self.good_suspect = bool(judged.causal[newest] == SUSPECT)
            self.good_time_ms = int(series.time_ms[newest])
            self.good_value = float(usable[newest])
            self.base = np.nan if series.base is None else float(series.base[newest])

    def keep_order(self) -> None:
        """Keep what stands in one order, wherever blocks were cut."""
        if self.standing or self.again:
            self.standing, self.again = dict(sorted(self.standing.items())), dict(sorted(self.again.items()))

    def begin_anew(self) -> None:
        """Forget what a calibration makes jump."""
        self.trend, self.history, self.repeats = NO_TREND, History(), Repeats()
        self.leap, self.swift, self.rise, self.usual = Leap(), Swift(), Rise(), None
        self.again = {key: it.anew() for key, it in self.again.items()}


_OF_LIMITS = {
    "trend", "rise", "standing", "rate_per_hour", "moves_per_hour", "seen_ms", "lacked_ms", "worked_ms",
    "compared_ms", "again",
}  # fmt: skip
OF_THE_WATER = tuple(it.name for it in fields(ChannelState) if it.init and it.name not in _OF_LIMITS)
"""What is carried of a channel on which limits have no say; each works out by itself what follows from it."""


class Limited(NamedTuple):
    """What is carried of a channel on which limits have a say, while nothing of it stands."""

    trend: TrendState
    rise: Rise
    rate_per_hour: float
    moves_per_hour: float
    lacked_ms: int
    worked_ms: int
    compared_ms: int

    @classmethod
    def of(cls, state: ChannelState) -> "Limited":
        """Return that of a channel."""
        return cls(*(getattr(state, name) for name in cls._fields))

    def is_of(self, state: ChannelState) -> bool:
        """Return whether a channel carries the same, and nothing of it stands."""
        its = zip(self, Limited.of(state), strict=True)
        same = all(one is other or (not isinstance(one, TrendState) and one == other) for one, other in its)
        return same and state.is_calm

    def carry_on(self, state: ChannelState) -> None:
        """Carry on in a channel what another one carries."""
        for name, its in zip(self._fields, self, strict=True):
            setattr(state, name, its)


class AtRest(NamedTuple):
    """A vessel in which nothing turned in a block: what its channels were judged by, carried before and carry
    after it, and where they are seen."""

    bounds: list[Bounds]
    before: list[Limited]
    after: list[Limited]
    seen: dict[str, NDArray[np.intp]]


def sample(measured: Series, past: Samples) -> tuple[NDArray[np.intp], Samples]:
    """Return which readings (places in `measured`) are the first good ones of their hours, and all kept."""
    kept = first_of_hours(past.hour, measured.time_ms, measured.value)
    if not kept.size:
        return kept, past
    hours = (*past.hour, *(measured.time_ms[kept] // HOUR_MS).tolist())[-SAMPLES_KEPT:]
    values = (*past.value, *measured.value[kept].tolist())[-SAMPLES_KEPT:]
    return kept, Samples(hours, values)


def without(lacks: tuple[Quantity, ...], error: float) -> str:
    """Say in words how far a value may be off for want of inputs that are not measured now."""
    return f"off by up to {error:.2g}, no {' and '.join(lacks)} now".replace("_", " ")


def number(value: float) -> float | None:
    """Return a number as it is written down; None for NaN."""
    return None if np.isnan(value) else float(value)
