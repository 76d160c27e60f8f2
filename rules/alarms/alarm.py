"""One alarm as it stands, and what keeps it from people."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from rules.alarms.event import NO_EVIDENCE, Evidence
from rules.alarms.life_cycle import EXCUSES, HELD, MILDER, Condition, Priority, State, Trigger


class HoldKind(StrEnum):
    """What can keep an alarm from people."""

    SERVICE = "service"
    SHELF = "shelf"
    MAINTENANCE = "maintenance"
    EXPLAINED = "explained"


@dataclass(frozen=True, slots=True)
class Hold:
    """Why an alarm is kept from people, by whom, and until when (None: until somebody ends it)."""

    who: str
    why: str
    until_ms: int | None = None


HOLDING: dict[HoldKind, tuple[Trigger, State, Trigger]] = {
    HoldKind.SERVICE: (Trigger.TAKEN_OUT, State.OUT_OF_SERVICE, Trigger.PUT_BACK),
    HoldKind.SHELF: (Trigger.SHELVED, State.SHELVED, Trigger.UNSHELVED),
    HoldKind.MAINTENANCE: (Trigger.SUPPRESSED, State.SUPPRESSED, Trigger.RELEASED),
    HoldKind.EXPLAINED: (Trigger.SUPPRESSED, State.SUPPRESSED, Trigger.RELEASED),
}
"""For each kind: the trigger that begins it, the state that it makes, the trigger that ends it."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One condition on one channel, as it stands; `since_ms` is when the condition began.

    `active` maps each level that is crossed now to its priority; `worst` is the most urgent
    priority that nobody has acknowledged yet; `cause` names what the alarm shares with others and
    `reach` the vessels that it concerns beside its own; `evidence` is that of the newest crossing;
    `holds` says what keeps it from people.
    """

    vessel: str
    bus: str
    channel: str
    condition: Condition
    cause: str
    state: State
    active: Mapping[str, Priority]
    worst: Priority
    since_ms: int
    reach: tuple[str, ...] = ()
    evidence: Evidence = NO_EVIDENCE
    acknowledged_ms: int = 0
    holds: Mapping[HoldKind, Hold] = field(default_factory=dict)

    @property
    def priority(self) -> Priority:
        """Return how urgent the condition is now; once it has returned, how urgent it came to be."""
        return max(self.active.values(), default=self.worst)

    @property
    def name(self) -> str:
        """Return what people acknowledge it by, such as kreisel-1/temperature/high."""
        return f"{self.channel}/{self.condition}"

    @property
    def announced(self) -> bool:
        """Return whether people are told of it now and its condition lasts."""
        return bool(self.active) and self.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)

    @property
    def held_by(self) -> HoldKind | None:
        """Return what keeps it from people, the strongest where there are several; None if nothing does."""
        return min(self.holds, key=lambda kind: (HELD.index(HOLDING[kind][1]), kind), default=None)


def is_worse(one: Alarm, other: Alarm) -> bool:
    """Return whether of two limits of one kind the first is the worse."""
    return one.channel == other.channel and MILDER.get(one.condition) is other.condition


def explains(alarm: Alarm, other: Alarm) -> bool:
    """Return whether an announced alarm of a cause needs telling no more once `alarm` is raised."""
    return is_worse(alarm, other) or other.condition in EXCUSES.get(alarm.condition, ())
