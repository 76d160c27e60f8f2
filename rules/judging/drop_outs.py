"""Probes of which many answers are missing one by one: a low alarm with the count, while each danger is seen.

Counted are waits that are no silence yet, by the interval of the settings and the times of measuring, in
windows of a hundred answers due. Of a bus, a mate that does not answer at all takes the time of the others.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from rules.alarms.persistence import Turn, come_and_go
from rules.judging.silence import Places, Scope, SourceState, heard_by
from rules.rack.plan import Source

Ints = NDArray[np.int64]

WINDOW = 100
BEGINS_AT, ENDS_BELOW, SHARED_FROM, AT_ONCE = 10, 5, 5, 4
"""Missing in a window, of one gap at most four: told from ten on, over with one of fewer than five, and by
then a mate's trouble too (project judgement)."""


@dataclass(frozen=True, slots=True)
class DropOuts:
    """Answers of a source are missing (`begins`), or hardly any are, with reading `position`.

    `waits_for` is what does not answer on its bus, where that costs half of the others answers, too.
    """

    source: Source
    position: int
    begins: bool
    scope: Scope
    reason: str
    waits_for: Source | None = None


@dataclass(frozen=True, slots=True)
class _Count:
    """Of each reading of a source, answers due and missing in its window so far; `ends` end windows.

    `before` is how many were missing before the block.
    """

    here: NDArray[np.intp]
    ends: NDArray[np.intp]
    due: Ints
    missing: Ints
    before: int

    @classmethod
    def of(cls, source: Source, state: SourceState, time_ms: Ints, here: NDArray[np.intp]) -> Self:
        times = np.concatenate(([state.time_ms], time_ms[here]))
        wait_ms = times[1:] - times[:-1]
        lost = np.clip(np.rint(wait_ms / source.every_ms).astype(np.int64) - 1, 0, AT_ONCE)
        lost[wait_ms > source.silent_after_ms] = 0
        due = state.due % WINDOW + np.cumsum(lost + 1)
        windows = np.concatenate(([0], due // WINDOW))
        ends = (windows[1:] != windows[:-1]).nonzero()[0]
        missing = (state.missing if state.due < WINDOW else 0) + np.cumsum(lost)
        window = ends.searchsorted(np.arange(here.size), side="left")
        due_before = np.concatenate(([0], due[ends] // WINDOW * WINDOW))[window]
        missing_before = np.concatenate(([0], missing[ends]))[window]
        return cls(here, ends, due - due_before, missing - missing_before, state.missing)

    def at(self, position: int) -> int:
        """Return how many are missing in the window of the newest reading up to a position."""
        place = int(self.here.searchsorted(position, side="right")) - 1
        return int(self.missing[place]) if place >= 0 else self.before


def drop_outs(
    sources: tuple[Source, ...],
    states: Mapping[int, SourceState],
    time_ms: Ints,
    places: Places,
    longest_ms: Mapping[int, int],
) -> Iterator[DropOuts]:
    """Find where a source begins or ceases to lack answers, and carry `states` on (they are changed).

    `longest_ms` is the longest time between two readings of each source that has any.
    """
    counts = {
        source.id: _Count.of(source, states[source.id], time_ms, places[source.id])
        for source in sources
        if source.every_ms
        and source.id in places
        and not _counted(source, states, time_ms, places, longest_ms)
    }
    for source in sources:
        if source.id not in counts:
            continue
        count, state = counts[source.id], states[source.id]
        if state.gappy or state.gaps.recurs or count.missing.max() >= BEGINS_AT:
            active, turns = state.gappy, list(_turns(state, count, time_ms[count.here]))
            for turn in come_and_go(turns, active, time_ms[count.here], state.gaps):
                over = DropOuts(source, int(count.here[turn.index]), False, Scope.PROBE, "")
                its = sources, counts, states, time_ms, places
                yield _told(source, *its, turn) if turn.active else over
        state.due, state.missing = int(count.due[-1]), int(count.missing[-1])


def _counted(
    source: Source,
    states: Mapping[int, SourceState],
    time_ms: Ints,
    places: Places,
    longest_ms: Mapping[int, int],
) -> bool:
    """Count the answers of a source that lacks none in its window so far nor in the block; say whether so."""
    state, here = states[source.id], places[source.id]
    most_ms = max(int(time_ms[here[0]]) - state.time_ms, longest_ms[source.id])
    if state.missing or state.gappy or state.gaps.recurs or 2 * most_ms >= 3 * source.every_ms:
        return False
    state.due = (state.due + here.size - 1) % WINDOW + 1  # a full window is carried as one, as `_Count` does
    return True


def _turns(state: SourceState, count: _Count, time_ms: Ints) -> Iterator[Turn]:
    """Go through the windows of a source: where it begins or ceases to lack answers, or how many more do."""
    start = 0
    for end in (*count.ends.tolist(), count.here.size):
        many, told = start + (count.missing[start : end + 1] >= BEGINS_AT).nonzero()[0], -1
        if not state.gappy and many.size:
            state.gappy, told = True, int(many[0])
            yield Turn(told, True, int(time_ms[told]))
        if state.gappy and told < end < count.here.size:
            state.gappy = bool(count.missing[end] >= ENDS_BELOW)
            yield Turn(end, state.gappy, int(time_ms[end]))
        start = end + 1


def _told(
    source: Source,
    sources: tuple[Source, ...],
    counts: Mapping[int, _Count],
    states: Mapping[int, SourceState],
    time_ms: Ints,
    places: Places,
    turn: Turn,
) -> DropOuts:
    """Say how many answers of a source are missing at one of its readings, and whether of most of its bus."""
    count, place = counts[source.id], turn.index
    position = int(count.here[place])
    mates = [mate for mate in sources if mate.bus == source.bus and mate.every_ms]
    missing = (counts[it.id].at(position) if it.id in counts else states[it.id].missing for it in mates)
    hit = {mate.probe for mate, lacks in zip(mates, missing, strict=True) if lacks >= SHARED_FROM}
    every = {mate.probe for mate in mates}
    shared = source.bus and len(hit) > max(1, len(every) / 2)
    mute = [it for it in mates if source.bus and _is_mute(it, states[it.id], time_ms, places, position)]
    dead = {it.probe for it in mute}
    waits_for = mute[0] if mute and len(hit - dead) >= len(every - dead) / 2 else None
    said = f"{count.missing[place]} of {count.due[place]} answers missing"
    reason = ", ".join(filter(None, (said, turn.often)))
    scope = Scope.BUS if shared and not waits_for else Scope.PROBE
    return DropOuts(source, position, True, scope, reason, waits_for)


def _is_mute(source: Source, state: SourceState, time_ms: Ints, places: Places, position: int) -> bool:
    """Return whether a source has not been read for so long at a reading that this is a silence."""
    now_ms = int(time_ms[position])
    known_ms = state.at_ms if state.time_ms < 0 else state.time_ms + state.away_ms
    return now_ms - heard_by(known_ms, time_ms, places.get(source.id), now_ms) > source.silent_after_ms
