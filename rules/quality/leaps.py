"""Leaps that a vessel's volume forbids: no water does them."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.quality.scatter import last
from rules.quality.settings import HOUR_MS, QualitySettings
from rules.quality.swift import HOURS, first_of_hours

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LOOKS_BACK: Final = 8
LAGS_MS: Final = 120_000
"""A probe that lags takes some polls for what no water does: each reading is compared with so many before it,
as far back as that (project judgement)."""

_NEWEST: Final = 5
_BASE_OF: Final = 15
"""What it leaps off is the median of the newest readings where these agree, else of more: a burst may be
stray without being a leap each."""

_SOON: Final = 4
"""So many readings after a return tell by themselves what the next leap is off."""

DRIFT_PER_HOUR: Final = 0.1
"""Meanwhile the water drifts, by so much of the greatest jump: to leap half of it to there ends the doubt."""

SETTLED_MS: Final = HOUR_MS
"""So does a crawl back, to within a quarter of that jump, if it stays for so long (project judgement)."""

TOLD_AFTER_MS: Final = 600_000
LOOSE: Final = 3
LOOSE_MS: Final = 4 * HOUR_MS
"""A leap is told as a fault once it lasts, or is the third within hours: the probe is loose then until none
has come for as long (project judgement)."""

_OF_LOOSE: Final = 0.5
"""A loose probe's leaps are looked for from that part of the greatest jump on (project judgement)."""

MOVES_WITH: Final = 3.0
"""A cell and a thermometer move together where neither moves more than so many times as far as the other, in
kelvin: what is poured in may be less salt, too (project judgement)."""


KNOWN_HOURS: Final = 6
"""After so many hours it is known how far apart a cell and a thermometer usually stand. Where both stand so
again for an hour, within a quarter of the leap, the water moved while nobody saw it (project judgement)."""

COMES_BACK_MS: Final = HOUR_MS // 2
"""It takes a probe that comes back no longer from half of a leap: slower is a salinity that creeps to where a
probe that lies stands as usual (project judgement)."""


