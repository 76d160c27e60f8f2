"""Correcting a continuous record for fouling and for calibration drift between two visits to a probe.

Source: Wagner, Boulger, Oblinger & Smith 2006, Guidelines and Standard Procedures for Continuous
Water-Quality Monitors, U.S. Geological Survey Techniques and Methods 1-D3, chapter on record computation
(equations and order of the corrections from memory). An error found at a visit is taken to have grown
evenly since the visit before.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rules.care.calibration import Calibration, Cleaning
from rules.errors import CalibrationError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MAX_POINTS = 3


@dataclass(frozen=True, slots=True)
class Correction:
    """What to add to a record: nothing at `from_ms`, all of it at `to_ms`, evenly more between.

    `points` are one to three pairs of a value and the correction there, by rising value: between them the
    correction follows the value by straight lines, beyond them it stays that of the last point.
    """

    from_ms: int
    to_ms: int
    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        values = [value for value, _ in self.points]
        if not 1 <= len(values) <= MAX_POINTS or values != sorted(set(values)):
            raise CalibrationError(
                f"drift correction at the values {values}: one to {MAX_POINTS}, each higher than the last"
            )
        if self.from_ms >= self.to_ms:
            raise CalibrationError("drift correction: the visit must be later than the one before it")


def fouling_error(cleaning: Cleaning) -> float:
    """Return Ef = (Ma - Mb) - (Fe - Fs): what wiping changed, less what the water did meanwhile."""
    return (cleaning.after - cleaning.before) - cleaning.meanwhile


def drift_error(standard: float, read: float) -> float:
    """Return Ed = Vs - Vc: the standard's value less what the wiped probe read in it."""
    return standard - read


def corrected(time_ms: Ints, value: Floats, correction: Correction) -> Floats:
    """Return the values (shape n) with the correction's share of their time added.

    Times in UTC ms; values outside from `from_ms` to `to_ms` stay as they are.
    """
    share = (time_ms - correction.from_ms) / float(correction.to_ms - correction.from_ms)
    within = (share >= 0.0) & (share <= 1.0)
    return np.where(within, value + share * _at(value, correction.points), value)


def _at(value: Floats, points: tuple[tuple[float, float], ...]) -> Floats:
    """Return the full correction at each value."""
    result = np.full(value.shape, points[0][1])
    for (low, start), (high, stop) in pairwise(points):
        sloped = start + (value - low) * ((stop - start) / (high - low))
        result = np.where(value > low, np.where(value < high, sloped, stop), result)
    return result


def corrections_of(calibrations: Iterable[Calibration]) -> dict[str, list[Correction]]:
    """Return the corrections of each probe's quantity (`Calibration.key`) from the history of its visits.

    They are for the readings as the probe reported them, fouling before drift, to be applied in the
    order given. Nothing is known of the time before a probe's first visit.
    """
    found: dict[str, list[Correction]] = {}
    last: dict[str, Calibration] = {}
    for visit in sorted(calibrations, key=lambda visit: visit.at_ms):
        before = last.get(visit.key)
        if before is not None and before.at_ms < visit.at_ms:
            found.setdefault(visit.key, []).extend(_between(before, visit))
        last[visit.key] = visit
    return found


def _between(before: Calibration, visit: Calibration) -> list[Correction]:
    corrections = []
    if visit.cleaned is not None:
        point = (visit.cleaned.before, fouling_error(visit.cleaned))
        corrections.append(Correction(before.at_ms, visit.at_ms, (point,)))
    # What the probe's report is short of, if its former line were still to hold.
    short = [(point.read, drift_error(before.line.read_at(point.true), point.read)) for point in visit.points]
    return [*corrections, Correction(before.at_ms, visit.at_ms, tuple(sorted(short)))]
