"""One step in the life of an alarm, with its evidence: what is journaled, sent and shown."""

from dataclasses import asdict, dataclass
from typing import Any

from rules.alarms.life_cycle import Condition, Priority, State, Trigger


@dataclass(frozen=True, slots=True)
class Evidence:
    """The numbers behind an event, in the channel's unit (per hour for rates); None where there is none."""

    value: float | None = None
    limit: float | None = None
    rate_per_hour: float | None = None
    reached_ms: int | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One step in the life of an alarm; `number` counts the events of a journal from 1.

    `cause` is shared by alarms that are one problem, and `vessels` are those in which it shows.
    `value`, `limit`, `rate_per_hour` and `reached_ms` (when the limit will be reached) are the
    evidence, `reason` says what a probe fault is about. `who`, `why` and `until_ms` say what people did.
    """

    number: int
    at_ms: int
    vessel: str
    channel: str
    condition: Condition
    trigger: Trigger
    state: State
    priority: Priority
    since_ms: int
    cause: str = ""
    vessels: tuple[str, ...] = ()
    value: float | None = None
    limit: float | None = None
    rate_per_hour: float | None = None
    reached_ms: int | None = None
    reason: str = ""
    who: str = ""
    why: str = ""
    until_ms: int | None = None

    @property
    def alarm(self) -> str:
        """Return the name of the alarm that took this step."""
        return f"{self.channel}/{self.condition}"

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**asdict(self), "priority": self.priority.word}
