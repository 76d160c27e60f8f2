"""Why each alarm exists: what happens if nobody acts, from what it comes, what to check and to do, how soon.

A record for each alarm is what IEC 62682 asks for (its rationalisation; from memory). CAUTION. All that is
built in is common practice and this project's own judgement, no source: whoever answers for the animals goes
through it and writes the nursery's own into the settings file. Mains electricity beside salt water kills.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from rules.alarms.life_cycle import Priority
from rules.quantities import Quantity


class Severity(StrEnum):
    """What is at stake: animals are lost, they are strained, or only a probe needs somebody."""

    LOSS = "loss"
    STRAIN = "strain"
    PROBE = "probe"


@dataclass(frozen=True, slots=True)
class Record:
    """Why an alarm exists; `respond_min` is how long there is to act before the consequence [min]."""

    severity: Severity
    respond_min: float
    consequence: str
    cause: str
    check: str
    action: str
    may_shelve: str


_WHO = {
    Severity.LOSS: "who answers for the animals",
    Severity.STRAIN: "whoever is on call",
    Severity.PROBE: "whoever works at the rack",
}


def _record(severity: Severity, respond_min: float, *words: str) -> Record:
    consequence, cause, check, action = words
    return Record(severity, respond_min, consequence, cause, check, action, _WHO[severity])


_WARM = (
    "Chiller off, warm room",
    "Chiller, room heat? Mains off before wet work",
    "Restore cooling slowly, shade, move",
)
_COLD = (
    "Heater off, chiller stuck on",
    "Heater, chiller stuck on? Mains off before wet work",
    "Warm slowly, at most as fast as the stage bears",
)
_SALTY = (
    "Evaporation, top-off empty",
    "Top-off empty? Evaporation? Add fresh water slowly",
    "Add fresh water slowly",
)
_FRESH = "Top-off stuck open", "Close the top-off valve. Float stuck?", "Close it, mix salt water in slowly"
_STALE_WATER = (
    "Air pump or flow stopped, too much food",
    "Air pump, air stones? Mains off before wet work",
    "Restore air and flow, exchange water, stop feeding",
)
_BUBBLES = (  # an optode alone in air reads what such water does: whoever is there sees which it is
    "Pump draws air, sudden warming; or the optode is in air",
    "Optode out of the water? Pump drawing air?",
    "Stop the air at the inlet",
)
_BLIND = "Cable, power, probe"
_DIE, _SUFFER = "Animals are lost", "Animals are strained, and worse comes"
_LOSS, _STRAIN, _PROBE = Severity.LOSS, Severity.STRAIN, Severity.PROBE

BUILT_IN: Mapping[str, Record] = {
    "temperature/high_high": _record(_LOSS, 60, _DIE, *_WARM),
    "temperature/low_low": _record(_LOSS, 90, _DIE, *_COLD),
    "temperature/high": _record(_STRAIN, 480, _SUFFER, *_WARM),
    "temperature/low": _record(_STRAIN, 480, _SUFFER, *_COLD),
    "temperature/rising": _record(_STRAIN, 60, _SUFFER, *_WARM),
    "temperature/falling": _record(_STRAIN, 60, _SUFFER, *_COLD),
    "salinity/high_high": _record(_LOSS, 90, _DIE, *_SALTY),
    "salinity/low_low": _record(_LOSS, 60, "Animals sink and are lost", *_FRESH),
    "salinity/high": _record(_STRAIN, 480, _SUFFER, *_SALTY),
    "salinity/low": _record(_STRAIN, 480, _SUFFER, *_FRESH),
    "salinity/rising": _record(_STRAIN, 60, _SUFFER, *_SALTY),
    "salinity/falling": _record(_STRAIN, 60, _SUFFER, *_FRESH),
    "oxygen_saturation/high_high": _record(_LOSS, 60, "Bubbles in the bell, animals are lost", *_BUBBLES),
    "oxygen_saturation/low_low": _record(_LOSS, 30, _DIE, *_STALE_WATER),
    "oxygen_saturation/high": _record(_STRAIN, 480, _SUFFER, *_BUBBLES),
    "oxygen_saturation/low": _record(_STRAIN, 240, _SUFFER, *_STALE_WATER),
    "oxygen_saturation/rising": _record(_STRAIN, 60, _SUFFER, *_BUBBLES),
    "oxygen_saturation/falling": _record(_STRAIN, 30, "The flow has stopped, worse comes", *_STALE_WATER),
    "heading_out": _record(
        _STRAIN, 60, "The critical limit is passed", "As of the limit ahead",
        "Look now, while there is time. Mains off before wet work", "Find what has changed",
    ),
    "unwatched": _record(
        _LOSS, 60, "What goes wrong now is not seen", _BLIND,
        "Nobody sees this water: measure by hand. Cable, power?", "Measure by hand until it is seen again",
    ),
    "silent": _record(
        _PROBE, 1440, "A spare is gone", _BLIND,
        "Probe silent, nothing hidden. Cable, power?", "Connect it again, or put in another",
    ),
    "probe_fault": _record(
        _PROBE, 1440, "A spare is gone", "Probe in air, fouled, broken",
        "Measure by hand. Probe in air, or fouled?", "Clean, calibrate or replace it",
    ),
    "air_pressure/probe_fault": _record(
        _PROBE, 1440, "Oxygen saturation is off by the weather", "Another barometer, another unit, broken",
        "Compare with a weather station, not of sea level", "Calibrate it if it reads right, else replace it",
    ),
    "disagreement": _record(
        _STRAIN, 1440, "One of two is wrong, nobody knows which", "Fouling, drift, calibration",
        "Measure by hand: which probe is right?", "Clean and calibrate the wrong one",
    ),
}  # fmt: skip
"""By alarm, QUANTITY/CONDITION or CONDITION, at the limits of an adult."""

SHARES: Mapping[str, float] = {"planula": 0.5, "strobila": 0.5, "ephyra": 0.5, "juvenile": 0.75}
"""How much of an adult's time small animals leave; planulae and ephyrae have no reserves."""

