"""Correcting a continuous record for fouling and for calibration drift between two visits to a probe.

Source: Wagner, Boulger, Oblinger & Smith 2006, Guidelines and Standard Procedures for Continuous
Water-Quality Monitors, U.S. Geological Survey Techniques and Methods 1-D3, chapter on record computation
(equations and order of the corrections from memory). An error found at a visit is taken to have grown
evenly since the visit before: as an offset, as a share of the value, or as both, by what the points that
were found say (`rules.care.calibration.Moves`). It is the gain, reading over truth, that grows evenly.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.care.calibration import (
    AS_REPORTED,
    Calibration,
    Line,
    Moves,
    Point,
    fitted,
    moved,
    standards_error,
)
from rules.errors import CalibrationError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Correction:
    """A drift between two moments: at `from_ms` the value is true, at `to_ms` it is gain * true + zero.

    Values are what `line`, in force between, makes of the probe's reports.
    """

    from_ms: int
    to_ms: int
    gain: float = 1.0
    zero: float = 0.0
    line: Line = AS_REPORTED

    def __post_init__(self) -> None:
        if self.from_ms >= self.to_ms:
            raise CalibrationError("drift correction: the visit must be later than the one before it")


def corrected(position: Ints, reported: Floats, correction: Correction) -> Floats:
    """Return what the probe would have reported without the drift, shape n.

    Positions are UTC ms, or running numbers of readings where the correction counts in these; reports
    outside of it stay as they are.
    """
    share = (position - correction.from_ms) / float(correction.to_ms - correction.from_ms)
    within = (share >= 0.0) & (share <= 1.0)
    share = np.where(within, share, 0.0)
    line = correction.line
    true = (line.of(reported) - share * correction.zero) / (1.0 + share * (correction.gain - 1.0))
    return np.where(within, (true - line.offset) / line.slope, reported)


def uncertainty_between(before: Calibration, visit: Calibration, at_ms: int, value: float) -> float:
    """Return by how much the standards of both visits may put a corrected value off, plus or minus.

    The first visit counts as it was left, the second as it was found.
    """
    share = (at_ms - before.at_ms) / (visit.at_ms - before.at_ms)
    as_found = standards_error(visit.as_found, _moves(visit, visit.as_found, before.line), before.line, value)
    return float(np.hypot((1.0 - share) * before.uncertainty_at(value), share * as_found))


def error_found(before: Calibration, visit: Calibration) -> tuple[float, float]:
    """Return gain and zero that a visit found: what was shown in the standards is gain * true + zero."""
    return _gain_and_zero(visit, visit.as_found, before.line)


def visits_in_pairs(calibrations: Iterable[Calibration]) -> Iterator[tuple[Calibration, Calibration]]:
    """Go through the visits to each probe's quantity, each with the one before it, by their times.

    Nothing is known of the time before a probe's first visit, nor of that before it was replaced.
    """
    last: dict[str, Calibration] = {}
    for visit in sorted(calibrations, key=lambda visit: visit.at_ms):
        before = last.get(visit.key)
        if before is not None and before.at_ms < visit.at_ms and not visit.replaced:
            yield before, visit
        last[visit.key] = visit


def corrections_of(calibrations: Iterable[Calibration]) -> dict[str, list[Correction]]:
    """Return the corrections of each probe's quantity (`Calibration.key`) from the history of its visits.

    They are for the readings as the probe reported them, fouling before drift, to be applied in the
    order given.
    """
    found: dict[str, list[Correction]] = {}
    for before, visit in visits_in_pairs(calibrations):
        found.setdefault(visit.key, []).extend(_between(before, visit))
    return found


def _between(before: Calibration, visit: Calibration) -> list[Correction]:
    errors = [error_found(before, visit)]
    if visit.cleaned is not None:
        its = visit.cleaned
        point = Point(its.before, before.line.value_of(its.after) - its.meanwhile)
        errors.insert(0, _gain_and_zero(visit, [point], before.line))
    return [Correction(before.at_ms, visit.at_ms, *error, before.line) for error in errors]


def _moves(visit: Calibration, points: Sequence[Point], line: Line) -> Moves:
    """Return what points of a visit tell of; near zero one point tells of no gain."""
    moves, its = moved(visit.quantity, points, visit.said), points[0]
    near_zero = min(its.read, its.true, its.true - line.offset) <= 0
    return Moves.OFFSET if moves is Moves.SLOPE and near_zero else moves


def _gain_and_zero(visit: Calibration, points: Sequence[Point], line: Line) -> tuple[float, float]:
    """Return how what `line` shows errs: against the line that the points make of it, as a calibration does.

    So the corrected record meets the line after.
    """
    found = fitted(points, _moves(visit, points, line), line)
    gain = line.slope / found.slope
    return gain, line.offset - gain * found.offset
