"""A move faster than a vessel's water usually makes, of a thermometer or of the cell beside it, that the
other does not show: sea water conducts some 2 % more for each kelvin, so water that warms moves both.

Which of the two lies nobody knows, or whether the water did something else. So the reading itself is judged
as ever; what is made of it takes it for what it was before, and may be off by all that it moved.
"""

from dataclasses import dataclass, replace
from statistics import median
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rules.quality.hour_statistics import begins
from rules.quality.settings import HOUR_MS
from rules.quantities import Quantity

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PER_KELVIN: Final = 0.021
"""Share by which sea water conducts more for each kelvin (PSS-78 from 10 to 25 °C: 0.023 to 0.019)."""

POINT_MS: Final = 120_000
LOOKS_BACK: Final = 16
"""One reading in so long is compared with so many before it: half an hour (project judgement)."""

HOURS: Final = 24
LEAST_K_PER_HOUR: Final = 5.0
"""More slowly a heater of a usual size warms a vessel too: 300 W make 50 litres 5 K warmer within an hour."""

LEAST_K: Final = 0.75
MOST_K: Final = 3.0
TIMES_USUAL: Final = 2.0
"""It is swift from that many times on what is usual within an hour, in kelvin, within these bounds, where at
least half of it is its own, and leads away from how both usually stand (project judgement): a probe that lags
comes back to there."""


_NONE = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Swift:
    """What is carried of a source: its newest points, what the other showed then, both in kelvin; since when
    (-1: not) it has moved off `base`, at which the other was `beside` and both usually stood `usual` apart.
    Of the last day's hours, how far both stood `apart`."""

    time_ms: tuple[int, ...] = ()
    own: tuple[float, ...] = ()
    other: tuple[float, ...] = ()
    hours: tuple[int, ...] = ()
    apart: tuple[float, ...] = ()
    since_ms: int = -1
    base: float = 0.0
    beside: float = 0.0
    usual: float = 0.0

    def has_new_points(self, until_ms: int) -> bool:
        """Return whether readings up to a time, all after those known, make a new point."""
        return not self.time_ms or until_ms // POINT_MS > self.time_ms[-1] // POINT_MS

    def new_points(self, time_ms: Ints) -> Ints:
        """Return which readings (shape n), all after those known, are new points."""
        newest = self.time_ms[-1] // POINT_MS if self.time_ms else -1
        numbers, starts, _ = begins(time_ms, POINT_MS)
        return starts[numbers > newest]


def in_kelvin(value: Floats, quantity: Quantity) -> Floats:
    """Return readings of a thermometer as they are, of a cell as the temperature that would make them."""
    return value if quantity is Quantity.TEMPERATURE else np.log(np.maximum(value, 0.01)) / PER_KELVIN


def swift(
    time_ms: Ints, own: Floats, other: Floats, agreed: Bools | None, usual_k: float, past: Swift
) -> tuple[Floats, Swift]:
    """Return what a source was before a swift move of its own, before and at each new point (shape n + 1).

    NaN where it makes none; and what to carry. `own` and `other`: what it read then and the newest of the
    other probe, both in kelvin (the latter NaN where there is none now); `agreed`: where a second probe of
    the quantity bears a reading out. Shapes n.
    """
    now = past.base if past.since_ms >= 0 else np.nan
    if not time_ms.size:
        return np.full(1, now), past
    points = (
        np.concatenate((np.array(past.time_ms, dtype=np.int64), time_ms)),
        np.concatenate((np.array(past.own), own)),
        np.concatenate((np.array(past.other), other)),
    )
    borne_out = np.zeros(time_ms.size, dtype=np.bool_) if agreed is None else agreed
    far = min(max(TIMES_USUAL * usual_k, LEAST_K), MOST_K)
    moves = past.since_ms >= 0 or bool(points[1].max() - points[1].min() > far)
    hours, usual = _usually(points, past, moves)
    bases, state = _follow(points, usual, borne_out, far, replace(past, **hours))
    return np.concatenate(([now], bases)), state


