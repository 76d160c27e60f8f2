"""Hand measurements, and how a probe compares with them from calibration to calibration."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rules.care.calibration import finite, quantity_named
from rules.care.control_chart import LONGEST_RUN, ChartRule, broken_rule, sigma_of
from rules.errors import HandMeasurementError
from rules.quantities import Quantity
from rules.water.density import SpecificGravityScale, salinity_from_hydrometer

COMPARED_WITHIN_MS = 15 * 60_000
"""An older value of the probe is not compared (common practice, no source): the water may have moved on."""

USUAL_ACCURACY = {
    Quantity.TEMPERATURE: 0.2,
    Quantity.CONDUCTIVITY: 0.5,
    Quantity.SALINITY: 0.5,
    Quantity.OXYGEN: 0.3,
    Quantity.OXYGEN_SATURATION: 4.0,
    Quantity.AIR_PRESSURE: 1.0,
}
"""Of hand instruments, and of probes whose accuracy nobody stated (common practice, no source)."""

_KEYS = {"vessel", "quantity", "value", "specific_gravity", "scale", "temperature_c"}
_OF_THE_LOGBOOK = {"corrects", "corrects_ms", "another"}
_WORDS = {"method", "instrument"}


@dataclass(frozen=True, slots=True)
class HandMeasurement:
    """What somebody measured by hand, in the quantity's unit; `accuracy` is that of the instrument."""

    at_ms: int
    vessel: str
    quantity: Quantity
    value: float
    accuracy: float
    method: str
    instrument: str
    who: str


@dataclass(frozen=True, slots=True)
class HandCheck:
    """A hand measurement beside what the probe said at that time."""

    at_ms: int
    hand: float
    probe: float
    sigma: float

    @property
    def difference(self) -> float:
        """Return by how much the probe reads higher than the hand."""
        return self.probe - self.hand


@dataclass(frozen=True, slots=True)
class Chart:
    """A channel's newest hand checks since its probe was calibrated, the oldest first."""

    checks: tuple[HandCheck, ...] = ()

    def with_check(self, check: HandCheck) -> "Chart":
        """Return the chart with one more check."""
        return replace(self, checks=(*self.checks, check)[-LONGEST_RUN:])

    def corrected(self, measurement: HandMeasurement, taken_ms: int) -> "Chart | None":
        """Return the chart with the check of a moment put right; None where it is not on it any more.

        What the probe said then stays, and every later difference is judged anew.
        """
        places = [place for place, check in enumerate(self.checks) if check.at_ms == taken_ms]
        checks = list(self.checks)
        for place in places:
            checks[place] = replace(checks[place], hand=measurement.value)
        return replace(self, checks=tuple(checks)) if places else None

    @property
    def rule(self) -> ChartRule | None:
        """Return the rule that the newest check breaks: the probe walks away from the hand; None if none."""
        return broken_rule([check.difference / check.sigma for check in self.checks])

    @property
    def mean_difference(self) -> float:
        """Return by how much the probe reads higher on average, over the checks on the chart."""
        return math.fsum(check.difference for check in self.checks) / len(self.checks)


def compared(measurement: HandMeasurement, probe: float, probe_accuracy: float | None) -> HandCheck:
    """Return a hand measurement beside the probe's value; an accuracy that nobody stated is the usual one."""
    accuracy = USUAL_ACCURACY[measurement.quantity] if probe_accuracy is None else probe_accuracy
    return HandCheck(measurement.at_ms, measurement.value, probe, sigma_of(measurement.accuracy, accuracy))


def hand_measurement_of(body: Mapping[str, Any], at_ms: int, who: str) -> HandMeasurement:
    """Return the measurement that an action's `body` describes, checked; a specific gravity as salinity.

    Raises HandMeasurementError, or SeawaterError for a specific gravity without its reference temperatures.
    """
    unknown = sorted(body.keys() - _KEYS - _WORDS - _OF_THE_LOGBOOK - {"accuracy"})
    if unknown:
        raise HandMeasurementError(f"hand measurement: no key is called {', '.join(unknown)}")
    words = {name: str(body.get(name) or "").strip() for name in ("vessel", *sorted(_WORDS))}
    missing = [name for name, text in words.items() if not text]
    if missing:
        raise HandMeasurementError(f"hand measurement: say its {' and '.join(missing)}")
    quantity = quantity_named(body.get("quantity"), HandMeasurementError)
    accuracy = _number(body.get("accuracy", USUAL_ACCURACY[quantity]), "accuracy")
    if accuracy <= 0:
        raise HandMeasurementError(f"hand measurement: accuracy {accuracy:g}; more than 0 would be right")
    value = _value(body, quantity)
    return HandMeasurement(at_ms, quantity=quantity, value=value, accuracy=accuracy, who=who, **words)


def _value(body: Mapping[str, Any], quantity: Quantity) -> float:
    if ("value" in body) == ("specific_gravity" in body):
        raise HandMeasurementError("hand measurement: give either a value or a specific gravity")
    if "value" in body:
        return _number(body["value"], "value")
    if quantity is not Quantity.SALINITY:
        raise HandMeasurementError(
            f"hand measurement: specific gravity is a measure of salinity, not {quantity}"
        )
    reading = _number(body["specific_gravity"], "specific gravity")
    scale = SpecificGravityScale.parse(str(body["scale"])) if body.get("scale") else None
    sample_c = scale.sample_c if scale else np.nan
    at_c = _number(body["temperature_c"], "temperature") if "temperature_c" in body else sample_c
    salinity = salinity_from_hydrometer(reading, scale, at_c).item()
    if math.isnan(salinity):
        raise HandMeasurementError(
            f"specific gravity {reading:g} at {at_c:g} °C: no sea water of salinity 0 to 42 has it;"
            " 1.020 to 1.030 would be usual"
        )
    return salinity


def _number(value: object, what: str) -> float:
    return finite(value, f"hand measurement: {what}", HandMeasurementError)
