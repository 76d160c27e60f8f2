"""Whether a probe that does not move is frozen: it takes a witness, for readings alone cannot tell.

Readings are put together in buckets of minutes by their arrival; a *stretch* is a row of buckets that lie no
further apart than a span: nothing (an exact repeat), or a dithering last digit. A stretch is frozen where
something else moved meanwhile that this probe had to show, or where it is three times as long as the
longest of the last fortnight; five times where its last digit goes to and fro. What was told as frozen is
never learned from.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from rules.quality.history import COUNTS_AFTER_MS, DAY_MS, FORTNIGHT, LAST_DIGIT, Learned
from rules.quality.hour_statistics import APART, BUCKET_MS, Buckets, all_since
from rules.quantities import Quantity

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_Number = TypeVar("_Number", int, float)

LEAST_MS: Final = 600_000
LEAST_READINGS: Final = 20
LONG_READINGS: Final = 2 * LEAST_READINGS
"""No stretch counts below, nor by how long it lasts alone (project judgement)."""

TIMES_THE_LONGEST: Final = 3
_TIMES: Final = (TIMES_THE_LONGEST, 5, TIMES_THE_LONGEST)
"""More for one digit: by three the measured sea on coarse digits is called stuck a fifth oftener."""
TELLS_WITHIN_MS: Final = 60_000 + BUCKET_MS
"""The delay of a probe fault and the bucket that a stretch began in: part of the time that it may take."""

ONE_DIGIT: Final = 1.25
DITHER_DIGITS: Final = 2.5
DITHER_NOISE: Final = 1.25
"""A frozen probe's last digit may dither to and fro, or by one up and down; in a noisy one, by what its noise
never keeps to (project judgement)."""

AS_WIDE: Final = 0.8
"""Stretches within a span tell how long those within one that is little wider may last."""

MOVED: Final = {
    Quantity.TEMPERATURE: {Quantity.TEMPERATURE: 0.5},
    Quantity.CONDUCTIVITY: {Quantity.TEMPERATURE: 0.5, Quantity.CONDUCTIVITY: 1.0},
    Quantity.SALINITY: {Quantity.SALINITY: 0.5},
    Quantity.OXYGEN: {Quantity.TEMPERATURE: 2.0, Quantity.OXYGEN: 0.5},
    Quantity.OXYGEN_SATURATION: {Quantity.OXYGEN_SATURATION: 5.0},
    Quantity.AIR_PRESSURE: {Quantity.AIR_PRESSURE: 3.0},
}
"""By how much another quantity or a second probe of a vessel must move, so that a probe had to show it: some
2 % per kelvin in conductivity and in the oxygen that water holds (project judgement)."""

ALONG: Final = 0.01
"""By so much of itself for each kelvin a cell has moved at least where the water moved the thermometer beside
it: half of what water of any salt does (PSS-78 at 8 to 22 °C: 2.1 to 2.7 %), since salt may go the other way
(project judgement)."""

_DIGITS_MOVED: Final = 5.0

MOVING: Final = np.iinfo(np.int64).max
"""Stands where a reading is not frozen for the moment since when it is."""

STALE_POLLS: Final = 3
"""So often may what must change from poll to poll come again, for a probe that is slower than its polls."""


@dataclass(slots=True)
class Stretch:
    """A row of buckets that lie within `span` of each other; `count` is 0 where there is none.

    `frozen_ms` is how long it may last by the probe's own past (-1: unknown), `moved` by how many times the
    least change a witness must move. `beside` has, for each witness, the highest low and the lowest high of
    its buckets meanwhile: a single spike moves neither, nor where it is alone in a bucket.
    """

    count: int = 0
    since_ms: int = -1
    last_ms: int = -1
    low: float = 0.0
    high: float = 0.0
    span: float = 0.0
    frozen_ms: int = -1
    moved: float = 1.0
    beside: list[tuple[float, float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Calm:
    """What is carried of a source: its buckets; of exact repeats and of each dither the stretch under way and
    how long the longest of each day were; by days, how far each dither might stray (`spans`) and the smallest
    step (`digits`). `began_ms` is when the first reading came (or came after a day), `changed_ms` a change,
    `frozen_ms` since when it is frozen (`MOVING`: it is not).
    """

    buckets: Buckets = field(default_factory=Buckets)
    stretches: tuple[Stretch, ...] = (Stretch(), Stretch(), Stretch())
    longest: tuple[dict[int, int], ...] = ({}, {}, {})
    spans: tuple[dict[int, float], ...] = ({}, {})
    digits: dict[int, float] = field(default_factory=dict)
    value: float = np.nan
    began_ms: int = -1
    changed_ms: int = -1
    frozen_ms: int = MOVING

    def is_frozen(self, at_ms: int, counted: bool) -> bool | None:
        """Return whether it is; None where at most its last digit changed for so long that nobody can tell.

        Where the probe's answers are `counted`, a repeated one is new.
        """
        since_ms = min([self.changed_ms, *(it.since_ms for it in self.stretches if it.count)])
        frozen = self.frozen_ms != MOVING
        if frozen or counted or at_ms - since_ms < TIMES_THE_LONGEST * LEAST_MS:
            return frozen
        return None


@dataclass(frozen=True, slots=True)
class Witness:
    """What must move where this probe should: its buckets, this block's too, and its least change.

    `along` is the place of the witness that shows whether it is the water that moves it, and the least change
    of that, as a share of itself: where it stays meanwhile, this one bears no witness.
    """

    buckets: Buckets
    least: float
    along: tuple[int, float] | None = None


@dataclass(frozen=True, slots=True)
class Usual:
    """What a source showed up to a day; None where nothing."""

    quantity: Quantity
    now: Learned | None

    def spans(self, seen: float) -> tuple[float, float]:
        """Return how far one that dithers by its last digit may stray, and one that does so by more.

        `seen`: the smallest step on the days before; of a probe without a good hour nothing else is known.
        """
        usual = LAST_DIGIT[self.quantity]
        digit, noise = (max(usual, seen), 0.0) if self.now is None else (self.now.digit, self.now.noise)
        widest = min(max(DITHER_DIGITS * digit, DITHER_NOISE * noise), 10 * DITHER_DIGITS * usual)
        return min(ONE_DIGIT * digit, widest), widest

    @property
    def moved(self) -> float:
        """By how many times its least change a witness must move, the last digit being coarse."""
        least = MOVED[self.quantity][self.quantity]
        return 2.0 if self.now is None else max(1.0, _DIGITS_MOVED * self.now.digit / least)


def frozen(
    at_ms: Ints,
    value: Floats,
    past: Calm,
    now: tuple[Buckets, Ints],
    usual: Usual,
    witnesses: Sequence[Witness],
    stale: Bools | None = None,
) -> tuple[Ints, Calm]:
    """Return since when each reading of a source is frozen (`MOVING` where it is not), and what to carry.

    `at_ms`, `value`: shapes n, not empty. `now`: its buckets with these readings, and which one each is in.
    `stale`: where a count of the probe's answers says that they are old ones; None where it has none.
    """
    buckets, bucket_of = now
    since_ms = all_since(MOVING, at_ms.size) if stale is None else np.where(stale, at_ms, MOVING)
    first, open_part = _open_before(past.buckets, buckets)
    followed, began_ms = list[tuple[Stretch, dict[int, int]]](), past.began_ms
    if not past.buckets.size or at_ms[0] - past.buckets.when[3, -1] > DAY_MS:
        began_ms = int(at_ms[0])
    digits = _lately(past.digits, day := int(at_ms[0]) // DAY_MS)
    now_spans = usual.spans(min((its for then, its in digits.items() if then < day), default=0.0))
    spans = tuple(map(_spans, past.spans, (day, day), now_spans))
    closed = buckets.when[0, first:-1]
    beside = [it.buckets.extremes_in(closed) for it in witnesses] if closed.size else []
    tracks = zip((0.0, *now_spans), _TIMES, past.stretches, past.longest, ({}, *spans), strict=True)
    for span, times, stretch, lengths, by_day in tracks:
        if first == buckets.size - 1 and not _is_due(stretch, witnesses, int(buckets.when[3, first])):
            followed.append((stretch, lengths))
            continue
        own = replace(stretch, beside=[*stretch.beside]) if stretch.count else stretch
        kept = own, dict(lengths), open_part, began_ms, _alike_since(by_day, span, began_ms)
        track = _Track(buckets, first, usual, span, times, witnesses, beside, *kept)
        track.follow()
        if track.due:
            since_ms = np.minimum(since_ms, track.frozen_since(at_ms, value, bucket_of))
        followed.append((track.stretch, track.longest))
    newest = float(value[-1]), began_ms, _note_steps(at_ms, value, digits, past), int(since_ms[-1])
    stretches, longest = zip(*followed, strict=True)
    return since_ms, Calm(buckets.newest(), stretches, longest, spans, digits, *newest)


def _open_before(before: Buckets, buckets: Buckets) -> tuple[int, tuple[float, float] | None]:
    """Return which bucket was open before a block, and its extremes then; None where it goes on no more."""
    first = max(before.size - 1, 0)
    if not before.size or before.when[0, -1] != buckets.when[0, first]:
        return first, None
    low, high = before.extremes[:2, -1].tolist()
    return first, (low, high)


def _note_steps(at_ms: Ints, value: Floats, digits: dict[int, float], past: Calm) -> int:
    """Note a day's smallest step; return when a reading last differed from the one before."""
    steps = np.abs(value - np.concatenate(([past.value], value[:-1])))
    changes, day = (steps != 0).nonzero()[0], int(at_ms[0]) // DAY_MS
    if (moves := steps[steps > 0]).size:
        digits[day] = min(float(moves.min()), digits.get(day, np.inf))
    return int(at_ms[changes[-1]]) if changes.size else past.changed_ms


