"""Readings that scatter as no water does: the scatter is the probe's own."""

from collections.abc import Callable
from dataclasses import dataclass
from operator import and_
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rules.quality.history import DAY_MS, Learned, near_default
from rules.quality.settings import HOUR_MS
from rules.quantities import Quantity

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WINDOW: Final = 20
_MOST: Final = WINDOW // 2
"""Of so many readings, how many must bend too much for a probe to be erratic (project judgement)."""
_TURN: Final = 3
"""Readings that make a turn."""

CALM_MS: Final = HOUR_MS
_CALMER: Final = 0.5
"""It stays so until its readings have bent less than that part of what is too much, for so long."""

ERRATIC_NOISE: Final = {
    Quantity.TEMPERATURE: 0.3,
    Quantity.CONDUCTIVITY: 0.6,
    Quantity.SALINITY: 0.5,
    Quantity.OXYGEN: 0.4,
    Quantity.OXYGEN_SATURATION: 4.0,
    Quantity.AIR_PRESSURE: 1.5,
}
"""Noise (one standard deviation) that no probe in order has, in the unit of its quantity (project judgement);
TIMES_USUAL that of a probe's own past."""
TIMES_USUAL: Final = 6.0

_WATERS: Final = 0.5
_WATERS_K: Final = 0.5
_TURNS_MS: Final = 100_000
_WATERS_K_PER_HOUR: Final = 20.0
"""It is the water that bends where the difference of cell and thermometer bends by at most that part of it
and so many kelvin, and not sooner than water turns and turns back, nor faster than a water change at worst. A
probe is not erratic where half of what bends is the water (project judgement)."""

_MEDIAN_BEND: Final = 1.65
"""Median size of a second difference of normal noise, in standard deviations: 0.6745 times the root of 6."""


class Pair(NamedTuple):
    """What a cell shows beside a thermometer, or the other way, as each of one's own readings comes: in
    kelvin, and of when that is. And how one's own are made kelvin."""

    kelvin: Floats
    time_ms: Ints
    of_own: Callable[[Floats], Floats]


Together = tuple[int, float, float, int]
"""Time and value of a reading, and what the pair showed as it came: in kelvin, of when."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is carried of a source: its two newest readings, which of the newest bent too much, which by half,
    and which as the water did; when it last did so too often, either way, and when it was last calm; its
    three newest readings together with its pair's, where it has one."""

    newest: tuple[float, ...] = ()
    bent: tuple[bool, ...] = ()
    uneasy: tuple[bool, ...] = ()
    waters: tuple[bool, ...] = ()
    erratic_ms: int = -1
    uneasy_ms: int = -1
    calm_ms: int = -1
    together: tuple[Together, ...] = ()


