"""Whether a probe is frozen, said once more reading by reading in plain numbers, beside the arrays.

What is expected follows the words of `rules.quality.calm`; its numbers stand here again, so that none changes
unseen. All readings are invented: a probe stands still, dithers and moves, for minutes and for hours, beside
two others that move or do not.
"""

import math
from dataclasses import dataclass, field

import numpy as np
import pytest

from rules.quality.calm import MOVING, Calm, Usual, Witness, frozen
from rules.quality.history import Learned
from rules.quality.hour_statistics import Buckets
from rules.quantities import Quantity

LOT = 2_918_604_337
MINUTE, DAY = 60_000, 86_400_000
TEN_MINUTES, BUCKET = 10 * MINUTE, 5 * MINUTE
MIDNIGHT_MS = 20_370 * DAY
OXYGEN = Quantity.OXYGEN
LEAST = (2.0, 0.5)
"""By how much a thermometer, and a second oxygen probe, must move for an oxygen probe to show it."""


@dataclass
class Row:
    """A row of buckets within a span: what the probe read, how long it may last, what the witnesses did."""

    count: int
    since_ms: int
    last_ms: int
    low: float
    high: float
    span: float
    may_last_ms: int | None
    moved: float
    beside: list[tuple[float, float]]

    def due_ms(self):
        if self.count < 20:
            return None
        if any(
            low - high >= least * self.moved for (low, high), least in zip(self.beside, LEAST, strict=True)
        ):
            return self.since_ms + TEN_MINUTES
        known = self.may_last_ms is not None and self.count >= 40
        return self.since_ms + self.may_last_ms if known else None


