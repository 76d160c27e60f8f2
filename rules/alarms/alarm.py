"""One alarm as it stands, and what keeps it from people."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

from rules.alarms.event import Evidence
from rules.alarms.life_cycle import HELD, Condition, Priority, State, Trigger


class Keeper(StrEnum):
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


HOLDING: dict[Keeper, tuple[Trigger, State, Trigger]] = {
    Keeper.SERVICE: (Trigger.TAKEN_OUT, State.OUT_OF_SERVICE, Trigger.PUT_BACK),
    Keeper.SHELF: (Trigger.SHELVED, State.SHELVED, Trigger.UNSHELVED),
    Keeper.MAINTENANCE: (Trigger.SUPPRESSED, State.SUPPRESSED, Trigger.RELEASED),
    Keeper.EXPLAINED: (Trigger.SUPPRESSED, State.SUPPRESSED, Trigger.RELEASED),
}
"""For each keeper: the trigger that begins it, the state that it makes, the trigger that ends it."""


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
    evidence: Evidence = field(default_factory=Evidence)
    acknowledged_ms: int = 0
    holds: Mapping[Keeper, Hold] = field(default_factory=dict)

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
    def keeper(self) -> Keeper | None:
        """Return what keeps it from people, the strongest where there are several; None if nothing does."""
        return min(self.holds, key=lambda keeper: (HELD.index(HOLDING[keeper][1]), keeper), default=None)

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; `alarm_from_json` is the inverse."""
        return asdict(self)


def alarm_from_json(data: Mapping[str, Any]) -> Alarm:
    """Return the alarm that `Alarm.to_json` wrote down."""
    return Alarm(
        **{
            **data,
            "condition": Condition(data["condition"]),
            "state": State(data["state"]),
            "active": {level: Priority(rank) for level, rank in data["active"].items()},
            "worst": Priority(data["worst"]),
            "reach": tuple(data["reach"]),
            "evidence": Evidence(**data["evidence"]),
            "holds": {Keeper(keeper): Hold(**hold) for keeper, hold in data["holds"].items()},
        }
    )
