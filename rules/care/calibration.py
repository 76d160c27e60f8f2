"""Calibration: from what a probe read in a standard, and what is true there, to a straight line.

What the probe reports is never changed; the line is applied to it from the moment of the calibration
until the next one. Which way a single point moves the line (`_SHIFTED`) is common practice, no source:
a thermometer or barometer is shifted, a conductivity cell or an oxygen foil keeps its zero. The other
parameter stays as it is in the line that is in force (`Calibration.base`).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.errors import CalibrationError, RulesError
from rules.quantities import Quantity, with_unit
from rules.water.oxygen import oxygen_solubility_mg_l

_SHIFTED = (Quantity.TEMPERATURE, Quantity.AIR_PRESSURE)

LEAST_SLOPE, GREATEST_SLOPE = 0.5, 2.0
"""Beyond these a probe is broken, or a point was read in another unit (project judgement)."""

MAX_CORRECTION = {
    Quantity.TEMPERATURE: 5.0,
    Quantity.CONDUCTIVITY: 5.0,
    Quantity.SALINITY: 5.0,
    Quantity.OXYGEN: 2.0,
    Quantity.OXYGEN_SATURATION: 20.0,
    Quantity.AIR_PRESSURE: 50.0,
}
"""A shift by more, in the quantity's unit, is no drift (project judgement). Near zero a slope says
nothing, so a point there is held to it as well."""

_KEYS = {"probe", "quantity", "points", "standard", "note", "cleaned", "found", "moves", "base", "replaced"}


class Moves(StrEnum):
    """What a calibration moves: the kind of error that was found."""

    OFFSET = "offset"
    SLOPE = "slope"
    BOTH = "slope and offset"


@dataclass(frozen=True, slots=True)
class Point:
    """What the probe read in a standard, and the standard's true value; both in the quantity's unit.

    `uncertainty` is that of the standard and of the reading in it, plus or minus; 0 where nobody said it.
    """

    read: float
    true: float
    uncertainty: float = 0.0


@dataclass(frozen=True, slots=True)
class Cleaning:
    """What the probe read in the vessel before it was wiped, and after; `meanwhile` is by how much the
    water itself changed between the two, as another instrument saw it."""

    before: float
    after: float
    meanwhile: float = 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """true = slope * read + offset."""

    slope: float = 1.0
    offset: float = 0.0

    def of(self, read: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the calibrated values of what the probe reported, shape n."""
        return self.slope * read + self.offset

    def value_of(self, read: float) -> float:
        """Return the calibrated value of one report."""
        return self.slope * read + self.offset

    def read_at(self, true: float) -> float:
        """Return what a probe of this line reports at a true value."""
        return (true - self.offset) / self.slope


AS_REPORTED = Line()


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration as somebody made it; it is in force from `at_ms` until the next of its probe.

    `points` are as left; `found` are as found, where the probe itself was adjusted in between. `said` is
    what one point was said to move, None for what is usual of the quantity. A probe that is `replaced` is
    another one than at the visit before, which then tells nothing of it.
    """

    at_ms: int
    probe: str
    quantity: Quantity
    points: tuple[Point, ...]
    standard: str
    who: str
    note: str = ""
    cleaned: Cleaning | None = None
    found: tuple[Point, ...] = ()
    said: Moves | None = None
    base: Line = AS_REPORTED
    replaced: bool = False

    @property
    def moves(self) -> Moves:
        """Return what the calibration moves."""
        return moved(self.quantity, self.points, self.said)

    @property
    def line(self) -> Line:
        """Return the line through the points."""
        return fitted(self.points, self.moves, self.base)

    @property
    def as_found(self) -> tuple[Point, ...]:
        """Return what the probe read in the standards before anybody adjusted it."""
        return self.found or self.points

    def uncertainty_at(self, true: float) -> float:
        """Return by how much the standards' own errors may put a value off, plus or minus in its unit."""
        return standards_error(self.points, self.moves, self.base, true)

    @property
    def key(self) -> str:
        """Return what its probe and quantity are kept under."""
        return key_of(self.probe, self.quantity)


def refuse_other_base(made: Calibration, before: Calibration | None) -> None:
    """Raise CalibrationError where a calibration was made from a line that is no longer in force."""
    if made.base not in (AS_REPORTED, AS_REPORTED if before is None else before.line):
        raise CalibrationError(f"{made.key}: somebody else calibrated it meanwhile; begin again")


