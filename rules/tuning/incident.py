"""An incident: a stretch of the record that somebody has marked, and which calls are about it."""

from dataclasses import dataclass

from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Condition
from rules.quantities import Quantity

KINDS = ("water", "unwatched", "death", "work")
"""What an incident is: the water was wrong, nobody saw it, animals died, people were at work."""

_OF_PROBES = frozenset({Condition.UNWATCHED, Condition.SILENT, Condition.PROBE_FAULT, Condition.DISAGREEMENT})
_SAME_WATER = {Quantity.CONDUCTIVITY: Quantity.SALINITY, Quantity.OXYGEN: Quantity.OXYGEN_SATURATION}


@dataclass(frozen=True, slots=True)
class Incident:
    """A marked stretch of the record: what it was, where, and whether a call was wanted (None: to be asked).

    `vessel` names one vessel, or several with a space between; `quantity`, `kind` (of `KINDS`), `cause` and
    `severity` (of `rules.care.rationale.Severity`) are empty where nobody said, as in older files: any call
    for the vessel is then about it. From `harm_ms` on animals are harmed (None: not known); `evidence` says
    how that is known.
    """

    start_ms: int
    end_ms: int
    vessel: str
    what: str
    call_wanted: bool | None
    quantity: str = ""
    kind: str = ""
    cause: str = ""
    severity: str = ""
    harm_ms: int | None = None
    evidence: str = ""

    @property
    def vessels(self) -> tuple[str, ...]:
        """Return the vessels that it concerns."""
        return tuple(self.vessel.split())


def answers(call: AlarmEvent, incident: Incident) -> bool:
    """Return whether a call is about an incident: its time, a vessel of it that is listed, its quantity."""
    if not incident.start_ms <= call.at_ms <= incident.end_ms:
        return False
    if not {call.vessel, *call.vessels} & set(incident.vessels):
        return False
    if incident.kind == "unwatched" and call.condition not in _OF_PROBES:
        return False
    return not incident.quantity or _water(incident.quantity) in map(_water, _dangers(call, incident))


def _dangers(call: AlarmEvent, incident: Incident) -> list[str]:
    """Return the quantities that a call tells of; of what nobody sees, those of the incident's vessels."""
    if call.condition == Condition.UNWATCHED:
        hidden = (danger.split("/") for danger in call.evidence.hidden)
        return [quantity for vessel, quantity, *_ in hidden if vessel in incident.vessels]
    return call.channel.split("/")[1:2]


def _water(quantity: str) -> str:
    """Return one name for what is one danger in two units of measure."""
    return next((same for its, same in _SAME_WATER.items() if its == quantity), quantity)
