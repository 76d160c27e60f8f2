"""The engine's inputs and outputs: blocks of readings in, flags and alarm events out."""

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules import RULES_VERSION
from rules.alarms.event import AlarmEvent
from rules.errors import InputError
from rules.quality.history import DAY_MS
from rules.quality.hour_statistics import begins
from rules.rack.stage_plan import Moved

_LARGEST_UINT16 = np.iinfo(np.uint16).max
"""Up to here numpy sorts by digits, several times as fast."""


class LongestWaits(dict[int, int]):
    """The longest time between two readings of each source that follow each other, worked out when asked."""

    def __init__(self, times_ms: NDArray[np.int64], places: Mapping[int, NDArray[np.intp]]) -> None:
        super().__init__()
        self._times_ms, self._places = times_ms, places

    def __missing__(self, source_id: int) -> int:
        times_ms = self._times_ms[self._places[source_id]]
        found = self[source_id] = int((times_ms[1:] - times_ms[:-1]).max(initial=0))
        return found


@dataclass(frozen=True)
class Readings:
    """Readings in arrival order, as arrays of shape n.

    `seq` numbers the inputs of a journal and rises; `at_ms` is when the reading was taken in (never falls);
    `time_ms` is when it was measured (rises within a source); `source` is `Source.id`. `acts` is what people
    did meanwhile, each with the place of the reading that it came before.
    """

    seq: NDArray[np.int64]
    at_ms: NDArray[np.int64]
    source: NDArray[np.int64]
    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    acts: tuple[tuple[int, "Action"], ...] = ()

    def __post_init__(self) -> None:
        sizes = {column.size for column in (self.seq, self.at_ms, self.source, self.time_ms, self.value)}
        if len(sizes) != 1:
            raise InputError(f"the columns of a block of readings differ in length: {sorted(sizes)}")

    def __len__(self) -> int:
        return int(self.seq.size)

    def places_of(self, source_ids: Container[int]) -> dict[int, NDArray[np.intp]]:
        """Return the places of each source's readings, in arrival order; others are passed over."""
        return {it: here for it, here in self._places.items() if it in source_ids}

    @cached_property
    def _places(self) -> dict[int, NDArray[np.intp]]:
        if not len(self):
            return {}
        small = int(self.source.max()) <= _LARGEST_UINT16
        order = np.argsort(self.source.astype(np.uint16) if small else self.source, kind="stable")
        ranked = self.source[order]
        starts = [0, *((ranked[1:] != ranked[:-1]).nonzero()[0] + 1).tolist(), ranked.size]
        found = zip(ranked[starts[:-1]].tolist(), pairwise(starts), strict=True)
        return {source_id: order[start:stop] for source_id, (start, stop) in found}

    @cached_property
    def latest_ms(self) -> int:
        """Return how long after it was measured a reading of the block was taken in, at most."""
        return int((self.at_ms - self.time_ms).max(initial=0))

    @cached_property
    def longest_waits_ms(self) -> LongestWaits:
        """Return how long each source was not heard in the block, at most."""
        return LongestWaits(self.at_ms, self._places)

    @cached_property
    def longest_gaps_ms(self) -> LongestWaits:
        """Return how long each source did not measure in the block, at most."""
        return LongestWaits(self.time_ms, self._places)

    @cached_property
    def counts(self) -> dict[int, int]:
        """Return how many readings each source has."""
        return {source_id: here.size for source_id, here in self._places.items()}

    @cached_property
    def times_ms(self) -> dict[int, tuple[int, int, bool]]:
        """Return when each source's first and last reading were measured, and whether times rise between."""
        its = ((it, self.time_ms[here]) for it, here in self._places.items())
        return {it: (int(t[0]), int(t[-1]), not (t[1:] <= t[:-1]).any()) for it, t in its}

    def part(self, start: int, stop: int) -> "Readings":
        """Return the readings from `start` up to, not including, `stop`."""
        cut = slice(start, stop)
        acts = tuple((place - start, action) for place, action in self.acts if start <= place < stop)
        ids, at_ms, time_ms = (column[cut] for column in (self.seq, self.at_ms, self.time_ms))
        return Readings(ids, at_ms, self.source[cut], time_ms, self.value[cut], acts)

    def one_by_one(self) -> "Iterator[Readings | Action]":
        """Go through the readings and what people did meanwhile."""
        start, bare = 0, replace(self, acts=())
        for place, action in self.acts:
            if place > start:
                yield bare.part(start, place)
            yield action
            start = place
        if len(self) > start:
            yield bare.part(start, len(self))

    def is_in_order(self, from_ms: int) -> bool:
        """Return whether the times of all that people did lie between those of the readings beside."""
        for place, action in self.acts:
            beside_ms = self.at_ms[max(place - 1, 0) : place + 1].tolist()
            if not max([from_ms, *beside_ms[:-1]]) <= action.at_ms <= beside_ms[-1]:
                return False
            from_ms = action.at_ms
        return True