def _lately(past: dict[int, _Number], day: int) -> dict[int, _Number]:
    return {then: its for then, its in past.items() if then >= day - FORTNIGHT}


def _spans(past: dict[int, float], day: int, span: float) -> dict[int, float]:
    """Return the spans of the last fortnight's days: the narrowest of each."""
    return past if past.get(day, np.inf) <= span else {**_lately(past, day), day: span}


def _alike_since(by_day: dict[int, float], span: float, began_ms: int) -> int:
    """Return since when spans were about as wide as one is now."""
    return max([0, began_ms, *((then + 1) * DAY_MS for then, its in by_day.items() if its < AS_WIDE * span)])


def _speaks(
    witness: Witness, at: tuple[float, float], beside: list[tuple[float, float]], times: float
) -> bool:
    """Return whether a witness has moved by so many times its least change, and nothing belies it.

    `at` is its highest low and lowest high, `beside` are those of all.
    """
    if at[0] - at[1] < witness.least * times:
        return False
    if witness.along is None:
        return True
    place, share = witness.along
    low, high = beside[place]  # -inf and inf where it said nothing
    return low == -math.inf or low - high >= share * times * low


def _frozen_from(stretch: Stretch, witnesses: Sequence[Witness]) -> int | None:
    """Return the moment from which on a stretch counts as frozen; None while nothing says so."""
    if stretch.count < LEAST_READINGS:
        return None
    beside = stretch.beside
    if any(_speaks(it, at, beside, stretch.moved) for it, at in zip(witnesses, beside, strict=True)):
        return stretch.since_ms + LEAST_MS
    enough = stretch.frozen_ms > 0 and stretch.count >= LONG_READINGS
    return stretch.since_ms + stretch.frozen_ms if enough else None