@dataclass(frozen=True, slots=True)
class Leap:
    """What is carried of a source: the readings that the next are compared with, and since when (-1: not) it
    is a leap off `base`; when it was last far from there, or soon back; when the newest leaps began.

    `beside` is what the cell or thermometer next to it showed at each of the readings, in kelvin, and
    `beside_base` what at the base. A leap before `home_until_ms` is one off `home` still, what it leapt off
    before: nobody knows what is right of a probe that scatters. Of the last day's hours, how far both stood
    `apart`, in kelvin; the `usual` of that when it leapt, when both last stood otherwise (`strange_ms`), and
    when by more than half of the leap (`astray_ms`).
    """

    time_ms: tuple[int, ...] = ()
    value: tuple[float, ...] = ()
    beside: tuple[float, ...] = ()
    since_ms: int = -1
    base: float = 0.0
    beside_base: float = 0.0
    far_ms: int = -1
    back_ms: int = -1
    begun_ms: tuple[int, ...] = ()
    loose_until_ms: int = -1
    home: float = 0.0
    home_until_ms: int = -1
    hours: tuple[int, ...] = ()
    apart: tuple[float, ...] = ()
    usual: float = np.nan
    strange_ms: int = -1
    astray_ms: int = -1

    def taught(self, time_ms: Ints, apart: Floats) -> "Leap":
        """Return it with what undoubted readings tell of how far apart both stand."""
        first = first_of_hours(self.hours, time_ms, apart)
        if not first.size:
            return self
        hours = (*self.hours, *(time_ms[first] // HOUR_MS).tolist())[-HOURS:]
        return replace(self, hours=hours, apart=(*self.apart, *apart[first].tolist())[-HOURS:])


@dataclass(frozen=True, slots=True)
class Leapt:
    """Which readings are a leap away from the water, which of them not for long, where a probe is loose."""

    jumped: Bools
    young: Bools
    loose: Bools


@dataclass(frozen=True, slots=True)
class Beside:
    """What a cell shows beside a thermometer, or the other way: in kelvin, at each reading (NaN: nothing),
    and how readings of one's own are made kelvin."""

    kelvin: Floats
    of_own: Callable[[Floats], Floats]

    def part(self, part: slice) -> "Beside":
        """Return that beside some of the readings."""
        return Beside(self.kelvin[part], self.of_own)


def leaps(
    time_ms: Ints,
    value: Floats,
    settings: QualitySettings,
    past: Leap,
    agreed: Bools | None = None,
    beside: Beside | None = None,
) -> tuple[Leapt, Leap]:
    """Return which readings are further away than a vessel's water moves at once, and what to carry.

    `time_ms`, `value`: finite readings in the water, shapes n; `agreed`: where another probe bears them out.
    What follows a leap is doubted until it leaps back, settles where it was, or another probe agrees. Where
    what is `beside` it moves with it, at once or soon, it was the water: somebody poured into it.
    """
    if settings.max_jump is None or not value.size:
        none = np.zeros((3, value.size), dtype=np.bool_)
        return Leapt(*none), past if settings.max_jump is not None else _only_newest(time_ms, value, past)
    if calm := _calm(time_ms, value, settings.max_jump, past, beside):
        return Leapt(*np.zeros((3, value.size), dtype=np.bool_)), calm
    doubt = _Doubt(time_ms, value, settings.max_jump, settings, past, agreed, beside)
    doubt.follow()
    return doubt.leapt(), doubt.carried()


def _only_newest(time_ms: Ints, value: Floats, past: Leap) -> Leap:
    """Return what to carry where nothing is a leap: by it others are borne out, in the next block too."""
    times_ms, values = (*past.time_ms, *time_ms[-1:].tolist()), (*past.value, *value[-1:].tolist())
    return Leap(times_ms[-1:], values[-1:])


def _calm(time_ms: Ints, value: Floats, max_jump: float, past: Leap, beside: Beside | None) -> Leap | None:
    """Return what to carry of readings that lie within a jump, where no earlier one matters; else None."""
    low, high = min((value.min(), *past.value)), max((value.max(), *past.value))
    if max(past.since_ms, past.back_ms, past.loose_until_ms) >= 0 or high - low > max_jump:
        return None
    kept, none = LOOKS_BACK + _BASE_OF, (np.nan,) * len(past.time_ms)
    other = () if beside is None else ((past.beside or none) + tuple(beside.kelvin[-kept:].tolist()))[-kept:]
    times_ms = (past.time_ms + tuple(time_ms[-kept:].tolist()))[-kept:]
    values = (past.value + tuple(value[-kept:].tolist()))[-kept:]
    now = replace(past, time_ms=times_ms, value=values, beside=other)
    return now if beside is None else now.taught(time_ms, beside.of_own(value) - beside.kelvin)


class _Doubt:
    """Goes from leap to leap through a block; places count from the first reading that is carried."""

    def __init__(
        self,
        time_ms: Ints,
        value: Floats,
        max_jump: float,
        settings: QualitySettings,
        past: Leap,
        agreed: Bools | None,
        beside: Beside | None,
    ) -> None:
        self._known = len(past.time_ms)
        self._time_ms = np.concatenate((np.array(past.time_ms, dtype=np.int64), time_ms))
        self._value = np.concatenate((np.array(past.value), value))
        none = np.zeros(self._known, dtype=np.bool_)
        self._agreed = None if agreed is None else np.concatenate((none, agreed))
        kelvin = np.zeros(value.size) if beside is None else beside.kelvin
        self._beside = np.concatenate((np.array(past.beside or (np.nan,) * self._known), kelvin))
        self._of_own = None if beside is None else beside.of_own
        self._max_jump, self._per_hour = max_jump, settings.max_change_per_hour or 0.0
        self._possible = settings.operator_range or settings.sensor_range
        self._now, self._floor, self._untaught = past, 0, self._known
        self._found = np.zeros((3, self._value.size), dtype=np.bool_)
        self._leaps_by: dict[float, tuple[Ints, Ints, Ints]] = {}

    def leapt(self) -> Leapt:
        """Return what was found of the new readings."""
        return Leapt(*self._found[:, self._known :])

    def carried(self) -> Leap:
        """Return what to carry; what lies before the last leap or return is compared with nothing more."""
        first = max(self._floor, self._value.size - LOOKS_BACK - _BASE_OF)
        rows = self._time_ms, self._value, self._beside
        time_ms, value, beside = (tuple(it[first:].tolist()) for it in rows)
        beside = () if self._of_own is None else beside
        return replace(self._now, time_ms=time_ms, value=value, beside=beside)

    def _with_the_other(self, at: slice, base: float, beside_base: float) -> Bools:
        """Return which readings moved off a base as what is beside did."""
        off = self._value[at] - base
        if self._of_own is None:
            return np.zeros(off.size, dtype=np.bool_)
        own = self._of_own(self._value[at]) - self._of_own(np.array(base))
        share = (self._beside[at] - beside_base) / np.where(own == 0.0, np.nan, own)
        found: Bools = (share >= 1 / MOVES_WITH) & (share <= MOVES_WITH) & (np.abs(off) > self._max_jump)
        return found

    def _leaps(self, jump: float) -> tuple[Ints, Ints, Ints]:
        """Return where readings leap, the newest reading that each leaps off, and the oldest looked at.

        From further back than the reading before, it takes two: a stray one is no base.
        """
        at = self._apart(jump)
        if not at.size:
            return at, at, at
        start, earliest = np.full((2, at.size), -1)
        fars = [self._far(at, lag, jump) for lag in range(1, LOOKS_BACK + 2)]
        for lag in range(LOOKS_BACK, 0, -1):
            far = fars[lag - 1] != 0
            if lag > 1:
                lags_ms = self._time_ms[at] - self._time_ms[np.maximum(at - lag, 0)]
                far &= (fars[lag - 1] == fars[lag]) & (lags_ms <= LAGS_MS)
            start[far], earliest[far] = at[far] - lag, at[far] - (lag + 1 if lag > 1 else 1)
        return at[start >= 0], start[start >= 0], earliest[start >= 0]

    def _apart(self, jump: float) -> Ints:
        """Return the new readings that lie far from one of those shortly before."""
        if self._value.max() - self._value.min() <= jump:
            return np.array([], dtype=np.int64)
        high, low, width = self._value.copy(), self._value.copy(), 1
        while width < LOOKS_BACK + 2:
            high[width:] = np.maximum(high[width:], high[:-width])
            low[width:] = np.minimum(low[width:], low[:-width])
            width *= 2
        apart: Ints = (high - low > jump).nonzero()[0]
        return apart[apart >= self._known]

    def _far(self, at: Ints, lag: int, jump: float) -> Ints:
        """Return whether readings are too far above (1) or below (-1) the one that is `lag` before."""
        before = np.maximum(at - lag, 0)
        off = self._value[at] - self._value[before]
        waits_h = (self._time_ms[at] - self._time_ms[before]) / HOUR_MS
        far = np.abs(off) > jump + self._per_hour * waits_h
        return np.where(far & (at >= lag), np.sign(off), 0.0).astype(np.int64)

    def follow(self) -> None:
        """Go through the block."""
        self._note_loose(self._known)
        position = self._known
        while self._now.since_ms >= 0 or (position := self._begin(position)) < self._value.size:
            stop = self._back(position)
            here = slice(position, stop)
            self._found[0, here] = True
            self._found[1, here] = self._time_ms[here] - self._now.since_ms < TOLD_AFTER_MS
            if stop == self._value.size:
                return
            back_ms, was = int(self._time_ms[stop]), self._now
            off, lasted_ms = abs(self._value[stop] - was.base), back_ms - was.since_ms
            soon = off <= self._max_jump and lasted_ms < TOLD_AFTER_MS
            near = off <= self._max_jump * (1.0 + DRIFT_PER_HOUR * lasted_ms / HOUR_MS)
            base = (was.base + float(self._value[stop])) / 2
            self._now = replace(was, since_ms=-1, far_ms=-1, back_ms=back_ms if soon else -1, base=base)
            home_until_ms = back_ms + SETTLED_MS if near else -1
            self._now = replace(self._now, home=was.base, home_until_ms=home_until_ms)
            self._now = replace(self._now, strange_ms=-1, astray_ms=-1)
            self._floor, position, self._untaught = stop, stop + 1, stop

    def _begin(self, position: int) -> int:
        """Return where the next leap is, and let it begin; the end where none is."""
        at, base, beside = self._next(position)
        self._teach(slice(self._untaught, at))
        if at == self._value.size:
            return at
        was, now_ms = self._now, int(self._time_ms[at])
        if now_ms < was.home_until_ms:
            base, beside = was.home, was.beside_base
        third = len(was.begun_ms) == LOOSE - 1 and now_ms - was.begun_ms[0] <= LOOSE_MS
        loose_ms = now_ms + LOOSE_MS if third or was.loose_until_ms >= now_ms else -1
        begun_ms = (*was.begun_ms, now_ms)[1 - LOOSE :]
        self._now = replace(was, since_ms=now_ms, base=base, beside_base=beside, far_ms=now_ms)
        usual = median(was.apart) if len(was.apart) >= KNOWN_HOURS else np.nan
        self._now = replace(self._now, begun_ms=begun_ms, loose_until_ms=loose_ms)
        self._now = replace(self._now, usual=usual, strange_ms=now_ms, astray_ms=now_ms)
        self._note_loose(at)
        self._floor = at
        return at

    def _teach(self, part: slice) -> None:
        """Learn from undoubted readings how far a cell and a thermometer stand apart."""
        if self._of_own is not None:
            apart = self._of_own(self._value[part]) - self._beside[part]
            self._now = self._now.taught(self._time_ms[part], apart)

    def _as_usual(self, part: slice) -> Bools:
        """Return where both have stood as far apart as they usually do for long."""
        if self._of_own is None or np.isnan(self._now.usual):
            return np.zeros(part.stop - part.start, dtype=np.bool_)
        time_ms, first = self._time_ms[part], max(self._floor, part.start - 1)
        base, own = self._now.base, self._of_own(self._value[first : part.stop])
        at_base, jump = self._of_own(np.array((base, base + self._max_jump)))
        off = np.maximum(np.abs(own - at_base), jump - at_base)
        share = np.abs(own - self._beside[first : part.stop] - self._now.usual) / off
        far, new = share > 1 / 2, slice(part.start - first, None)
        far[1:] &= far[:-1]  # not a stray one
        strange_ms = last(~(share[new] <= 1 / 4), time_ms, self._now.strange_ms)
        astray_ms = last(far[new], time_ms, self._now.astray_ms)
        self._now = replace(self._now, strange_ms=int(strange_ms[-1]), astray_ms=int(astray_ms[-1]))
        found: Bools = (time_ms - strange_ms >= SETTLED_MS) & (strange_ms - astray_ms <= COMES_BACK_MS)
        return found

    def _next(self, position: int) -> tuple[int, float, float]:
        """Return where the next leap is, what it leaps off, and what was beside that: soon after another one,
        what that did."""
        at, base, beside = int(self._value.size), self._now.base, self._now.beside_base
        if self._now.back_ms >= 0:
            soon = int(self._time_ms.searchsorted(self._now.back_ms + TOLD_AFTER_MS, side="right"))
            soon = min(soon, self._floor + _SOON)
            far = np.abs(self._value[position:soon] - base) > self._max_jump
            if far.any():
                return position + int(np.argmax(far)), base, beside
            position = max(position, soon)
        loose = int(self._time_ms.searchsorted(self._now.loose_until_ms, side="right"))
        for jump, first, stop in (
            (_OF_LOOSE * self._max_jump, position, loose),
            (self._max_jump, max(position, loose), at),
        ):
            if first < stop and (found := self._first_leap(jump, first, stop)) is not None:
                return found
        return at, base, beside

    def _first_leap(self, jump: float, position: int, stop: int) -> tuple[int, float, float] | None:
        """Return the first leap before `stop`, what it leaps off and what was beside; None where none is.

        What returns to where most were has not leapt: it was those between that were stray.
        """
        if jump not in self._leaps_by:
            self._leaps_by[jump] = self._leaps(jump)
        leaps, starts, earliest = self._leaps_by[jump]
        for place in range(*leaps.searchsorted([position, stop]).tolist()):
            if earliest[place] < self._floor:
                continue
            base = starts[place] + 1
            row = self._value[max(self._floor, base - _BASE_OF) : base]
            newest = row[-_NEWEST:]
            off = float(np.median(newest if np.ptp(newest) <= self._max_jump / 2 else row))
            away = abs(self._value[leaps[place]] - off) > jump
            at, beside = int(leaps[place]), float(self._beside[starts[place]]) if self._of_own else 0.0
            agreed = self._agreed is not None and self._agreed[at]
            if agreed or self._with_the_other(slice(at, at + 1), off, beside)[0]:
                continue
            if away and self._possible.low <= off <= self._possible.high:
                return at, off, beside
        return None

    def _note_loose(self, at: int) -> None:
        stop = int(self._time_ms.searchsorted(self._now.loose_until_ms, side="right"))
        self._found[2, at:stop] = True

    def _back(self, position: int) -> int:
        """Return where the doubt ends, the end if it does not; looks ahead in ever longer parts."""
        for part in _parts(position, self._value.size):
            ends = self._ends(part)
            if ends.any():
                return int(part.start) + int(np.argmax(ends))
        return int(self._value.size)

    def _ends(self, part: slice) -> Bools:
        """Return which readings end the doubt."""
        time_ms, off = self._time_ms[part], self._value[part] - self._now.base
        far_ms = last(np.abs(off) > self._max_jump / 4, time_ms, self._now.far_ms)
        self._now = replace(self._now, far_ms=int(far_ms[-1]))
        ends = (time_ms - far_ms >= SETTLED_MS) | self._as_usual(part)
        ends |= (np.abs(off) <= self._max_jump / 2) & (time_ms - self._now.since_ms < TOLD_AFTER_MS)
        if self._agreed is not None:
            ends |= self._agreed[part]
        poured = self._with_the_other(part, self._now.base, self._now.beside_base)
        ends |= poured & (time_ms - self._now.since_ms < TOLD_AFTER_MS)
        hours = (time_ms - self._now.since_ms) / HOUR_MS
        young = np.minimum(0.5 + (time_ms - self._now.since_ms) / (2 * TOLD_AFTER_MS), 1.0)
        near = np.abs(off) <= self._max_jump * (young + DRIFT_PER_HOUR * hours)
        at = near.nonzero()[0] + part.start
        for lag in range(1, LOOKS_BACK + 1):
            before = np.maximum(at - lag, self._floor)
            closer = np.abs(self._value[before] - self._now.base) - np.abs(off[at - part.start])
            waits_h = (self._time_ms[at] - self._time_ms[before]) / HOUR_MS
            ends[at[closer > self._max_jump / 2 + self._per_hour * waits_h] - part.start] = True
        return ends


def _parts(start: int, stop: int) -> Iterator[slice]:
    width = 32
    while start < stop:
        yield slice(start, min(start + width, stop))
        start, width = start + width, 2 * width
