"""Hand measurements, and how a probe compares with them from calibration to calibration."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rules.care.calibration import finite, quantity_named
from rules.care.control_chart import CHECKS_KEPT, Bias, allowed, bias_of
from rules.errors import HandMeasurementError
from rules.quantities import Quantity, with_unit
from rules.rack.plan import Source
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

_BLIND = 6.0
"""Beyond so many times the usual accuracy a check hides what it is made to find: a swing-arm hydrometer of
0.002 (2.6 of salinity) is still heard (project judgement)."""

_KEYS = {"vessel", "quantity", "value", "specific_gravity", "scale", "temperature_c"}
_OF_THE_LOGBOOK = {"corrects", "corrects_ms", "another"}


def allowed_error(source: Source) -> float:
    """Return what a probe may be off: its stated accuracy, else the usual one."""
    return USUAL_ACCURACY[source.quantity] if source.accuracy is None else source.accuracy


_SG_STEP = 1e-4
"""Small beside any curvature, large beside rounding."""
_OF_INSTRUMENT = ("accuracy", "resolution", "constant")
_WORDS = {"method", "instrument"}


@dataclass(frozen=True, slots=True)
class Instrument:
    """What people measure by hand with, in the unit of what it shows (a specific gravity's is 1).

    `constant` is how much of its accuracy is the same at each measurement, 0 to 1; a refractometer's or a
    thermometer's mostly is (common practice, no source).
    """

    accuracy: float
    resolution: float = 0.0
    constant: float = 1.0

    @property
    def off(self) -> float:
        """Return by how much a measurement may be off, with the half step that is not read."""
        return self.accuracy + self.resolution / 2.0


@dataclass(frozen=True, slots=True)
class HandMeasurement:
    """What somebody measured by hand, and with what; value and accuracy in the quantity's unit."""

    at_ms: int
    vessel: str
    quantity: Quantity
    value: float
    made_with: Instrument
    method: str
    instrument: str
    who: str


@dataclass(frozen=True, slots=True)
class HandCheck:
    """A hand measurement beside what the probe said at that time, with the accuracies of both."""

    at_ms: int
    hand: float
    probe: float
    probe_accuracy: float
    hand_accuracy: float
    instrument: str
    constant: float = 1.0

    @property
    def difference(self) -> float:
        """Return by how much the probe reads higher than the hand."""
        return self.probe - self.hand


@dataclass(frozen=True, slots=True)
class Chart:
    """A channel's newest hand checks since its probe was calibrated, the oldest first.

    `off_by` is by how much the probe reads high beyond its instruments' bias, on average over so many of the
    newest (`over`), where it is accused; None where it is not. `allowed` would be explained, `bias_from`
    are the probes that the bias is known by.
    """

    checks: tuple[HandCheck, ...] = ()
    off_by: float | None = None
    over: int = 0
    allowed: float = 0.0
    bias_from: int = 0

    @property
    def mean_difference(self) -> float:
        """Return by how much the probe reads higher on average, over the checks on the chart."""
        return math.fsum(check.difference for check in self.checks) / len(self.checks)

    @property
    def rule(self) -> str:
        """Return why the probe is accused, in words that go on with the difference; empty where it is not."""
        if self.off_by is None:
            return ""
        known = f"the instrument's own bias is taken off by {self.bias_from} probes" if self.bias_from else ""
        unknown = "only a standard tells which of both is off"
        return f"mean of {self.over}, {self.allowed:.2g} would be explained; {known or unknown}"

    def widened(self, accuracy: float) -> float:
        """Return the accuracy of the probe's value, widened to the hand's where both do not agree."""
        hand = math.fsum(check.hand_accuracy for check in self.checks) / len(self.checks)
        apart = abs(self.mean_difference)
        return max(accuracy, apart) if apart > math.hypot(accuracy, hand) else accuracy


def with_check(charts: Mapping[str, Chart], name: str, check: HandCheck) -> Chart:
    """Return a channel's chart with one more check; the other charts tell of the instrument."""
    return _judged(charts, name, (*charts.get(name, Chart()).checks, check)[-CHECKS_KEPT:])


def corrected(charts: Mapping[str, Chart], name: str, hand: float, taken_ms: int) -> Chart | None:
    """Return a channel's chart with the check of a moment put right; None where it is not on it any more.

    What the probe said then stays, and every difference is judged anew.
    """
    before = charts.get(name, Chart()).checks
    checks = tuple(replace(check, hand=hand) if check.at_ms == taken_ms else check for check in before)
    on_it = any(check.at_ms == taken_ms for check in before)
    return _judged(charts, name, checks) if on_it else None


def _judged(charts: Mapping[str, Chart], name: str, checks: tuple[HandCheck, ...]) -> Chart:
    quantity = name.split("/")[1]
    alike = {other: its.checks for other, its in charts.items() if other.split("/")[1] == quantity}
    biases = [_bias({**alike, name: checks}, each) for each in checks]
    pairs = list(zip(checks, biases, strict=True))
    high = [each.difference - bias.high for each, bias in pairs]
    bounds = [bias.bound(each.probe_accuracy, each.hand_accuracy) for each, bias in pairs]
    scatter = [math.hypot(each.probe_accuracy, each.hand_accuracy) for each in checks]
    for over in range(len(checks), 0, -1):
        off_by = math.fsum(high[-over:]) / over
        most = allowed(bounds[-over:], scatter[-over:])
        if abs(off_by) > most:
            return Chart(checks, off_by, over, most, min(bias.probes for bias in biases))
    return Chart(checks)


def _bias(checks: Mapping[str, tuple[HandCheck, ...]], of: HandCheck) -> Bias:
    """Return the bias of the instrument that made a check, by all that it made."""
    visited = {
        name: own
        for name, every in checks.items()
        if (own := [each for each in every if each.instrument == of.instrument])
    }
    means = [math.fsum(each.difference for each in own) / len(own) for own in visited.values()]
    worst = max(each.probe_accuracy for own in visited.values() for each in own)
    return bias_of(means, worst, of.constant * of.hand_accuracy)


def compared(measurement: HandMeasurement, probe: float, probe_accuracy: float | None) -> HandCheck:
    """Return a hand measurement beside the probe's value; an accuracy that nobody stated is the usual one."""
    accuracy = USUAL_ACCURACY[measurement.quantity] if probe_accuracy is None else probe_accuracy
    its = measurement.made_with
    values = (measurement.at_ms, measurement.value, probe, accuracy, its.off)
    return HandCheck(*values, measurement.instrument, its.constant)


def instrument_of(body: Mapping[str, Any], known: Instrument | None) -> Instrument | None:
    """Return the instrument of a measurement as its body states it, what it leaves out as it was known.

    None where nobody ever stated its accuracy. Raises HandMeasurementError where a number cannot be.
    """
    given = {name: _number(body[name], name) for name in _OF_INSTRUMENT if name in body}
    for name, value in given.items():
        if value < 0 or (name == "accuracy" and value == 0) or (name == "constant" and value > 1):
            right = {"accuracy": "more than 0", "resolution": "0 or more", "constant": "0 to 1"}[name]
            raise HandMeasurementError(f"hand measurement: {name} out of place; {right} would be right")
    if known is None and "accuracy" not in given:
        return None
    return replace(known, **given) if known else Instrument(**given)


def refuse_blind(quantity: Quantity, off: float, whose: str) -> None:
    """Raise HandMeasurementError where somebody states that it may be so far off that it tells nothing."""
    most = _BLIND * USUAL_ACCURACY[quantity]
    if off > most:
        far, near = (with_unit(quantity, it, difference=True) for it in (off, most))
        raise HandMeasurementError(
            f"{whose}: ± {far} of {quantity} (accuracy and half a step) tells of no probe whether it is"
            f" right; {near} or less would"
        )


def hand_measurement_of(
    body: Mapping[str, Any], at_ms: int, who: str, known: Instrument | None = None
) -> HandMeasurement:
    """Return the measurement that an action's `body` describes, checked; a specific gravity as salinity.

    `known` is its instrument as it was stated before.

    Raises HandMeasurementError, or SeawaterError for a specific gravity without its reference temperatures.
    """
    unknown = sorted(body.keys() - _KEYS - _WORDS - _OF_THE_LOGBOOK - set(_OF_INSTRUMENT))
    if unknown:
        raise HandMeasurementError(f"hand measurement: no key is called {', '.join(unknown)}")
    words = {name: str(body.get(name) or "").strip() for name in ("vessel", *sorted(_WORDS))}
    missing = [name for name, text in words.items() if not text]
    if missing:
        raise HandMeasurementError(f"hand measurement: say its {' and '.join(missing)}")
    quantity = quantity_named(body.get("quantity"), HandMeasurementError)
    value, per_step = _value(body, quantity)
    stated = instrument_of(body, known) or Instrument(USUAL_ACCURACY[quantity] / per_step)
    made_with = replace(stated, accuracy=stated.accuracy * per_step, resolution=stated.resolution * per_step)
    return HandMeasurement(at_ms, quantity=quantity, value=value, made_with=made_with, who=who, **words)


def _value(body: Mapping[str, Any], quantity: Quantity) -> tuple[float, float]:
    """Return what was measured, in the quantity's unit, and how many of these a step of its reading makes."""
    if ("value" in body) == ("specific_gravity" in body):
        raise HandMeasurementError("hand measurement: give either a value or a specific gravity")
    if "value" in body:
        return _number(body["value"], "value"), 1.0
    if quantity is not Quantity.SALINITY:
        raise HandMeasurementError(
            f"hand measurement: specific gravity is a measure of salinity, not {quantity}"
        )
    reading = _number(body["specific_gravity"], "specific gravity")
    scale = SpecificGravityScale.parse(str(body["scale"])) if body.get("scale") else None
    sample_c = scale.sample_c if scale else np.nan
    at_c = _number(body["temperature_c"], "temperature") if "temperature_c" in body else sample_c
    readings = np.array([reading, reading - _SG_STEP, reading + _SG_STEP])
    salinity, below, above = salinity_from_hydrometer(readings, scale, at_c).tolist()
    if math.isnan(salinity):
        raise HandMeasurementError(
            f"specific gravity {reading:g} at {at_c:g} °C: no sea water of salinity 0 to 42 has it;"
            " 1.020 to 1.030 would be usual"
        )
    step = above - salinity if math.isnan(below) else salinity - below
    return salinity, step / _SG_STEP


def _number(value: object, what: str) -> float:
    return finite(value, f"hand measurement: {what}", HandMeasurementError)
