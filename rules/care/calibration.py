"""Calibration: from what a probe read in a standard, and what is true there, to a straight line.

What the probe reports is never changed; the line is applied to it from the moment of the calibration
until the next one. Which way a single point moves the line (`_SHIFTED`) is common practice, no source:
a thermometer or barometer is shifted, a conductivity cell or an oxygen foil keeps its zero.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.errors import CalibrationError, RulesError
from rules.quantities import Quantity, unit_of
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

_KEYS = {"probe", "quantity", "points", "standard", "note", "cleaned"}


@dataclass(frozen=True, slots=True)
class Point:
    """What the probe read in a standard, and the standard's true value; both in the quantity's unit."""

    read: float
    true: float


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

    def read_at(self, true: float) -> float:
        """Return what a probe of this line reports at a true value."""
        return (true - self.offset) / self.slope


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration as somebody made it; it is in force from `at_ms` until the next of its probe."""

    at_ms: int
    probe: str
    quantity: Quantity
    points: tuple[Point, ...]
    standard: str
    who: str
    note: str = ""
    cleaned: Cleaning | None = None

    @property
    def line(self) -> Line:
        """Return the line through the points."""
        return line_through(self.quantity, self.points)

    @property
    def key(self) -> str:
        """Return what its probe and quantity are kept under."""
        return key_of(self.probe, self.quantity)


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
    given = body.get("points")
    points = tuple(_point(point) for point in given) if isinstance(given, Sequence) else ()
    line_through(quantity, points)
    cleaned = None if body.get("cleaned") is None else _cleaning(body["cleaned"])
    probe, note = str(body.get("probe")), str(body.get("note") or "")
    return Calibration(at_ms, probe, quantity, points, standard, who, note, cleaned)


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


def line_through(quantity: Quantity, points: Sequence[Point]) -> Line:
    """Return the line through one or two points. Raises CalibrationError where it would be absurd."""
    if not 1 <= len(points) <= 2:
        raise CalibrationError(
            f"calibration with {len(points)} points: give one, or two to find slope and offset"
        )
    line = _two_point(*points) if len(points) == 2 else _one_point(quantity, points[0])
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


def _one_point(quantity: Quantity, point: Point) -> Line:
    if quantity in _SHIFTED:
        return Line(1.0, point.true - point.read)
    if point.read <= 0 or point.true <= 0:
        raise CalibrationError(
            f"{quantity} at {point.read:g} read and {point.true:g} true: a single point must lie above zero;"
            " give the zero as the second of two"
        )
    return Line(point.true / point.read, 0.0)


def _two_point(low: Point, high: Point) -> Line:
    if low.read == high.read:
        raise CalibrationError(f"two points that both read {low.read:g}: two standards apart would be right")
    slope = (high.true - low.true) / (high.read - low.read)
    return Line(slope, low.true - slope * low.read)


def _refuse_far(quantity: Quantity, point: Point) -> None:
    allowed = MAX_CORRECTION[quantity]
    by_slope = quantity not in _SHIFTED and point.read > 0
    if by_slope and LEAST_SLOPE <= point.true / point.read <= GREATEST_SLOPE:
        return
    if abs(point.true - point.read) > allowed:
        raise CalibrationError(
            f"{_words(quantity, [point])}: at most {allowed:g} {unit_of(quantity)}".rstrip()
            + " apart would be drift; check the unit and the standard"
        )


def _words(quantity: Quantity, points: Sequence[Point]) -> str:
    pairs = " and ".join(f"{point.read:g} read for {point.true:g}" for point in points)
    return f"{quantity} {pairs}"


def _point(given: object) -> Point:
    if not isinstance(given, Mapping) or given.keys() != {"read", "true"}:
        raise CalibrationError("calibration: each point needs what was read and what is true")
    return Point(**_numbers(given))


def _cleaning(given: object) -> Cleaning:
    needed = {"before", "after"}
    if not isinstance(given, Mapping) or not needed <= given.keys() <= needed | {"meanwhile"}:
        raise CalibrationError("calibration: cleaning needs the reading before and the one after")
    return Cleaning(**_numbers(given))


def _numbers(given: Mapping[str, object]) -> dict[str, float]:
    return {name: finite(value, "calibration:") for name, value in given.items()}