def taken_back(body: Mapping[str, Any]) -> str | None:
    """Return whose newest calibration (`key_of`) an action takes back; None where it makes one."""
    if body.get("withdrawn") is not True:
        return None
    return key_of(str(body.get("probe")), quantity_named(body.get("quantity")))


def key_of(probe: str, quantity: Quantity) -> str:
    """Return what the calibrations of a probe's quantity are kept under."""
    return f"{probe}/{quantity}"


def calibration_of(body: Mapping[str, Any], at_ms: int, who: str) -> Calibration:
    """Return the calibration that an action's `body` describes, checked.

    Raises CalibrationError where something is missing, of the wrong kind or absurd.
    """
    unknown = sorted(body.keys() - _KEYS)
    if unknown:
        raise CalibrationError(f"calibration: no key is called {', '.join(unknown)}")
    quantity = quantity_named(body.get("quantity"))
    standard = str(body.get("standard") or "").strip()
    if not standard:
        raise CalibrationError('calibration: say against which standard, as "ice point" or a bottle\'s lot')
    points, found = _points(body.get("points")), _points(body.get("found"))
    said, base = _moves(body.get("moves")), _base(body.get("base"))
    line_through(quantity, points, said, base)
    if found:
        line_through(quantity, found, said, base)
    cleaned = None if body.get("cleaned") is None else _cleaning(body["cleaned"])
    replaced = body.get("replaced") is True
    if replaced and (found or cleaned or base != AS_REPORTED):
        raise CalibrationError("calibration: a new probe was not there to be found, wiped or moved on")
    probe, note = str(body.get("probe")), str(body.get("note") or "")
    return Calibration(
        at_ms, probe, quantity, points, standard, who, note, cleaned, found, said, base, replaced
    )


def quantity_named(name: object, refusal: type[RulesError] = CalibrationError) -> Quantity:
    """Return the quantity of that name. Raises the refusal, listing all there are, where none is."""
    try:
        return Quantity(str(name))
    except ValueError:
        raise refusal(f"{name}: no such quantity; there are: {', '.join(Quantity)}") from None


def finite(value: object, what: str, refusal: type[RulesError] = CalibrationError) -> float:
    """Return a number that somebody gave. Raises the refusal where it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise refusal(f"{what} {value!r} is not a number")
    return float(value)


def moved(quantity: Quantity, points: Sequence[Point], said: Moves | None = None) -> Moves:
    """Return what points move: two both, one what was said or is usual of the quantity."""
    if len(points) == 2:
        return Moves.BOTH
    return said or (Moves.OFFSET if quantity in _SHIFTED else Moves.SLOPE)


def fitted(points: Sequence[Point], moves: Moves, base: Line) -> Line:
    """Return the line through one or two points, moved from the line `base`."""
    if moves is Moves.BOTH:
        low, high = points
        slope = (high.true - low.true) / (high.read - low.read)
        return Line(slope, low.true - slope * low.read)
    (point,) = points
    if moves is Moves.OFFSET:
        return Line(base.slope, point.true - base.slope * point.read)
    return Line((point.true - base.offset) / point.read, base.offset)


def standards_error(points: Sequence[Point], moves: Moves, base: Line, true: float) -> float:
    """Return by how much the points' own errors may put a value off on the line through them."""
    errors = [point.uncertainty for point in points]
    if moves is Moves.BOTH:
        (low, high) = (point.true for point in points)
        share = (true - low) / (high - low)
        return math.hypot((1.0 - share) * errors[0], share * errors[1])
    one = points[0].true - base.offset
    return errors[0] * (abs((true - base.offset) / one) if moves is Moves.SLOPE else 1.0)