@dataclass
class Track:
    """The rows of buckets within one span, and how long the longest sound one of each day was."""

    times: int
    row: Row | None = None
    longest_ms: dict[int, int] = field(default_factory=dict)

    def lately(self, day):
        return [its for then, its in self.longest_ms.items() if then >= day - 14]

    def may_last_ms(self, first_ms, began_ms, alike_ms):
        """So many times the longest; a past of less than two days is stretched to these."""
        known_ms, alike_ms = first_ms - began_ms, first_ms - max(began_ms, alike_ms)
        longest_ms = self.times * max([TEN_MINUTES, *self.lately(first_ms // DAY)])
        if longest_ms > alike_ms:
            return None
        stretched_ms = round(longest_ms * max(1.0, 2 * DAY / alike_ms))
        return max(stretched_ms - 6 * MINUTE, 2 * DAY - known_ms, DAY - alike_ms)

    def end(self, at_ms):
        if self.row is not None:
            lasted_ms, due_ms = self.row.last_ms - self.row.since_ms, self.row.due_ms()
            if lasted_ms >= TEN_MINUTES and (due_ms is None or self.row.last_ms < due_ms):
                day = at_ms // DAY
                self.longest_ms[day] = max(self.longest_ms.get(day, 0), lasted_ms)
        self.row = None


@dataclass
class Plainly:
    """A probe of which each reading is taken for itself."""

    witnesses: list[dict[int, list[float]]]
    tracks: list[Track] = field(default_factory=lambda: [Track(3), Track(5), Track(3)])
    bucket: list[tuple[int, float]] = field(default_factory=list)
    spans: list[dict[int, float]] = field(default_factory=lambda: [{}, {}])
    digits: dict[int, float] = field(default_factory=dict)
    newest: float = math.nan
    newest_ms: int | None = None
    began_ms: int = 0
    changed_ms: int = -1

    def take(self, at_ms, value, usual):
        day = at_ms // DAY
        if self.newest_ms is None or at_ms - self.newest_ms > DAY:
            self.began_ms = at_ms
        now = self._now_spans(day, usual)
        for its, span in zip(self.spans, now, strict=True):
            its[day] = min(its.get(day, span), span)
        if self.bucket and at_ms // BUCKET != self.bucket[0][0] // BUCKET:
            self._close(at_ms, (0.0, *now), usual)
            self.bucket = []
        self.bucket.append((at_ms, value))
        spans = (0.0, *now)
        since = [
            self._frozen_since(track, span, at_ms) for track, span in zip(self.tracks, spans, strict=True)
        ]
        self._note_step(at_ms, value, day)
        return min(since)

    def _now_spans(self, day, usual):
        before = [its for then, its in self.digits.items() if day - 14 <= then < day]
        digit = max(0.01, min(before, default=0.0)) if usual is None else usual.digit
        noise = 0.0 if usual is None else usual.noise
        widest = min(max(2.5 * digit, 1.25 * noise), 0.25)
        return min(1.25 * digit, widest), widest

    def _close(self, next_ms, spans, usual):
        """Take in the bucket that is over as a reading comes in another one."""
        values, (first_ms, _), (last_ms, _) = [it for _, it in self.bucket], self.bucket[0], self.bucket[-1]
        low, high = (math.nan,) * 2 if any(map(math.isnan, values)) else (min(values), max(values))
        far = next_ms // BUCKET - first_ms // BUCKET > 6
        for place, (track, span) in enumerate(zip(self.tracks, spans, strict=True)):
            row = track.row
            goes_on = row is not None and not math.isnan(low)
            if goes_on and max(row.high, high) - min(row.low, low) <= row.span:
                row.low, row.high, row.last_ms = min(row.low, low), max(row.high, high), last_ms
                row.count += len(values)
            else:
                track.end(first_ms)
                if high - low <= span:
                    alike_ms = self._alike_ms(place, span, first_ms // DAY)
                    may_last_ms = track.may_last_ms(first_ms, self.began_ms, alike_ms)
                    moved = 2.0 if usual is None else max(1.0, 5.0 * usual.digit / 0.5)
                    still = [(-math.inf, math.inf)] * 2
                    its = len(values), first_ms, last_ms, low, high, span
                    track.row = Row(*its, may_last_ms, moved, still)
            if far:
                track.end(next_ms)
            elif track.row is not None:
                self._note_beside(track.row, first_ms // BUCKET)

    def _alike_ms(self, place, span, day):
        """Since when what counted as that dither was about as wide as now; always, of an exact repeat."""
        spans = self.spans[place - 1].items() if place else ()
        return max([0, *((then + 1) * DAY for then, its in spans if then >= day - 14 and its < 0.8 * span)])

    def _note_beside(self, row, number):
        for place, its in enumerate(self.witnesses):
            read = its.get(number, [])
            if len(read) == 1:  # might be a spike: with what it read before, within half an hour
                read = next((read + its[it] for it in range(number - 1, number - 7, -1) if it in its), [])
            if read and not any(map(math.isnan, read)):
                low, high = row.beside[place]
                row.beside[place] = max(low, min(read)), min(high, max(read))

    def _frozen_since(self, track, span, at_ms):
        row = track.row
        if row is None or (due_ms := row.due_ms()) is None or at_ms < due_ms:
            return MOVING
        alike = all(row.high - row.span <= it <= row.low + row.span for _, it in self.bucket)
        return row.since_ms if alike else MOVING

    def _note_step(self, at_ms, value, day):
        step = abs(value - self.newest)
        if step > 0:
            self.digits[day] = min(step, self.digits.get(day, math.inf))
        if step != 0:
            self.changed_ms = at_ms
        self.newest, self.newest_ms = value, at_ms


def by_bucket(at_ms, value):
    found = {}
    for number, its in zip((at_ms // BUCKET).tolist(), value.tolist(), strict=True):
        found.setdefault(number, []).append(its)
    return found


def course(draw, size, moves):
    """Stretches that move, stand still, dither by one digit or two, in sixty-fourths; at times no number."""
    value, level = [], 8.0
    while len(value) < size:
        kind, length = int(draw.integers(moves)), int(draw.choice([4, 11, 20, 21, 30, 60, 240, 700]))
        level += float(draw.integers(-64, 65)) / 64
        part = np.full(length, level)
        if kind == 1:
            part += draw.integers(0, 2, length) / 64
        elif kind == 2:
            part += draw.integers(-1, 2, length) / 64
        elif kind == 3:
            part += draw.integers(0, 3, length).repeat(8)[:length] / 64
        elif kind > 3:
            part += draw.integers(-30, 31, length) / 64
        if draw.random() < 0.2:
            part[draw.integers(length)] += draw.choice([np.nan, -0.5, 0.5])
        value += part.tolist()
    return np.array(value[:size])


def usuals(draw):
    """What is known of the probe on each day: nothing for a while, then digits and noise of all kinds."""
    learned = [
        None,
        *(Learned(0, 40, 0.0, noise, digit, 0.1) for noise, digit in [(0.0, 1 / 64), (0.05, 1 / 64)]),
        Learned(0, 40, 0.0, 0.02, 0.11, 0.1),
        Learned(0, 40, 0.0, 1.0, 1 / 32, 0.1),
    ]
    return [learned[it] for it in draw.choice(len(learned), 22, p=[0.3, 0.3, 0.2, 0.1, 0.1])]


def found(draw, at_ms, value, beside, usual):
    """The same by the arrays, in blocks of a day at most; the state is carried."""
    past, others, start, rows = Calm(), [Buckets(), Buckets()], 0, []
    midnights = [*(np.diff(at_ms // DAY).nonzero()[0] + 1).tolist(), at_ms.size]
    while start < at_ms.size:
        most = int(draw.choice([1, 3, 40, 2000]))
        stop = min(start + int(draw.integers(1, most + 1)), next(it for it in midnights if it > start))
        part = slice(start, stop)
        read = [~np.isinf(its[part]) for its in beside]
        others = [
            was.followed_by(at_ms[part][here], its[part][here])[0] if here.any() else was
            for was, its, here in zip(others, beside, read, strict=True)
        ]
        witnesses = [Witness(*it) for it in zip(others, LEAST, strict=True)]
        now = Usual(OXYGEN, usual[int(at_ms[start] // DAY) - 20_370])
        told, past = frozen(
            at_ms[part], value[part], past, past.buckets.followed_by(at_ms[part], value[part]), now, witnesses
        )
        others = [its.newest() if its.size else its for its in others]
        rows += told.tolist()
        start = stop
    return rows, past


@pytest.mark.parametrize("number", range(24))
def test_blocks_are_judged_as_reading_by_reading_in_plain_numbers(number):
    draw = np.random.default_rng([LOT, number])
    every_ms, size = int(draw.choice([15_000, 30_000, MINUTE, BUCKET // 2, BUCKET])), 7000
    waits = np.where(
        draw.random(size) < 0.002,
        draw.choice([BUCKET, 30 * MINUTE, 35 * MINUTE, DAY + MINUTE], size),
        every_ms,
    )
    at_ms = MIDNIGHT_MS + np.cumsum(waits)
    at_ms = at_ms[at_ms < MIDNIGHT_MS + 22 * DAY]
    value = course(draw, at_ms.size, int(draw.choice([4, 5, 9])))
    beside = [np.where(draw.random(at_ms.size) < 0.3, np.inf, course(draw, at_ms.size, 9)) for _ in LEAST]
    beside[0] *= 4.0
    usual = usuals(draw)
    rows, past = found(draw, at_ms, value, beside, usual)
    plain = Plainly([by_bucket(at_ms[~np.isinf(its)], its[~np.isinf(its)]) for its in beside])
    told = [
        plain.take(ms, its, usual[ms // DAY - 20_370])
        for ms, its in zip(at_ms.tolist(), value.tolist(), strict=True)
    ]
    assert rows == told, number
    assert (past.changed_ms, past.began_ms) == (plain.changed_ms, plain.began_ms)
    assert past.frozen_ms == told[-1]
    assert number > 12 or any(it != MOVING for it in told), "else nothing was compared"
