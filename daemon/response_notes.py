"""The first thing to check, by alarm: response notes, as IEC 62682 asks of each alarm.

CAUTION. The built-in notes are starting points (common practice, no source). The person who answers
for the animals goes through them and writes the nursery's own into `[notes]` of the on-call
settings. A note that sends somebody to a pump, a heater or a chiller says that the mains are
switched off first: mains electricity beside salt water kills.
"""

from collections.abc import Mapping

from rules.alarms.life_cycle import MILDER, Condition
from rules.calling.records import BROKER_LOST, RACK_SILENT, UNREADABLE
from rules.quality.probe_faults import FaultReason
from rules.quantities import Quantity

DEFAULT_NOTES: Mapping[str, str] = {
    "temperature/high": "Chiller, room heat? Mains off before wet work",
    "temperature/low": "Heater, chiller stuck on? Mains off before wet work",
    "salinity/high": "Top-off empty? Evaporation? Add fresh water slowly",
    "salinity/low": "Close the top-off valve. Float stuck?",
    "conductivity/high": "Top-off empty? Measure salinity by hand",
    "conductivity/low": "Close the top-off valve. Measure salinity by hand",
    "oxygen/low": "Air pump, air stones? Mains off before wet work",
    "oxygen_saturation/low": "Air pump, air stones? Mains off before wet work",
    "oxygen_saturation/high": "Gas bubbles harm medusae: pump drawing air?",
    "oxygen_saturation/rising": "Gas bubbles harm medusae: pump drawing air?",
    "temperature/rising": "Chiller, room heat? Mains off before wet work",
    "temperature/falling": "Heater, chiller stuck on? Mains off before wet work",
    "salinity/rising": "Top-off empty? Evaporation?",
    "salinity/falling": "Close the top-off valve. Float stuck?",
    "oxygen/falling": "Air pump, air stones? Mains off before wet work",
    "oxygen_saturation/falling": "Air pump, air stones? Mains off before wet work",
    "heading_out": "Look now, while there is time. Mains off before wet work",
    "silent": "Nobody sees this water: measure by hand. Cable, power?",
    "probe_fault": "Measure by hand. Probe in air, or fouled?",
    "probe_fault/in air": "Put the probe back into the water",
    "probe_fault/stuck": "Measure by hand, restart the probe",
    "disagreement": "Measure by hand: which probe is right?",
    RACK_SILENT: "Rack unwatched: go and look. Power, network?",
    BROKER_LOST: "No alarm can get through. Broker, network?",
    UNREADABLE: "Look at the rack: bellwatch status. Same version here?",
}


def known_alarms() -> list[str]:
    """Return what a note may be for: a condition, one of a quantity, or a probe fault by reason."""
    conditions = [condition.value for condition in Condition]
    by_quantity = [f"{quantity.value}/{condition}" for quantity in Quantity for condition in conditions]
    by_reason = [f"{Condition.PROBE_FAULT}/{reason}" for reason in FaultReason]
    return [*conditions, *by_quantity, *by_reason, RACK_SILENT, BROKER_LOST, UNREADABLE]


def note_for(quantity: str, condition: str, reason: str, own: Mapping[str, str]) -> str:
    """Return the note for an alarm, the most particular one, an own one first; empty without any.

    `reason` is that of a probe fault; a note for high is also one for high-high.
    """
    milder = f"{quantity}/{MILDER.get(condition)}"
    keys = (f"{quantity}/{condition}", milder, f"{condition}/{reason}", condition)
    return next((notes[key] for key in keys for notes in (own, DEFAULT_NOTES) if key in notes), "")