def _follow(
    points: tuple[Ints, Floats, Floats], usual: Floats, borne_out: Bools, far: float, past: Swift
) -> tuple[Floats, Swift]:
    """Go from move to move through the new points; return the base of each, NaN where it is none."""
    time_ms, own, other = points
    known, floor, at = len(past.time_ms), 0, len(past.time_ms)
    since_ms, base, beside, stood = past.since_ms, past.base, past.beside, past.usual
    found = np.full(own.size - known, np.nan)
    moves, starts = (
        _moves(points, usual, far, known) if own.size > known else (np.array([], dtype=np.intp),) * 2
    )
    while at < own.size:
        if since_ms < 0:
            fresh = ((moves >= at) & (starts > floor)).nonzero()[0]
            if not fresh.size:
                break
            at, start = int(moves[fresh[0]]), int(starts[fresh[0]])
            since_ms, base, beside = int(time_ms[at]), float(own[start]), float(other[start])
            stood = float(usual[at])
        off, apart = np.abs(own[at:] - base), np.abs(own[at:] - base - other[at:] + beside)
        now = np.abs(own[at:] - other[at:] - stood)
        ends = (off <= far / 2) | (np.fmin(apart, now) <= np.maximum(far, off) / 4) | borne_out[at - known :]
        stop = at + int(np.argmax(ends)) if ends.any() else own.size
        found[at - known : stop - known] = base
        if stop < own.size:
            since_ms, floor = -1, stop
        at = stop + 1
    first = max(floor, own.size - LOOKS_BACK - 2)
    kept = (tuple(time_ms[first:].tolist()), tuple(own[first:].tolist()), tuple(other[first:].tolist()))
    return found, Swift(*kept, past.hours, past.apart, since_ms, base, beside, stood)


def first_of_hours(hours: tuple[int, ...], time_ms: Ints, value: Floats) -> Ints:
    """Return the first finite values (shape n) of each hour that is none of the `hours` known."""
    newest = hours[-1] if hours else -1
    if not time_ms.size or int(time_ms[-1]) // HOUR_MS == newest:
        return _NONE
    there = np.isfinite(value).nonzero()[0]
    if not there.size:
        return there
    hour, starts, _ = begins(time_ms[there], HOUR_MS)
    return there[starts[hour > newest]]


def _usually(points: tuple[Ints, Floats, Floats], past: Swift, asked: bool) -> tuple[dict[str, Any], Floats]:
    """Return the last day's hours with these points, and how far both usually stand apart at each of them.

    The latter (NaN where not `asked`) is of interest to what has moved far only.
    """
    time_ms, own, other = points
    known = len(past.time_ms)
    first_ones = known + first_of_hours(past.hours, time_ms[known:], (own - other)[known:])
    hours = (*past.hours, *(time_ms[first_ones] // HOUR_MS).tolist())
    apart = (*past.apart, *(own[first_ones] - other[first_ones]).tolist())
    kept = {"hours": hours[-HOURS:], "apart": apart[-HOURS:]}
    if not asked:
        return kept, np.full(own.size, np.nan)
    count = len(past.hours) + first_ones.searchsorted(np.arange(own.size), side="left")
    numbers = range(int(count[0]), int(count[-1]) + 1)
    usual = np.array([median(apart[max(0, it - HOURS) : it]) if it else np.nan for it in numbers])
    return kept, usual[count - count[0]]


def _moves(points: tuple[Ints, Floats, Floats], usual: Floats, far: float, known: int) -> tuple[Ints, Ints]:
    """Return the new points at which a source has moved far by itself, and what each moved off, oldest first.

    It takes two points on each side: a stray one is no move.
    """
    time_ms, own, other = points
    found = [np.empty((2, 0), dtype=np.intp)]
    apart = own - other - usual
    if own.max() - own.min() > far:
        for lag in range(2, LOOKS_BACK + 1):
            first = max(known, lag + 1)
            at = first + (np.abs(own[first:] - own[first - lag : -lag]) > far).nonzero()[0]
            if not at.size:
                continue
            off = own[at] - own[at - lag]
            alone = (off - other[at] + other[at - lag]) * np.sign(off) > np.abs(off) / 2
            alone &= np.abs(apart[at]) > np.abs(own[at - lag] - other[at - lag] - usual[at])
            hours = (time_ms[at] - time_ms[at - lag]) / HOUR_MS
            least = np.maximum(far, LEAST_K_PER_HOUR * hours)
            sure = np.minimum((own[at] - own[at - lag - 1]) * np.sign(off), np.abs(off)) > least
            sure &= (own[at - 1] - own[at - lag]) * np.sign(off) > far / 2
            sure &= hours <= 2 * lag * POINT_MS / HOUR_MS
            found.append(np.array((at, at - lag))[:, alone & sure])
    moves, starts = np.concatenate(found, axis=1)
    order = np.lexsort((starts, moves))
    return moves[order], starts[order]
