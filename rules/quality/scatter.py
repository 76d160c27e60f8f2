"""Readings that scatter as no water does: the scatter is the probe's own."""

from dataclasses import dataclass
from typing import Final

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

_MEDIAN_BEND: Final = 1.65
"""Median size of a second difference of normal noise, in standard deviations: 0.6745 times the root of 6."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is carried of a source: its two newest readings, which of the newest bent too much, and which by
    half; when it last did so too often, either way, and when it was last calm."""

    newest: tuple[float, ...] = ()
    bent: tuple[bool, ...] = ()
    uneasy: tuple[bool, ...] = ()
    erratic_ms: int = -1
    uneasy_ms: int = -1
    calm_ms: int = -1


def bend_limit(quantity: Quantity, usual: Learned | None, at_ms: int) -> float:
    """Return the second difference that half of an erratic probe's readings exceed on the day of `at_ms`."""
    noise = ERRATIC_NOISE[quantity]
    if usual is not None and usual.counts(at_ms // DAY_MS * DAY_MS):
        noise = near_default(TIMES_USUAL * max(usual.noise, usual.digit), noise)
    return _MEDIAN_BEND * noise


def erratic(time_ms: Ints, value: Floats, bend: float, past: Scatter) -> tuple[Bools, Scatter]:
    """Return which readings are of an erratic probe, and what to carry; `bend` as `bend_limit` gives it.

    `time_ms`, `value`: finite readings in the water, shapes n. What counts are turns, up and down again: a
    front in open water is as steep, but goes one way.
    """
    if not value.size:
        return np.zeros(0, dtype=np.bool_), past
    if value.size == 1:
        found, now = _one_more(int(time_ms[0]), float(value[0]), bend, past)
        return np.array([found]), now
    row = np.concatenate((np.array(past.newest), value))
    step = row[1:] - row[:-1]
    turns = np.where(step[1:] * step[:-1] < 0, np.abs(step[1:] - step[:-1]), 0.0)
    bends = turns > np.array([[bend], [_CALMER * bend]])
    kinds = np.concatenate((np.array((past.bent, past.uneasy), dtype=np.bool_), bends), axis=1)
    bent, uneasy = (tuple(kind) for kind in kinds[:, 1 - WINDOW :].tolist())
    at = kinds[1].nonzero()[0]  # what bends too much is among them
    if past.erratic_ms <= past.calm_ms and not (at[_MOST - 1 :] - at[: 1 - _MOST] < WINDOW).any():
        calm_ms = last(time_ms[-1:] - past.uneasy_ms > CALM_MS, time_ms[-1:], past.calm_ms)
        since = past.erratic_ms, past.uneasy_ms, int(calm_ms[0])
        return np.zeros(value.size, dtype=np.bool_), Scatter(tuple(row[-2:].tolist()), bent, uneasy, *since)
    often, uneasily = _often(kinds, turns.size, value.size)
    begins_ms, uneasy_ms = last(often, time_ms, past.erratic_ms), last(uneasily, time_ms, past.uneasy_ms)
    calm_ms = last(time_ms - uneasy_ms > CALM_MS, time_ms, past.calm_ms)
    newest = (int(times[-1]) for times in (begins_ms, uneasy_ms, calm_ms))
    return begins_ms > calm_ms, Scatter(tuple(row[-2:].tolist()), bent, uneasy, *newest)


def _one_more(time_ms: int, value: float, bend: float, past: Scatter) -> tuple[bool, Scatter]:
    """Return the same of one reading, as plain numbers: a tenth of what arrays of one take."""
    row, kinds, often = (*past.newest, value), [past.bent, past.uneasy], [False, False]
    if len(row) > 2:
        step, newest = row[1] - row[0], row[2] - row[1]
        turn = abs(newest - step) if newest * step < 0 else 0.0
        kinds = [(*past.bent, turn > bend), (*past.uneasy, turn > _CALMER * bend)]
        often = [sum(kind) >= _MOST for kind in kinds]
    begins_ms, uneasy_ms = (
        time_ms if now else before_ms
        for now, before_ms in zip(often, (past.erratic_ms, past.uneasy_ms), strict=True)
    )
    calm_ms = time_ms if time_ms - uneasy_ms > CALM_MS else past.calm_ms
    bent, uneasy = (kind[1 - WINDOW :] for kind in kinds)
    return begins_ms > calm_ms, Scatter(row[-2:], bent, uneasy, begins_ms, uneasy_ms, calm_ms)


def _often(row: Bools, new: int, size: int) -> Bools:
    """Return where most of the last readings do something, shape kinds, size; `row` ends with `new` ones."""
    known = row.shape[1] - new
    total = np.zeros((len(row), WINDOW + row.shape[1]), dtype=np.int64)
    row.cumsum(axis=1, out=total[:, WINDOW:])
    many = np.zeros((len(row), size), dtype=np.bool_)
    many[:, size - new :] = total[:, WINDOW + known :] - total[:, known:-WINDOW] >= _MOST
    return many


def last(where: Bools, time_ms: Ints, before_ms: int) -> Ints:
    """Return when something was last so, after each reading."""
    return np.maximum.accumulate(np.where(where, time_ms, np.int64(before_ms)))