def _is_due(stretch: Stretch, witnesses: Sequence[Witness], at_ms: int) -> bool:
    """Return whether a stretch must be followed up to a reading at `at_ms` in the bucket after it."""
    if stretch.count and len(stretch.beside) != len(witnesses):
        return True
    due_ms = _frozen_from(stretch, witnesses)
    return due_ms is not None and due_ms <= at_ms


class _Track:
    """Follows the stretches of a source through its buckets, from the one that was open before (`first`)."""

    def __init__(
        self,
        buckets: Buckets,
        first: int,
        usual: Usual,
        span: float,
        times: int,
        witnesses: Sequence[Witness],
        beside: list[Floats],
        stretch: Stretch,
        longest: dict[int, int],
        open_part: tuple[float, float] | None,
        began_ms: int,
        alike_ms: int,
    ) -> None:
        self._open, self._began_ms, self._alike_ms = open_part, began_ms, alike_ms
        self._when, (self._low, self._high) = buckets.when, buckets.extremes[:2]
        self._first, self._usual, self._span, self._times = first, usual, span, times
        self._witnesses, self._beside = witnesses, beside
        fits = len(stretch.beside) == len(witnesses)
        self.stretch, self.longest = stretch if fits else Stretch(), longest
        self.due: list[tuple[int, int, int, float, float]] = []

    def follow(self) -> None:
        """Go through the buckets that are closed now."""
        expected, stop = self._first, self._when.shape[1] - 1
        self._note_due(expected)
        if expected == stop:
            return
        for at in self._quiet(expected, stop):
            if at != expected:
                self._end(expected)
            if not self._goes_on(at):
                self._end(at)
                self._begin(at)
            expected = at + 1
            if self._when[0, expected] - self._when[0, at] > APART:
                self._end(expected)
            elif self.stretch.count:
                self._note_beside(at)
            self._note_due(expected)
        if expected != stop:
            self._end(expected)

    def _quiet(self, first: int, stop: int) -> list[int]:
        """Return the buckets from `first` up to `stop` that a stretch can lead to or from."""
        widest = max(self.stretch.span, self._span)
        low, high = self._low[first:stop], self._high[first:stop]
        quiet = high - low <= widest
        if not np.count_nonzero(quiet):
            return []
        if quiet.size > 1:
            beside = np.maximum(high[1:], high[:-1]) - np.minimum(low[1:], low[:-1]) <= widest
            long = self._when[1, first + 1 : stop - 1] >= LONG_READINGS  # with a gap after it, that is enough
            quiet[1:-1] &= beside[1:] | beside[:-1] | long
        return [int(at) for at in quiet.nonzero()[0] + first]

    def frozen_since(self, at_ms: Ints, value: Floats, bucket_of: Ints) -> Ints:
        """Return since when each reading goes on with a stretch that has lasted too long."""
        found = np.full(at_ms.size, MOVING)
        for at, due_ms, since_ms, low, high in self.due:
            here = slice(*bucket_of.searchsorted([at, at + 1]))
            alike = (value[here] >= low) & (value[here] <= high)
            before = self._open if at == self._first else None
            goes_on = before is None or (before[0] >= low and before[1] <= high)
            frozen = np.logical_and.accumulate(alike) & (at_ms[here] >= due_ms) & goes_on
            found[here] = np.where(frozen, since_ms, MOVING)
        return found

    def _goes_on(self, at: int) -> bool:
        """Let the stretch go on with a bucket; return whether it can."""
        stretch, (_, count, _, last_ms) = self.stretch, self._when[:, at].tolist()
        low, high = min(stretch.low, float(self._low[at])), max(stretch.high, float(self._high[at]))
        if not stretch.count or high - low > stretch.span:
            return False
        stretch.low, stretch.high, stretch.last_ms = low, high, last_ms
        stretch.count += count
        return True

    def _begin(self, at: int) -> None:
        """Begin a stretch with a bucket that lies within the span of its day."""
        _, count, first_ms, last_ms = self._when[:, at].tolist()
        low, high = float(self._low[at]), float(self._high[at])
        if high - low > self._span:
            return
        beside = [(-np.inf, np.inf)] * len(self._witnesses)
        frozen_ms = self._frozen_after_ms(first_ms)
        self.stretch = Stretch(
            count, first_ms, last_ms, low, high, self._span, frozen_ms, self._usual.moved, beside
        )

    def _frozen_after_ms(self, first_ms: int) -> int:
        """Return how long a stretch may last that begins now; -1 where what was before tells nothing.

        Of k times the time the longest is taken to be at most k times as long: a past of less than two days
        is stretched to these, and tells nothing before they are over; nor does one that was calm for a third.
        Stretches as wide as this one must be known for a day and a night of them.
        """
        known_ms, alike_ms = first_ms - self._began_ms, first_ms - self._alike_ms
        known = _lately(self.longest, first_ms // DAY_MS).values()
        longest_ms = self._times * max([LEAST_MS, *known])
        if longest_ms > alike_ms:
            return -1
        stretched_ms = round(longest_ms * max(1.0, COUNTS_AFTER_MS / alike_ms))
        return max(stretched_ms - TELLS_WITHIN_MS, COUNTS_AFTER_MS - known_ms, DAY_MS - alike_ms)

    def _note_beside(self, at: int) -> None:
        """Take in what the witnesses did in a bucket."""
        for place, extremes in enumerate(self._beside):
            lowest, highest = extremes[:, at - self._first].tolist()
            low, high = self.stretch.beside[place]
            if not math.isnan(lowest):
                self.stretch.beside[place] = (max(low, lowest), min(high, highest))

    def _note_due(self, at: int) -> None:
        """Note from when on readings of the bucket that follows the stretch are frozen, and within what."""
        due_ms, stretch = _frozen_from(self.stretch, self._witnesses), self.stretch
        if due_ms is not None and due_ms <= self._when[3, at]:
            low, high = stretch.high - stretch.span, stretch.low + stretch.span
            self.due.append((at, due_ms, stretch.since_ms, low, high))

    def _end(self, at: int) -> None:
        """End the stretch before a bucket that does not go on with it; learn how long a sound one was."""
        stretch, due_ms = self.stretch, _frozen_from(self.stretch, self._witnesses)
        lasted_ms = stretch.last_ms - stretch.since_ms
        if lasted_ms >= LEAST_MS and (due_ms is None or stretch.last_ms < due_ms):
            day = int(self._when[2, at]) // DAY_MS
            self.longest = _lately(self.longest, day)
            self.longest[day] = max(self.longest.get(day, 0), lasted_ms)
        self.stretch = Stretch()