def bend_limit(quantity: Quantity, usual: Learned | None, at_ms: int) -> float:
    """Return the second difference that half of an erratic probe's readings exceed on the day of `at_ms`."""
    noise = ERRATIC_NOISE[quantity]
    if usual is not None and usual.counts(at_ms // DAY_MS * DAY_MS):
        noise = near_default(TIMES_USUAL * max(usual.noise, usual.digit), noise)
    return _MEDIAN_BEND * noise


def erratic(
    time_ms: Ints, value: Floats, bend: float, past: Scatter, pair: Pair | None = None
) -> tuple[Bools, Scatter]:
    """Return which readings are of an erratic probe, and what to carry; `bend` as `bend_limit` gives it.

    `time_ms`, `value`: finite readings in the water, shapes n. What counts are turns, up and down again: a
    front in open water is as steep, but goes one way. Water that cycles turns at slow readings too: its
    `pair` shows that.
    """
    if not value.size:
        return np.zeros(0, dtype=np.bool_), past
    together = () if pair is None else _together(time_ms, value, pair, past)
    if value.size == 1 and not (together and past.uneasy[-1:] == (True,)):
        found, now = _one_more(int(time_ms[0]), float(value[0]), bend, past, together)
        return np.array([found]), now
    row = np.concatenate((np.array(past.newest), value))
    step = row[1:] - row[:-1]
    turns = np.where(step[1:] * step[:-1] < 0, np.abs(step[1:] - step[:-1]), 0.0)
    bends = turns > np.array([[bend], [_CALMER * bend], [np.inf]])
    kinds = np.concatenate((np.array((past.bent, past.uneasy, past.waters), dtype=np.bool_), bends), axis=1)
    at = kinds[1].nonzero()[0]  # what bends too much is among them
    if pair is not None and at.size:
        _settle(kinds, at, time_ms, value, pair, past)
    bent, uneasy, waters = (tuple(kind) for kind in kinds[:, 1 - WINDOW :].tolist())
    kept = tuple(row[-2:].tolist()), bent, uneasy, waters
    if past.erratic_ms <= past.calm_ms and not (at[_MOST - 1 :] - at[: 1 - _MOST] < WINDOW).any():
        calm_ms = last(time_ms[-1:] - past.uneasy_ms > CALM_MS, time_ms[-1:], past.calm_ms)
        none = np.zeros(value.size, dtype=np.bool_)
        return none, Scatter(*kept, past.erratic_ms, past.uneasy_ms, int(calm_ms[0]), together)
    often, uneasily = _often(kinds, turns.size, value.size)
    begins_ms, uneasy_ms = last(often, time_ms, past.erratic_ms), last(uneasily, time_ms, past.uneasy_ms)
    calm_ms = last(time_ms - uneasy_ms > CALM_MS, time_ms, past.calm_ms)
    since = int(begins_ms[-1]), int(uneasy_ms[-1]), int(calm_ms[-1])
    return begins_ms > calm_ms, Scatter(*kept, *since, together)


def _one_more(
    time_ms: int, value: float, bend: float, past: Scatter, together: tuple[Together, ...]
) -> tuple[bool, Scatter]:
    """Return the same of one reading before which nothing bent, or which has no pair, as plain numbers: a
    tenth of what arrays of one take."""
    row, kinds, often = (*past.newest, value), (past.bent, past.uneasy, past.waters), [False, False]
    if len(row) > 2:
        step, newest = row[1] - row[0], row[2] - row[1]
        turn = abs(newest - step) if newest * step < 0 else 0.0
        kinds = (*past.bent, turn > bend), (*past.uneasy, turn > _CALMER * bend), (*past.waters, False)
        often[0] = _are_often(kinds[0], kinds[2])
        often[1] = often[0] or _are_often(kinds[1], kinds[2])
    begins_ms, uneasy_ms = (
        time_ms if now else before_ms
        for now, before_ms in zip(often, (past.erratic_ms, past.uneasy_ms), strict=True)
    )
    calm_ms = time_ms if time_ms - uneasy_ms > CALM_MS else past.calm_ms
    bent, uneasy, waters = (kind[1 - WINDOW :] for kind in kinds)
    since = begins_ms, uneasy_ms, calm_ms
    return begins_ms > calm_ms, Scatter(row[-2:], bent, uneasy, waters, *since, together)


def _are_often(bends: tuple[bool, ...], waters: tuple[bool, ...]) -> bool:
    """Return whether most of the last readings bend, most of these, the newest apart, not as the water."""
    count = sum(bends)
    return count >= _MOST and 2 * sum(map(and_, bends, waters)) < count - bends[-1]


def _together(time_ms: Ints, value: Floats, pair: Pair, past: Scatter) -> tuple[Together, ...]:
    """Return the newest readings of a source together with its pair's."""
    rows = (it[-_TURN:].tolist() for it in (time_ms, value, pair.kelvin, pair.time_ms))
    return (*past.together, *zip(*rows, strict=True))[-_TURN:]


def _settle(
    kinds: Bools, at: NDArray[np.intp], time_ms: Ints, value: Floats, pair: Pair, past: Scatter
) -> None:
    """Note in `kinds` which bends (those `at`) are the water's; the newest is settled by the next reading.

    Of what the pair showed before a reading and before the next one counts what is nearer in time, within
    half a poll: a thermometer is often heard just before its cell.
    """
    new = np.stack((time_ms, value, pair.kelvin, pair.time_ms), axis=1)
    rows = np.concatenate((np.array(past.together).reshape(-1, 4), new))
    first, (when, own, other, of_ms) = len(rows) - kinds.shape[1], rows.T
    at = at[(at + first >= _TURN - 1) & (at + first < len(rows) - 1)]
    here = at[:, None] + first + np.arange(1 - _TURN, 1)
    there = here + (of_ms[here + 1] - when[here] < when[here] - of_ms[here])
    kelvin, turn_ms = pair.of_own(own[here]), when[here[:, -1]] - when[here[:, 0]]
    bends, apart = (np.abs(np.diff(it, 2))[:, 0] for it in (kelvin, kelvin - other[there]))
    shown = (np.abs(of_ms[there] - when[here]) <= turn_ms[:, None] / 4).all(axis=1) & (turn_ms >= _TURNS_MS)
    slow = (np.abs(np.diff(kelvin)) <= _WATERS_K_PER_HOUR * np.diff(when[here]) / HOUR_MS).all(axis=1)
    kinds[2, at] = shown & slow & (apart <= np.minimum(_WATERS * bends, _WATERS_K))


def _often(kinds: Bools, new: int, size: int) -> Bools:
    """Return where most of the last readings bend too much, or by half, and most of that is not the water.

    Shapes 2, size; `kinds` ends with `new` ones; each is the water's, or not, from the next reading on.
    """
    known, waters = kinds.shape[1] - new, kinds[:2] & kinds[2]
    total = np.zeros((2, 2, WINDOW + kinds.shape[1]), dtype=np.int64)
    np.stack((kinds[:2], waters)).cumsum(axis=2, out=total[:, :, WINDOW:])
    count, of_water = total[:, :, WINDOW + known :] - total[:, :, known:-WINDOW]
    many = np.zeros((2, size), dtype=np.bool_)
    settled = count - kinds[:2, known:]
    many[:, size - new :] = (count >= _MOST) & (2 * (of_water - waters[:, known:]) < settled)
    many[1] |= many[0]
    return many


def last(where: Bools, time_ms: Ints, before_ms: int) -> Ints:
    """Return when something was last so, after each reading."""
    return np.maximum.accumulate(np.where(where, time_ms, np.int64(before_ms)))
