"""A stretch of earlier readings that comes again, noise and all, is no water: somebody plays a record.

Of every twenty changing readings in a row there is a hash, and some of the hashes (which, they say
themselves) are kept in a ring: as many as it holds of a day and a night. Hashes that come again in their old
order are evidence, in bits: by how many last digits the readings zigzag. What is coarse or steady comes
again by chance, what a thermostat does by itself; neither zigzags. Of what is coarse the times do:
how long it rests on a value before it turns back is by its noise.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import count
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from rules.quality.calm import MOVING
from rules.quality.hour_statistics import all_since

Ints = NDArray[np.int64]
Hashes = NDArray[np.uint64]
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
_BENDS: Final = WINDOW - 3
_HIGHEST: Final = 0xFFFFFFFF << 32
_EARLIER: Final = np.tri(WINDOW - 1, k=-1, dtype=np.bool_)


@dataclass(slots=True)
class Played:
    """What is carried of a source: its newest changing readings, how many there were, and the ring.

    `ring` has the newest hashes in their order, of `number` that there were; `chain` is the number of the
    newest if it came again (-1: it was new), `chain_at` how many readings there were then, `bits` how sure it
    is. Until there were `until`, it counts as played, since `since_ms`. Of engines that read the same the
    rings are the same where `number` is.
    """

    time_ms: tuple[int, ...] = ()
    value: tuple[float, ...] = ()
    count: int = 0
    ring: Hashes = field(default_factory=lambda: np.empty(0, dtype=np.uint64), compare=False)
    number: int = 0
    chain: int = -1
    chain_at: int = 0
    bits: float = 0.0
    since_ms: int = MOVING
    until: int = 0

    def are_new(self, codes: Hashes) -> bool:
        """Return whether no hash of the ring is any of these, all of them different; put them there if so."""
        if not codes.size:
            return True
        row = np.concatenate((self.ring, codes))
        in_order = np.sort(row)
        if np.count_nonzero(in_order[1:] == in_order[:-1]):
            return False
        self.ring = row[-KEPT:].copy()
        self.number, self.chain = self.number + codes.size, -1
        return True

    def known(self, codes: Hashes) -> dict[int, int]:
        """Return which hashes are in the ring, their numbers by place; put the others there, one by one."""
        found, first = dict[int, int](), self.number - self.ring.size
        ring = dict(zip(self.ring.tolist(), count(first), strict=False))
        for place, code in enumerate(codes.tolist()):
            if code in ring:
                found[place] = ring[code]
                continue
            ring[code] = self.number
            self.number += 1
            if len(ring) > KEPT:
                del ring[next(iter(ring))]
        self.ring = np.array([*ring], dtype=np.uint64)
        return found

    def comes_again(
        self, number: int, at: int, newest_bits: list[float] | None, began_ms: int, enough: float
    ) -> None:
        """Take in a window that began at a moment, by the number of its hash, after `at` readings.

        `newest_bits`: by how much its newest readings zigzag, one, two, ... of them; None where none does.
        """
        goes_on = 0 <= self.chain == number - 1
        if not goes_on:
            self.bits = 0.0
            self.since_ms = self.since_ms if at < self.until else began_ms
        if newest_bits is not None:
            self.bits += newest_bits[(min(at - self.chain_at, _BENDS) if goes_on else _BENDS) - 1]
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
        return replace(self, played=replace(self.played))


@dataclass(frozen=True, slots=True)
class Again:
    """What is known before a block and after each of its n readings: `since_ms` (n + 1) is since when they
    are played again (`MOVING`: they are not). What else is asked seldom is worked out then.

    `changed` is where changing readings are, `time_ms` when these and the carried ones came, `ends` after how
    many of them each hash was complete, `old` (one more) whether it is an old one. `goes_round` (n) is
    whether they are a few that come over and over.
    """

    since_ms: Ints
    changed: Ints
    time_ms: Ints
    ends: Ints
    old: NDArray[np.bool_]
    goes_round: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=np.bool_))

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


def rested(at_ms: Ints, value: Floats, changed: Ints, past: Rests, every_ms: int) -> Ints:
    """Return since when readings (shapes n) are played again by their rests, before and after each (n + 1).

    `changed` is where changing ones are, `past` is carried on (it is changed), `every_ms` is how often the
    probe is to be read (0: not known).
    """
    row = np.concatenate(((past.value,), value[changed]))
    time_ms = np.concatenate(((past.since_ms,), at_ms[changed]))
    way = np.concatenate(((past.way,), np.sign(row[1:] - row[:-1])))  # of a first one NaN: it turns nothing
    turns = (way[1:] * way[:-1] < 0).nonzero()[0]
    if changed.size:
        past.value, past.since_ms = float(row[-1]), int(time_ms[-1])
        past.way = 0 if np.isnan(way[-1]) else int(way[-1])
    if not turns.size:
        stands = past.played.count < past.played.until
        return all_since(past.played.since_ms if stands else MOVING, at_ms.size + 1)
    turned_ms = time_ms[turns + 1]
    rests = np.rint((turned_ms - time_ms[turns]) / (every_ms or UNKNOWN_EVERY_MS))
    its = played(turned_ms, rests, past.played, ONE_IN_MS, ENOUGH_RESTS)
    if (its.since_ms == MOVING).all():
        return all_since(MOVING, at_ms.size + 1)
    place = np.concatenate(([0], changed[turns] + 1))
    return its.since_ms[place.searchsorted(np.arange(at_ms.size + 1), side="right") - 1]


def played(at_ms: Ints, value: Floats, past: Played, every_ms: int, enough: float = ENOUGH_BITS) -> Again:
    """Return which readings (shapes n) are played again; `past` is carried on (it is changed).

    `every_ms` is how often the probe is to be read (0: not known), `enough` how many bits prove it.
    """
    known, before = len(past.value), past.count
    finite = np.isfinite(value)
    sound = None if np.count_nonzero(finite) == value.size else finite.nonzero()[0]
    row = np.concatenate((past.value[-1:] or (np.nan,), value if sound is None else value[sound]))
    changed = (row[1:] != row[:-1]).nonzero()[0]
    changed = changed if sound is None else sound[changed]
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
    ends, hashes = kept + (first + WINDOW - known), codes[kept]
    old = np.concatenate((old, np.zeros(ends.size, dtype=np.bool_)))
    if not past.are_new(hashes):
        numbers = past.known(hashes)
        old[1:][[*numbers]] = True
        for place in _take_in(past, numbers, row, first + kept, time_ms, before + ends, enough):
            since_ms[ends[place] : past.until - before] = past.since_ms
    past.count += changed.size
    past.time_ms, past.value = tuple(time_ms[-WINDOW:].tolist()), tuple(row[-WINDOW:].tolist())
    again = Again(all_since(MOVING, value.size + 1), changed, time_ms, ends, old)
    # As `until` only grows, nothing of the block is played where it is not past what was before.
    return again if past.until <= before else replace(again, since_ms=since_ms[again.changes])


def _take_in(
    past: Played,
    numbers: dict[int, int],
    row: Floats,
    begins: Ints,
    time_ms: Ints,
    at: Ints,
    enough: float,
) -> Iterator[int]:
    """Take in windows of a row, complete after `at` readings, of which some are old ones (`numbers`).

    Yield after which of these it counts as played.
    """
    places, newest = [*numbers], -1
    alike = {number: place for place, number in numbers.items()}  # what has one hash zigzags alike
    bits = _zigzag_bits(row[begins[[*alike.values()]][:, None] + np.arange(WINDOW)])
    sums = zip(alike, bits[:, ::-1].cumsum(axis=1).tolist(), strict=True)
    newest_bits = {number: its for number, its in sums if its[-1]}
    known = zip(numbers.items(), at[places].tolist(), time_ms[begins[places]].tolist(), strict=True)
    for (place, number), count_now, began_ms in known:
        past.chain = past.chain if place == newest + 1 else -1
        past.comes_again(number, count_now, newest_bits.get(number), began_ms, enough)
        newest = place
        if past.until > count_now:
            yield place
    past.chain = past.chain if newest == at.size - 1 else -1


def _hashes(row: Floats) -> Hashes:
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
    found = np.zeros((windows.shape[0], _BENDS))
    steps = windows[:, 1:] - windows[:, :-1]
    size = np.abs(steps)
    digit = size.min(axis=1)
    some = (2.0 * size.max(axis=1) > _LEAST_ZIGZAG * digit).nonzero()[0]  # nothing else can bend so much
    if not some.size:
        return found
    steps, alike = steps[some], windows[some, :, None] == windows[some, None, :]
    bends = (steps[:, 1:] - steps[:, :-1]) / digit[some, None]
    size = np.abs(bends)
    turns = np.minimum(size[:, 1:], size[:, :-1])
    counts = (bends[:, 1:] * bends[:, :-1] < 0) & (turns > _LEAST_ZIGZAG)
    counts &= ~(alike[:, :-1, :-1] & alike[:, 1:, 1:] & _EARLIER).any(axis=2)[:, 2:]
    found[some] = np.log2(1.0 + np.where(counts, turns, 0.0))
    return found
