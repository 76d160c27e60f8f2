"""A stretch of earlier readings that comes again, noise and all, is no water: somebody plays a record.

Of every twenty changing readings in a row there is a hash, and some of the hashes (which, they say
themselves) are kept in a ring: as many as it holds of a day and a night. Hashes that come again in their old
order are evidence, in bits: by how many last digits the readings zigzag. What is coarse or steady comes
again by chance, what a thermostat does by itself; neither zigzags. Of what is coarse the times do:
how long it rests on a value before it turns back is by its noise.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import count, islice
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from rules.quality.calm import MOVING
from rules.quality.hour_statistics import all_since

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

WINDOW: Final = 20
"""Changing readings, of which there is a hash."""
KEPT: Final = 1024
ONE_IN_MS: Final = 120_000
"""So many hashes are kept, of changing readings one in so long: 34 hours, however often a probe is read; a
gateway that plays yesterday is found out, too (project judgement)."""
UNKNOWN_EVERY_MS: Final = 30_000
"""How often a probe is read where no settings say it."""
ENOUGH_BITS: Final = 20.0
"""Of coarse invented probes the most in a year by chance was 13 (project judgement)."""
ENOUGH_RESTS: Final = 30.0
"""The same of rests: by chance the most was 7 in measured series, 26 in invented water without noise that
comes again by itself (project judgement)."""
STAYS: Final = 2 * WINDOW
"""So many changing readings count as played after the last that came again: where a record begins anew, what
meets there is new."""
COARSE_MS: Final = 1_200_000
"""So long may what a probe measures beside show nothing new, before it is taken for played too (project
judgement)."""
_LEAST_ZIGZAG: Final = 2.5
"""In last digits: of less no coarse probe that hovers between two or three of its values keeps free."""
_FACTOR: Final = 0x9E3779B97F4A7C15
_POWERS: Final = np.array(
    [pow(_FACTOR, power, 1 << 64) for power in (*range(31, 15, -1), *range(3, -1, -1))], dtype=np.uint64
)
"""What each reading of a window counts for in its hash, modulo 2^64."""
_HIGHEST: Final = 0xFFFFFFFF << 32
_EARLIER: Final = np.tri(WINDOW - 1, k=-1, dtype=np.bool_)


@dataclass(slots=True)
class Played:
    """What is carried of a source: its newest changing readings, how many there were, and the ring.

    `ring` has a number for each hash, in their order; `chain` is that of the newest if it came again (-1: it
    was new), `chain_at` how many readings there were then, `bits` how sure it is. Until there were `until`,
    it counts as played, since `since_ms`.
    """

    time_ms: tuple[int, ...] = ()
    value: tuple[float, ...] = ()
    count: int = 0
    ring: dict[int, int] = field(default_factory=dict)
    number: int = 0
    chain: int = -1
    chain_at: int = 0
    bits: float = 0.0
    since_ms: int = MOVING
    until: int = 0

    def apart(self) -> Self:
        """Return the same, to be carried on without changing this one."""
        return replace(self, ring=dict(self.ring))

    def are_new(self, codes: list[int]) -> bool:
        """Return whether no hash of the ring is any of these, all of them different; put them there if so."""
        new, kept = dict(zip(codes, count(self.number), strict=False)), self.ring
        if len(new) < len(codes) or not kept.keys().isdisjoint(new):
            return False
        if (more := len(kept) + len(new) - KEPT) > 0:
            new = dict(islice(new.items(), max(more - len(kept), 0), None))
            self.ring = dict(islice(kept.items(), more, None))
        self.ring.update(new)
        self.number, self.chain = self.number + len(codes), -1 if codes else self.chain
        return True

    def known(self, codes: list[int]) -> dict[int, int]:
        """Return which hashes are in the ring, their numbers by place; put the others there, one by one."""
        found, ring = dict[int, int](), self.ring
        for place, code in enumerate(codes):
            if code in ring:
                found[place] = ring[code]
                continue
            ring[code] = self.number
            self.number += 1
            if len(ring) > KEPT:
                del ring[next(iter(ring))]
        return found

    def comes_again(
        self, number: int, at: int, zigzag_bits: Floats | None, began_ms: int, enough: float
    ) -> None:
        """Take in a window that began at a moment, by the number of its hash, after `at` readings.

        `zigzag_bits` are None where all are 0.
        """
        goes_on = 0 <= self.chain == number - 1
        if not goes_on:
            self.bits = 0.0
            self.since_ms = self.since_ms if at < self.until else began_ms
        if zigzag_bits is not None:
            self.bits += float(zigzag_bits[-(at - self.chain_at if goes_on else WINDOW) :].sum())
        self.chain, self.chain_at = number, at
        if self.bits >= enough or at < self.until:
            self.until = at + STAYS


@dataclass(slots=True)
class Rests:
    """What is carried of how long a source rests before it turns back: these times, and its newest change.

    It is on `value` since `since_ms`, having gone up (1) or down (-1; 0: not known).
    """

    played: Played = field(default_factory=Played)
    value: float = np.nan
    since_ms: int = -1
    way: int = 0

    def apart(self) -> Self:
        """Return the same, to be carried on without changing this one."""
        return replace(self, played=self.played.apart())


@dataclass(frozen=True, slots=True)
class Again:
    """What is known before a block and after each of its n readings: `since_ms` (n + 1) is since when they
    are played again (`MOVING`: they are not). What else is asked seldom is worked out then.

    `changed` is where changing readings are, `time_ms` when these and the carried ones came, `ends` after how
    many of them each hash was complete, `old` (one more) whether it is an old one.
    """

    since_ms: Ints
    changed: Ints
    time_ms: Ints
    ends: Ints
    old: NDArray[np.bool_]

    @property
    def matched(self) -> NDArray[np.bool_]:
        """Return whether the newest hash is an old one, shape n + 1."""
        return self.old[self.ends.searchsorted(self.changes, side="right")]

    @property
    def began_ms(self) -> Ints:
        """Return when the newest window began, shape n + 1; -1: there is none."""
        known = self.time_ms.size - self.changed.size
        return np.concatenate((np.full(WINDOW, -1), self.time_ms))[known + self.changes]

    @property
    def changes(self) -> Ints:
        """Return how many changing readings there were, shape n + 1."""
        return self.changed.searchsorted(np.arange(self.since_ms.size))


def rested(at_ms: Ints, value: Floats, past: Rests, every_ms: int) -> Ints:
    """Return since when readings (shapes n) are played again by their rests, before and after each (n + 1).

    `past` is carried on (it is changed), `every_ms` is how often the probe is to be read (0: not known).
    """
    sound = np.isfinite(value).nonzero()[0]
    row = np.concatenate(((past.value,), value[sound]))
    way = np.sign(row[1:] - row[:-1])
    moved = (way != 0).nonzero()[0]  # a first one moves from what is not known: it is NaN, and turns nothing
    time_ms = np.concatenate(((past.since_ms,), at_ms[sound[moved]]))
    way = np.concatenate(((past.way,), way[moved]))
    turns = (way[1:] * way[:-1] < 0).nonzero()[0]
    if moved.size:
        past.value, past.since_ms = float(row[-1]), int(time_ms[-1])
        past.way = 0 if np.isnan(way[-1]) else int(way[-1])
    if not turns.size:
        stands = past.played.count < past.played.until
        return all_since(past.played.since_ms if stands else MOVING, at_ms.size + 1)
    rests = np.rint((time_ms[turns + 1] - time_ms[turns]) / (every_ms or UNKNOWN_EVERY_MS))
    its = played(time_ms[turns + 1], rests, past.played, ONE_IN_MS, ENOUGH_RESTS)
    if (its.since_ms == MOVING).all():
        return all_since(MOVING, at_ms.size + 1)
    place = np.concatenate(([0], sound[moved[turns]] + 1))
    return its.since_ms[place.searchsorted(np.arange(at_ms.size + 1), side="right") - 1]


def played(at_ms: Ints, value: Floats, past: Played, every_ms: int, enough: float = ENOUGH_BITS) -> Again:
    """Return which readings (shapes n) are played again; `past` is carried on (it is changed).

    `every_ms` is how often the probe is to be read (0: not known), `enough` how many bits prove it.
    """
    known, before = len(past.value), past.count
    sound = np.isfinite(value).nonzero()[0]
    row = np.concatenate((past.value[-1:] or (np.nan,), value[sound]))
    changed = sound[row[1:] != row[:-1]]
    time_ms = np.array(past.time_ms, dtype=np.int64)
    old = np.array([past.chain >= 0])
    if not changed.size:
        since = past.since_ms if before < past.until else MOVING
        return Again(all_since(since, value.size + 1), changed, time_ms, changed, old)
    row = np.concatenate((past.value, value[changed]))
    time_ms = np.concatenate((time_ms, at_ms[changed]))
    since_ms = all_since(MOVING, changed.size + 1)
    since_ms[: max(past.until - before, 0)] = past.since_ms
    first = max(known + 1 - WINDOW, 0)  # of the first window that ends with a new reading
    codes = _hashes(row[first:])
    share = min((every_ms or UNKNOWN_EVERY_MS) / ONE_IN_MS, 1.0)
    kept = (codes < np.uint64(share * _HIGHEST)).nonzero()[0]
    ends, hashes = kept + (first + WINDOW - known), codes[kept].tolist()
    old = np.concatenate((old, np.zeros(ends.size, dtype=np.bool_)))
    if not past.are_new(hashes):
        for place in _take_in(past, hashes, row, first + kept, time_ms, before + ends, enough):
            old[place + 1] = True
            if past.until > before:
                since_ms[ends[place] : past.until - before] = past.since_ms
    past.count += changed.size
    past.time_ms, past.value = tuple(time_ms[-WINDOW:].tolist()), tuple(row[-WINDOW:].tolist())
    again = Again(all_since(MOVING, value.size + 1), changed, time_ms, ends, old)
    # As `until` only grows, nothing of the block is played where it is not past what was before.
    return again if past.until <= before else replace(again, since_ms=since_ms[again.changes])


def _take_in(
    past: Played, hashes: list[int], row: Floats, begins: Ints, time_ms: Ints, at: Ints, enough: float
) -> Iterator[int]:
    """Take in hashes of windows of a row, complete after `at` readings; yield which of them are old ones."""
    numbers, newest = past.known(hashes), -1
    places = [*numbers]
    first = begins[places]
    bits = _zigzag_bits(row[first[:, None] + np.arange(WINDOW)])
    some = (bits != 0.0).any(axis=1)
    known = zip(
        numbers.items(), at[places].tolist(), time_ms[first].tolist(), bits, some.tolist(), strict=True
    )
    for (place, number), count_now, began_ms, its, zigzags in known:
        past.chain = past.chain if place == newest + 1 else -1
        past.comes_again(number, count_now, its if zigzags else None, began_ms, enough)
        newest = place
        yield place
    past.chain = past.chain if newest == len(hashes) - 1 else -1


def _hashes(row: Floats) -> NDArray[np.uint64]:
    """Return the hash of each window of a row (shape m), shape (m - WINDOW + 1)."""
    if row.size < WINDOW:
        return np.empty(0, dtype=np.uint64)
    bits = row.view(np.uint64)
    whole = np.correlate((bits ^ (bits >> np.uint64(32))) * np.uint64(_FACTOR), _POWERS)
    return (whole ^ (whole >> np.uint64(29))) * np.uint64(_FACTOR)


def _zigzag_bits(windows: Floats) -> Floats:
    """Return by how much each reading of windows (shape m, WINDOW) zigzags, shape m, WINDOW - 3, in bits.

    What goes to and fro between the same readings does so of itself (a pump that shifts them as it starts):
    of a step that its window has already, nothing.
    """
    start, end = windows[:, :-1], windows[:, 1:]
    steps = end - start
    bends = (steps[:, 1:] - steps[:, :-1]) / np.abs(steps).min(axis=1, keepdims=True)
    size = np.abs(bends)
    turns = np.minimum(size[:, 1:], size[:, :-1])
    counts = (bends[:, 1:] * bends[:, :-1] < 0) & (turns > _LEAST_ZIGZAG)
    some = counts.any(axis=1).nonzero()[0]  # where nothing zigzags, nothing need be compared
    start, end = start[some], end[some]
    same = (start[:, :, None] == start[:, None, :]) & (end[:, :, None] == end[:, None, :])
    counts[some] &= ~(same & _EARLIER).any(axis=2)[:, 2:]
    return np.log2(1.0 + np.where(counts, turns, 0.0))
