"""The first thing to check, by alarm: response notes, as IEC 62682 asks of each alarm.

CAUTION. The built-in notes are starting points (common practice, no source). The person who answers
for the animals goes through them and writes the nursery's own into `[notes]` of the on-call
settings. A note that sends somebody to a pump, a heater or a chiller says that the mains are
switched off first: mains electricity beside salt water kills.
"""

from collections.abc import Mapping

from rules.alarms.life_cycle import MILDER, Condition
from rules.calling.records import BROKER_LOST, RACK_SILENT, UNREADABLE
from rules.care.rationale import BUILT_IN
from rules.judging.unwatched import NOT_BORNE_OUT
from rules.quality.probe_faults import FaultReason
from rules.quantities import Quantity

DEFAULT_NOTES: Mapping[str, str] = {
    **{alarm: its.check for alarm, its in BUILT_IN.items() if alarm.rpartition("/")[2] not in MILDER},
    "conductivity/high": "Top-off empty? Measure salinity by hand",
    "conductivity/low": "Close the top-off valve. Measure salinity by hand",
    "oxygen/low": BUILT_IN["oxygen_saturation/low"].check,
    "oxygen/falling": BUILT_IN["oxygen_saturation/falling"].check,
    "probe_fault/in air": "Put the probe back into the water",
    "probe_fault/stuck": "Measure by hand, restart the probe",
    f"unwatched/{NOT_BORNE_OUT}": "Measure by hand: bellwatch measure VESSEL QUANTITY",
    f"unwatched/{FaultReason.TOO_FAST}": "Measure by hand: bellwatch measure VESSEL QUANTITY",
    RACK_SILENT: "Rack unwatched: go and look. Power, network?",
    BROKER_LOST: "No alarm can get through. Broker, network?",
    UNREADABLE: "Look at the rack: bellwatch status. Same version here?",
}


def known_alarms() -> list[str]:
    """Return what a note may be for: a condition, one of a quantity, or a probe fault by reason."""
    conditions = [condition.value for condition in Condition]
    by_quantity = [f"{quantity.value}/{condition}" for quantity in Quantity for condition in conditions]
    by_reason = [f"{Condition.PROBE_FAULT}/{reason}" for reason in FaultReason]
    by_reason += [f"{Condition.UNWATCHED}/{reason}" for reason in (NOT_BORNE_OUT, FaultReason.TOO_FAST)]
    return [*conditions, *by_quantity, *by_reason, RACK_SILENT, BROKER_LOST, UNREADABLE]


def note_for(quantity: str, condition: str, reason: str, own: Mapping[str, str]) -> str:
    """Return the note for an alarm, the most particular one, an own one first; empty without any.

    `reason` is that of a probe fault, then how often it came and went; a note for high is also one for
    high-high.
    """
    milder = f"{quantity}/{MILDER.get(condition)}"
    keys = (f"{quantity}/{condition}", milder, f"{condition}/{reason.partition(', ')[0]}", condition)
    return next((notes[key] for key in keys for notes in (own, DEFAULT_NOTES) if key in notes), "")
