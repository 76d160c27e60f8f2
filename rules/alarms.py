"""The life cycle of an alarm, as one table (states and terms of IEC 62682 / ANSI/ISA-18.2).

Everything that moves an alarm from one state to another stands in `TRANSITIONS`. What the table
does not list is refused and changes nothing.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import IntEnum, StrEnum
from typing import Any

from rules.errors import AlarmError


class State(StrEnum):
    """Where an alarm stands, by its process condition and by whether somebody has seen it."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"


class Trigger(StrEnum):
    """What happens to an alarm."""

    RAISED = "raised"
    WORSENED = "worsened"
    EASED = "eased"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"


class Priority(IntEnum):
    """How much an alarm matters; a higher number is more urgent."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3
    CRITICAL = 4

    @property
    def word(self) -> str:
        """Return the priority as it is shown and sent."""
        return self.name.lower()


class Condition(StrEnum):
    """What can be wrong on a channel."""

    HIGH = "high"
    LOW = "low"
    RISING = "rising"
    FALLING = "falling"
    SILENT = "silent"
    PROBE_FAULT = "probe_fault"


TRANSITIONS: dict[tuple[State, Trigger], State] = {
    (State.NORMAL, Trigger.RAISED): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGED): State.ACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.WORSENED): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.EASED): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.RETURNED): State.RETURNED,
    (State.ACKNOWLEDGED, Trigger.WORSENED): State.UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.EASED): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.RETURNED): State.NORMAL,
    (State.RETURNED, Trigger.ACKNOWLEDGED): State.NORMAL,
    (State.RETURNED, Trigger.RAISED): State.UNACKNOWLEDGED,
}


def next_state(state: State, trigger: Trigger) -> State:
    """Return the state after `trigger`; raise AlarmError where the table has no such step."""
    try:
        return TRANSITIONS[state, trigger]
    except KeyError:
        raise AlarmError(f"an alarm that is {state} cannot be {trigger}") from None


@dataclass(frozen=True, slots=True)
class Alarm:
    """One condition on one channel, as it stands; `since_ms` is when the condition began.

    `active` maps each level that is crossed now to its priority; `worst` is the most urgent
    priority that nobody has acknowledged yet.
    """

    vessel: str
    channel: str
    condition: Condition
    state: State
    active: Mapping[str, Priority]
    worst: Priority
    since_ms: int

    @property
    def priority(self) -> Priority:
        """Return how urgent the condition is now; once it has returned, how urgent it came to be."""
        return max(self.active.values(), default=self.worst)

    @property
    def name(self) -> str:
        """Return what people acknowledge it by, such as kreisel-1/temperature/high."""
        return f"{self.channel}/{self.condition}"

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; `alarm_from_json` is the inverse."""
        return {**asdict(self), "active": {level: int(rank) for level, rank in sorted(self.active.items())}}


def alarm_from_json(data: dict[str, Any]) -> Alarm:
    """Return the alarm that `Alarm.to_json` wrote down."""
    return Alarm(
        vessel=data["vessel"],
        channel=data["channel"],
        condition=Condition(data["condition"]),
        state=State(data["state"]),
        active={level: Priority(rank) for level, rank in data["active"].items()},
        worst=Priority(data["worst"]),
        since_ms=data["since_ms"],
    )