def by_day(readings: Readings) -> Iterator[Readings]:
    """Go through readings day by day (UTC): what was learned of a channel changes at midnight.

    What does not come in order has no days; the engine refuses it whole.
    """
    falls = (readings.at_ms[1:] < readings.at_ms[:-1]).any()
    starts = [0] if falls else begins(readings.at_ms, DAY_MS)[1].tolist()
    if len(starts) == 1:
        yield readings
        return
    for start, stop in pairwise([*starts, len(readings)]):
        yield readings.part(start, stop)


@dataclass(frozen=True, slots=True)
class Action:
    """Something a person did: `kind` says what ("acknowledge"), `body` to what, `who` by whom.

    `rules` is the version of the rules then, whose names of alarms the person knew.
    """

    at_ms: int
    kind: str
    who: str
    body: dict[str, Any]
    rules: int = RULES_VERSION


@dataclass(frozen=True, slots=True)
class Notice:
    """Something worth telling that is no alarm: a stage that runs long, maintenance that is over."""

    kind: str
    at_ms: int
    vessel: str
    details: dict[str, Any]

    @property
    def id(self) -> str:
        """Return what tells a repeat: the same notice comes out again after a restart."""
        return f"{self.kind}:{self.vessel}:{self.at_ms}"


FLAG_NUMBERS = 10
"""QARTOD flags are one digit."""


@dataclass(frozen=True)
class ChannelFlags:
    """The quality flags of one channel's readings in one block, and the values as judged: shapes m.

    `value` is in the channel's unit (NaN where it could not be had), measured at `time_ms`; `tests`
    packs the flags of the single tests (see `rules.quality.flags.pack`), `error` is how far a value may be
    off for want of an input (None: nowhere).
    """

    channel: str
    seq: NDArray[np.int64]
    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    summary: NDArray[np.uint8]
    tests: NDArray[np.uint32]
    error: NDArray[np.float64] | None = None

    @cached_property
    def counts(self) -> NDArray[np.int64]:
        """Return how many readings have each summary flag, shape FLAG_NUMBERS: engines share these flags."""
        return np.bincount(self.summary, minlength=FLAG_NUMBERS)


@dataclass(frozen=True, slots=True)
class Amendment:
    """A flag that was only known once the next reading was in: it replaces that of reading `seq`."""

    channel: str
    seq: int
    summary: int
    tests: int


@dataclass(slots=True)
class Outcome:
    """What the engine made of a piece of input, in order.

    `refusal` says why an action was refused, `refused` so of those that came with readings; `moved` are the
    stages that began.
    """

    events: list[AlarmEvent] = field(default_factory=list)
    flags: list[ChannelFlags] = field(default_factory=list)
    amendments: list[Amendment] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    refusal: str = ""
    refused: list[str] = field(default_factory=list)

    def add_told(self, more: "Outcome") -> None:
        """Take in what another one tells people."""
        self.events += more.events
        self.notices += more.notices
        self.moved += more.moved

    def add(self, more: "Outcome") -> None:
        """Take in all of another one, which came after."""
        self.add_told(more)
        self.flags += more.flags
        self.amendments += more.amendments
        self.refused += more.refused if not more.refusal else [*more.refused, more.refusal]
