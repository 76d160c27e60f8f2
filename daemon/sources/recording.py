"""Where a replay reads from: a journal, a CSV of another logger or an InfluxDB, as one kind of thing.

Whatever it comes from, a recording is the inputs of the engine in the order of their arrival; what people did
that cuts no block of readings comes with it.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.journal.history import Entry
from rules.deeds import DEEDS
from rules.readings import Action, Readings

SourceKey = tuple[str, str, str]
"""Probe, quantity and vessel, as the journal keeps a source."""

Inputs = Iterator[Readings | Action]

BLOCK = 1_000_000
"""Readings judged at a time: enough to keep the array kernels busy, few enough to bound the memory."""


@dataclass(frozen=True, slots=True)
class Recording:
    """Logged inputs of a rack.

    `readings` says how many there are (about, where counting would take long), `end_ms` up to when
    they tell what happened. Every call of `inputs` goes through them from the start. `rejected`
    counts, by reason, what could not be taken in. `clock_off_ms` is how far off the clock was at most
    by which its times were written (0: they are UTC). `entries` is what people wrote down, oldest first.
    """

    name: str
    sources: Mapping[int, SourceKey]
    readings: int
    start_ms: int
    end_ms: int
    inputs: Callable[[], Inputs]
    rejected: Mapping[str, int]
    clock_off_ms: int = 0
    entries: tuple[Entry, ...] = ()

    def numbering(self) -> Callable[[str, str, str], int]:
        """Return what numbers a source: as recorded, or on from there for one that was not recorded."""
        known = {key: number for number, key in self.sources.items()}

        def number_of(probe: str, quantity: str, vessel: str) -> int:
            return known.setdefault((probe, str(quantity), vessel), max(known.values(), default=0) + 1)

        return number_of


def merged(series: Mapping[int, tuple[NDArray[np.int64], NDArray[np.float64]]]) -> tuple[Readings, int]:
    """Return series of (time_ms, value) by source as readings in order of time, and how many were left out.

    A value that is not finite is no reading. Of several readings of a source with the same time the
    first is kept, as at the daemon's own door; the others are counted.
    """
    kept = {number: _rising(*columns) for number, columns in series.items()}
    left_out = sum(int(np.isfinite(value).sum()) for _, value in series.values())
    left_out -= sum(time_ms.size for time_ms, _ in kept.values())
    time_ms = _joined((time_ms for time_ms, _ in kept.values()), np.int64)
    value = _joined((value for _, value in kept.values()), np.float64)
    source = np.repeat(np.array(list(kept), dtype=np.int64), [time.size for time, _ in kept.values()])
    order = np.lexsort((source, time_ms))
    time_ms = time_ms[order]
    seq = np.arange(1, time_ms.size + 1, dtype=np.int64)
    return Readings(seq, time_ms, source[order], time_ms, value[order]), left_out


def in_memory(
    name: str, sources: Mapping[int, SourceKey], readings: Readings, left_out: Mapping[str, int]
) -> Recording:
    """Return a recording whose readings, at least one, are all at hand; `left_out` counts by reason."""
    start_ms, end_ms = int(readings.at_ms[0]), int(readings.at_ms[-1])
    counted = {why: count for why, count in left_out.items() if count}
    return Recording(name, sources, len(readings), start_ms, end_ms, lambda: in_blocks(readings), counted)


def in_blocks(readings: Readings, block: int = BLOCK) -> Iterator[Readings]:
    """Go through readings in blocks of at most `block`."""
    for start in range(0, len(readings), block):
        yield readings.part(start, start + block)


def _rising(
    time_ms: NDArray[np.int64], value: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    finite = np.flatnonzero(np.isfinite(value))
    times, first = np.unique(time_ms[finite], return_index=True)
    return times, value[finite][first]


def _joined(columns: Iterable[NDArray[np.generic]], kind: type) -> NDArray[Any]:
    return np.concatenate([np.array([], dtype=kind), *columns])


def in_order(blocks: Iterable[Readings], actions: Iterable[tuple[int, Action]]) -> Inputs:
    """Put actions between readings, each before the first one of its own number or a higher one.

    What people did at the rack comes with its readings; other settings do not.
    """
    waiting = deque(actions)
    for block in blocks:
        start, acts = 0, []
        while waiting and len(block) and waiting[0][0] <= block.seq[-1]:
            seq, action = waiting.popleft()
            place = int(np.searchsorted(block.seq, seq))
            if action.kind in DEEDS:
                acts.append((place - start, action))
                continue
            yield from _with_acts(block.part(start, place), acts)
            yield action
            start, acts = place, []
        yield from _with_acts(block.part(start, len(block)), acts)
    yield from (action for _, action in waiting)


def _with_acts(readings: Readings, acts: list[tuple[int, Action]]) -> Inputs:
    if len(readings):
        yield replace(readings, acts=tuple(it for it in acts if it[0] < len(readings)))
    yield from (action for place, action in acts if place >= len(readings))


def one_by_one(inputs: Inputs) -> Inputs:
    """Go through inputs, each thing that people did by itself."""
    for item in inputs:
        yield from item.one_by_one() if isinstance(item, Readings) else [item]
