"""When sources fall silent and are heard again; and whether it is the whole bus, or every bus.

A source is silent once it has not been heard for longer than its limit. The moment is worked out
from the readings, not from when somebody looked, so it does not depend on how they were cut. One that falls
silent again within hours is intermittent: one silence, over once it has answered regularly.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum, auto

import numpy as np
from numpy.typing import NDArray

from rules.alarms.recurrence import Recurrence, of_a_probe
from rules.errors import InputError
from rules.rack.plan import Source
from rules.readings import Readings

_NEAR = 2 / 3
"""Of the limit: where that is three polls, a wait for two and a little does not count (project judgement)."""

Places = Mapping[int, NDArray[np.intp]]
"""For each source, where in the block its readings are."""


@dataclass(slots=True)
class SourceState:
    """When a source was last heard: taken in at `at_ms`, measured at `time_ms`.

    Where nobody watched since then, `at_ms` is as much later (`away_ms`).
    Of a conductivity cell: `first_ms` is when it was first read, `dry_ms` when it was last dry, `spell_ms`
    when that began, `witness_ms` the spell that something else bore out, `ended_ms` one that is believed no
    longer. Of what shares a probe with one: `raw` is the newest reading, `wet` that of the cell's last one in
    the water. Of what shows that answers are new: `raw`, and how often it came again (`repeats`). `drops` is
    how often it fell silent, a wait near its limit being a gap. Of answers missing one by one: how many were
    `due` and `missing` in the window of the newest, whether that is so (`gappy`), how often it was (`gaps`).
    """

    at_ms: int
    time_ms: int = -1
    away_ms: int = 0
    silent: bool = False
    first_ms: int = -1
    dry_ms: int = -1
    spell_ms: int = -1
    witness_ms: int = -1
    ended_ms: int = -1
    raw: float = math.nan
    wet: float = math.nan
    repeats: int = 0
    drops: Recurrence = field(default_factory=of_a_probe)
    due: int = 0
    missing: int = 0
    gappy: bool = False
    gaps: Recurrence = field(default_factory=of_a_probe)

    @property
    def taken_in_ms(self) -> int:
        """Return when the newest was taken in, whoever watched since."""
        return self.at_ms - self.away_ms

    @property
    def is_borne_out(self) -> bool:
        """Return whether a cell that is dry now is believed: something else bears it out still."""
        return self.witness_ms == self.spell_ms != self.ended_ms


OF_DRYNESS = ("first_ms", "dry_ms", "spell_ms", "witness_ms", "ended_ms", "raw", "wet", "repeats")
"""What is carried of a source as its probe is in the water or out of it, its answers new or old."""


class Scope(Enum):
    """What is silent: one probe, nothing but its bus, or all buses of a rack that has several."""

    PROBE = auto()
    BUS = auto()
    RACK = auto()


@dataclass(frozen=True, slots=True)
class Silence:
    """A source fell silent (`begins`) or was heard again at `at_ms`, before or with reading `position`.

    `since_ms` is when it was last heard; `scope` says how much else was not heard either.
    """

    source: Source
    position: int
    at_ms: int
    since_ms: int
    begins: bool
    scope: Scope
    reason: str = ""


def silences(
    sources: tuple[Source, ...],
    states: Mapping[int, SourceState],
    at_ms: NDArray[np.int64],
    places: Places,
    longest_ms: Mapping[int, int],
) -> Iterator[Silence]:
    """Find the silences up to the last of `at_ms` (shape n, not empty) and carry `silent` on (it is changed).

    `longest_ms` is the longest time between two readings of each source that has any.
    A silence begins when time passes its limit: a reading at that very moment is still in time.
    """
    for source in sources:
        state, limit_ms = states[source.id], source.silent_after_ms
        if _was_heard(source, state, at_ms, places, longest_ms):
            continue  # the most of all, for which nothing follows
        here = places.get(source.id, np.array([], dtype=np.intp))
        heard = np.concatenate([[state.at_ms], at_ms[here], at_ms[-1:]])
        waits_ms = heard[1:] - heard[:-1]
        too_long = waits_ms > limit_ms
        too_long[0] |= state.silent  # also where the limit has been made longer since
        rough = too_long | (waits_ms > _NEAR * limit_ms)
        for gap in rough.nonzero()[0].tolist():
            yield from _steady(source, state, heard[1 : gap + 1], here)
            since_ms = int(heard[gap])
            if too_long[gap] and not state.silent:
                fell_ms = since_ms + limit_ms
                position = int(at_ms.searchsorted(fell_ms, side="right"))
                scope = scope_of(source, sources, states, at_ms, places, fell_ms)
                state.silent, often = True, state.drops.lose(since_ms, fell_ms)
                reason = f"intermittent, silent {often}" if often else ""
                yield Silence(source, position, fell_ms, since_ms, True, scope, reason)
            if gap < here.size:
                position, back_ms = int(here[gap]), int(at_ms[here[gap]])
                if state.silent and not state.drops.recurs:
                    yield Silence(source, position, back_ms, since_ms, False, Scope.PROBE)
                state.silent = False
                state.drops.come_back(since_ms, back_ms)
        yield from _steady(source, state, heard[1:-1], here)


def _was_heard(
    source: Source,
    state: SourceState,
    at_ms: NDArray[np.int64],
    places: Places,
    longest_ms: Mapping[int, int],
) -> bool:
    """Return whether a source was heard all the time, before the block and in it."""
    if state.silent or state.drops.recurs:
        return False
    wait_ms, near_ms = int(at_ms[-1]) - state.at_ms, _NEAR * source.silent_after_ms
    here = places.get(source.id)
    if wait_ms <= near_ms or here is None or not here.size:
        return wait_ms <= near_ms
    ends_ms = int(at_ms[here[0]]) - state.at_ms, int(at_ms[-1] - at_ms[here[-1]])
    return max(*ends_ms, longest_ms[source.id]) <= near_ms


def _steady(
    source: Source, state: SourceState, heard_ms: NDArray[np.int64], here: NDArray[np.intp]
) -> Iterator[Silence]:
    """Let an intermittent source be over at the first of `heard_ms` (at `here`) that ends a regular time."""
    due = int(heard_ms.searchsorted(state.drops.over_ms))
    if state.drops.recurs and not state.silent and due < heard_ms.size:
        state.drops.recurs = False
        yield Silence(source, int(here[due]), int(heard_ms[due]), state.drops.back_ms, False, Scope.PROBE)


def note_heard(
    states: Mapping[int, SourceState], at_ms: NDArray[np.int64], time_ms: NDArray[np.int64], places: Places
) -> None:
    """Remember when each source was last heard in a block (`states` are changed)."""
    for source_id, here in places.items():
        state = states[source_id]
        state.at_ms, state.time_ms, state.away_ms = int(at_ms[here[-1]]), int(time_ms[here[-1]]), 0


def scope_of(
    source: Source,
    sources: tuple[Source, ...],
    states: Mapping[int, SourceState],
    at_ms: NDArray[np.int64],
    places: Places,
    moment_ms: int,
) -> Scope:
    """Say how much has not been heard lately: each source for half of what counts as silence there.

    A bus with a single probe says no more than the probe itself; probes without a named bus share none.
    """
    talks = {
        mate.bus
        for mate in sources
        if moment_ms - heard_by(states[mate.id].at_ms, at_ms, places.get(mate.id), moment_ms)
        < mate.silent_after_ms / 2
    }
    buses = {mate.bus for mate in sources}
    if not talks and len(buses) > 1:
        return Scope.RACK
    alone = not source.bus or len({mate.probe for mate in sources if mate.bus == source.bus}) < 2
    return Scope.PROBE if alone or source.bus in talks else Scope.BUS


def heard_by(last_ms: int, at_ms: NDArray[np.int64], here: NDArray[np.intp] | None, moment_ms: int) -> int:
    """Return when something was last heard up to a moment: `last_ms` before the block, in it at `here`."""
    if here is None:
        return last_ms
    times = at_ms[here]
    before = int(times.searchsorted(moment_ms, side="right"))
    return int(times[before - 1]) if before else last_ms


def refuse_disorder(days: Iterable[Readings], sources: Mapping[int, SourceState], clock_ms: int) -> None:
    """Raise InputError where times run backwards in blocks (not empty) or from one to the next."""
    newest_ms = dict[int, int]()
    for day in days:
        if day.at_ms[0] < clock_ms or (day.at_ms[1:] < day.at_ms[:-1]).any():
            raise InputError("readings must come in the order of their arrival, none before the last")
        clock_ms = int(day.at_ms[-1])
        for source_id in day.places_of(sources):
            first_ms, last_ms, rise = day.times_ms[source_id]
            if first_ms <= newest_ms.get(source_id, sources[source_id].time_ms) or not rise:
                raise InputError(f"the times of source {source_id} must rise from reading to reading")
            newest_ms[source_id] = last_ms