def line_through(
    quantity: Quantity, points: Sequence[Point], said: Moves | None = None, base: Line | None = None
) -> Line:
    """Return the line through one or two points. Raises CalibrationError where it would be absurd."""
    base = base or AS_REPORTED
    if not 1 <= len(points) <= 2:
        raise CalibrationError(
            f"calibration with {len(points)} points: give one, or two to find slope and offset"
        )
    moves = moved(quantity, points, said)
    if moves is Moves.BOTH:
        _refuse_same(quantity, *points)
    elif moves is Moves.SLOPE and (points[0].read <= 0 or points[0].true - base.offset <= 0):
        raise CalibrationError(
            f"{_words(quantity, points)}: a single point that moves the slope must lie above"
            f" {with_unit(quantity, 0.0)}; give the zero as the second of two"
        )
    line = fitted(points, moves, base)
    if not LEAST_SLOPE <= line.slope <= GREATEST_SLOPE:
        raise CalibrationError(
            f"slope {line.slope:.3g} from {_words(quantity, points)}: between {LEAST_SLOPE:g} and"
            f" {GREATEST_SLOPE:g} would be a probe that works; check the unit and the standard"
        )
    for point in points:
        _refuse_far(quantity, point)
    return line


def air_saturated(
    quantity: Quantity, read: float, temperature_c: float, salinity: float, air_pressure_hpa: float
) -> Point:
    """Return the point of an oxygen probe in water (or over it, in moist air) at balance with the air.

    Temperature in °C, salinity 0 for fresh water and for air, pressure in hPa at the station. Raises
    CalibrationError for another quantity or a condition that has no known solubility.
    """
    solubility = oxygen_solubility_mg_l(temperature_c, salinity, air_pressure_hpa).item()
    if quantity not in (Quantity.OXYGEN, Quantity.OXYGEN_SATURATION):
        raise CalibrationError(f"{quantity}: air saturation is a standard for oxygen alone")
    if math.isnan(solubility):
        raise CalibrationError(
            f"air saturation at {temperature_c:g} °C, salinity {salinity:g} and {air_pressure_hpa:g} hPa:"
            " give -2 to 40 °C, 0 to 42, and 500 to 1100 hPa as the barometer at the rack shows it"
        )
    return Point(read, solubility if quantity is Quantity.OXYGEN else 100.0)


def _refuse_same(quantity: Quantity, one: Point, other: Point) -> None:
    for name, low, high in (("read", one.read, other.read), ("are truly", one.true, other.true)):
        if low == high:
            both = f"two points that both {name} {with_unit(quantity, low)}"
            raise CalibrationError(f"{both}: two standards apart would be right")


def _refuse_far(quantity: Quantity, point: Point) -> None:
    allowed = MAX_CORRECTION[quantity]
    by_slope = quantity not in _SHIFTED and point.read > 0
    if by_slope and LEAST_SLOPE <= point.true / point.read <= GREATEST_SLOPE:
        return
    if abs(point.true - point.read) > allowed:
        most = with_unit(quantity, allowed, difference=True)
        raise CalibrationError(
            f"{_words(quantity, [point])}: at most {most} apart would be drift;"
            " check the unit and the standard"
        )


def _words(quantity: Quantity, points: Sequence[Point]) -> str:
    pairs = " and ".join(
        f"{with_unit(quantity, it.read)} read for {with_unit(quantity, it.true)}" for it in points
    )
    return f"{quantity} {pairs}"


def _points(given: object) -> tuple[Point, ...]:
    return tuple(_point(each) for each in given) if isinstance(given, Sequence) else ()


def _point(given: object) -> Point:
    needed = {"read", "true"}
    if not isinstance(given, Mapping) or not needed <= given.keys() <= needed | {"uncertainty"}:
        raise CalibrationError("calibration: each point needs what was read and what is true")
    point = Point(**_numbers(given))
    if point.uncertainty < 0:
        raise CalibrationError("calibration: an uncertainty below 0; 0 or more would be right")
    return point


def _moves(given: object) -> Moves | None:
    if given is None:
        return None
    if given not in (Moves.OFFSET, Moves.SLOPE):
        raise CalibrationError(f"calibration: moves {given}; one point moves the offset or the slope")
    return Moves(str(given))


def _base(given: object) -> Line:
    if given is None:
        return AS_REPORTED
    if not isinstance(given, Mapping) or given.keys() != {"slope", "offset"}:
        raise CalibrationError("calibration: the line in force is a slope and an offset")
    return Line(**_numbers(given))


def _cleaning(given: object) -> Cleaning:
    needed = {"before", "after"}
    if not isinstance(given, Mapping) or not needed <= given.keys() <= needed | {"meanwhile"}:
        raise CalibrationError("calibration: cleaning needs the reading before and the one after")
    return Cleaning(**_numbers(given))


def _numbers(given: Mapping[str, object]) -> dict[str, float]:
    return {name: finite(value, "calibration:") for name, value in given.items()}
