"""What no water does: jumps that a vessel's volume forbids, and a scatter that is the probe's own."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.quality.history import DAY_MS, Learned, near_default
from rules.quality.settings import HOUR_MS, QualitySettings
from rules.quantities import Quantity

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ACCEPTED_AFTER_MS: Final = DAY_MS
DRIFT_PER_HOUR: Final = 0.1
"""A jump that lasts so long, to where water can be, is taken for the water after all: somebody changed it,
untold. Maintenance and a calibration end it at once. Meanwhile the water drifts, by a share of the jump."""

WINDOW: Final = 20
_MOST: Final = WINDOW // 2
"""Of so many readings, how many must bend too much for a probe to be erratic (project judgement)."""

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
class Leap:
    """What is carried of a source: its newest reading, and since when (-1: not) it is a jump off `base`."""

    newest: float = np.nan
    newest_ms: int = 0
    since_ms: int = -1
    base: float = 0.0


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is carried of a source: its two newest readings, and which of the newest bent too much."""

    newest: tuple[float, ...] = ()
    bent: tuple[bool, ...] = ()


def bend_limit(quantity: Quantity, usual: Learned | None, at_ms: int) -> float:
    """Return the second difference that half of an erratic probe's readings exceed on the day of `at_ms`."""
    noise = ERRATIC_NOISE[quantity]
    if usual is not None and usual.counts(at_ms // DAY_MS * DAY_MS):
        noise = near_default(TIMES_USUAL * max(usual.noise, usual.digit), noise)
    return _MEDIAN_BEND * noise


def erratic(value: Floats, bend: float, past: Scatter) -> tuple[Bools, Scatter]:
    """Return which readings are of an erratic probe, and what to carry; `bend` as `bend_limit` gives it.

    `value`: finite readings in the water, shape n.
    """
    row = np.concatenate((np.array(past.newest), value))
    bends = np.abs(row[2:] - 2.0 * row[1:-1] + row[:-2]) > bend
    bent = np.concatenate((np.array(past.bent, dtype=np.bool_), bends))
    total = np.concatenate((np.zeros(WINDOW, dtype=np.int64), np.cumsum(bent)))
    many = (total[WINDOW:] - total[:-WINDOW] >= _MOST)[len(past.bent) :]
    found = np.concatenate((np.zeros(value.size - many.size, dtype=np.bool_), many))
    return found, Scatter(tuple(row[-2:].tolist()), tuple(bent[1 - WINDOW :].tolist()))


def jumps(time_ms: Ints, value: Floats, settings: QualitySettings, past: Leap) -> tuple[Bools, Leap]:
    """Return which readings are further away than a vessel's water moves at once, and what to carry.

    `time_ms`, `value`: finite readings in the water, shapes n.
    """
    jumped = np.zeros(value.size, dtype=np.bool_)
    if settings.max_jump is None or not value.size:
        return jumped, past if settings.max_jump is not None else Leap()
    before = np.concatenate(([value[0] if np.isnan(past.newest) else past.newest], value[:-1]))
    waits_h = np.diff(time_ms, prepend=past.newest_ms or time_ms[0]) / HOUR_MS
    allowed = settings.max_jump + (settings.max_change_per_hour or 0.0) * waits_h
    possible = settings.operator_range or settings.sensor_range
    believed = (before >= possible.low) & (before <= possible.high)
    begins = np.flatnonzero(believed & (np.abs(value - before) > allowed))
    at, since_ms, base = 0, past.since_ms, past.base
    while True:
        if since_ms < 0:
            following = begins[np.searchsorted(begins, at) :]
            if not following.size:
                return jumped, Leap(float(value[-1]), int(time_ms[-1]))
            at = int(following[0])
            since_ms, base = int(time_ms[at]), float(before[at])
        lasts_ms, off = time_ms[at:] - since_ms, np.abs(value[at:] - base)
        near = off <= settings.max_jump * (1.0 + DRIFT_PER_HOUR / HOUR_MS * lasts_ms)
        known = (value[at:] >= possible.low) & (value[at:] <= possible.high)
        back = np.flatnonzero(near | known & (lasts_ms >= ACCEPTED_AFTER_MS))
        if not back.size:
            jumped[at:] = True
            return jumped, Leap(float(value[-1]), int(time_ms[-1]), since_ms, base)
        jumped[at : at + int(back[0])] = True
        at, since_ms = at + int(back[0]) + 1, -1
