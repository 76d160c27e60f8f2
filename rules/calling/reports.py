"""What the on-call fold takes in and gives out: reports of alarms by their racks, and pages to people."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

from rules.alarms.life_cycle import Priority, State, Trigger

RACK_SILENT = "rack_silent"
RACK_STOPPED = "rack_stopped"
BROKER_LOST = "broker_lost"
MENTIONED = "mentioned"
"""The trigger of what is worth knowing but no alarm."""
LET_GO = frozenset({Trigger.UNSHELVED, Trigger.RELEASED, Trigger.PUT_BACK})
"""Steps that end a hold: the alarm is over for the moment, but the water need not be well."""


class Stand(StrEnum):
    """What an alarm asks of people: it calls, somebody has seen it, it is silenced, it is over."""

    CALLS = "calls"
    SEEN = "seen"
    SILENCED = "silenced"
    OVER = "over"


_STANDS: Mapping[str, Stand] = {
    State.NORMAL: Stand.OVER,
    State.RETURNED: Stand.OVER,
    State.ACKNOWLEDGED: Stand.SEEN,
    State.LATCHED: Stand.SEEN,
    State.SHELVED: Stand.SILENCED,
    State.SUPPRESSED: Stand.SILENCED,
    State.OUT_OF_SERVICE: Stand.SILENCED,
}
"""What a state asks of people; every other one calls, one that we do not know too: that is the safe side."""


@dataclass(frozen=True, slots=True)
class Report:
    """What a rack said of one alarm; `number` counts the events of the rack's `journal`.

    `cause` names what several alarms have in common: those that share one are one problem, and
    `vessels` are those in which it shows. Times are the rack's own. `value` and `limit` (both in
    `unit`), `rate_per_hour` and `reached_ms` (when the trend reaches the limit) are None where
    there is none; `reason` says what a probe fault is about.
    """

    rack: str
    alarm: str
    vessel: str
    quantity: str
    condition: str
    trigger: str
    state: str
    priority: Priority
    at_ms: int
    since_ms: int
    journal: str = ""
    number: int = 0
    cause: str = ""
    vessels: tuple[str, ...] = ()
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    rate_per_hour: float | None = None
    reached_ms: int | None = None
    reason: str = ""

    @property
    def problem(self) -> str:
        """Return the name of the problem that the alarm belongs to."""
        return f"{self.rack}/{self.cause or self.alarm}"

    @property
    def stand(self) -> Stand:
        """Return what the alarm asks of people."""
        return _STANDS.get(self.state, Stand.CALLS)

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; `report_from_json` is the inverse."""
        return {**asdict(self), "vessels": list(self.vessels), "priority": int(self.priority)}


def report_from_json(data: Mapping[str, Any]) -> Report:
    """Return the report that `Report.to_json` wrote down."""
    return Report(**{**data, "vessels": tuple(data["vessels"]), "priority": Priority(data["priority"])})


class PageKind(StrEnum):
    """Why a person is written to."""

    ALARM = "alarm"
    RETURNED = "returned"
    FLOOD = "flood"
    DIGEST = "digest"


@dataclass(frozen=True, slots=True)
class Page:
    """One message to one person; the same page always carries the same `id`.

    `problem` is the number that people acknowledge by, 0 for pages about several problems. `about`
    are the alarms, the most urgent first; `more` counts those that had no room in it.
    """

    id: str
    kind: PageKind
    problem: int
    person: str
    priority: Priority
    at_ms: int
    about: tuple[Report, ...]
    more: int = 0


@dataclass(slots=True)
class Told:
    """What came of an input: pages to send, and the problems that call nobody any more."""

    pages: list[Page] = field(default_factory=list)
    settled: list[int] = field(default_factory=list)
    refusal: str = ""