_SAME_AS = {Quantity.OXYGEN: Quantity.OXYGEN_SATURATION, Quantity.CONDUCTIVITY: Quantity.SALINITY}
CRITICAL_UNDER_MIN, HIGH_UP_TO_MIN, LOW_FROM_MIN = 120.0, 60.0, 2880.0
"""Up to when a loss is critical, a strain high, and from when that is low (project judgement)."""


def record_of(stage: str, quantity: str, condition: str, own: Mapping[str, Record]) -> Record | None:
    """Return the record of an alarm, the most particular one, one of the nursery's `own` first.

    Keys are STAGE/QUANTITY/CONDITION, and the same without the stage or the quantity. None for what has no
    meaning here, such as high air pressure.
    """
    if found := own_record_of(stage, quantity, condition, own):
        return found
    like = _SAME_AS.get(Quantity(quantity), quantity) if quantity in list(Quantity) else quantity
    found = BUILT_IN.get(f"{like}/{condition}") or BUILT_IN.get(condition)
    share = SHARES.get(stage, 1.0)
    return found and replace(
        found, respond_min=found.respond_min * (share if found.severity is not _PROBE else 1)
    )


def own_record_of(stage: str, quantity: str, condition: str, own: Mapping[str, Record]) -> Record | None:
    """Return the record that the nursery itself wrote for an alarm, the most particular one."""
    alarm = f"{quantity}/{condition}"
    return next((own[key] for key in (f"{stage}/{alarm}", alarm, condition) if key in own), None)


def priority_by(record: Record) -> Priority:
    """Return how urgent an alarm is by what is at stake and how long there is: harm within a response."""
    if record.severity is Severity.PROBE:
        return Priority.LOW
    if record.severity is Severity.LOSS:
        return Priority.CRITICAL if record.respond_min < CRITICAL_UNDER_MIN else Priority.HIGH
    if record.respond_min <= HIGH_UP_TO_MIN:
        return Priority.HIGH
    return Priority.MEDIUM if record.respond_min < LOW_FROM_MIN else Priority.LOW
