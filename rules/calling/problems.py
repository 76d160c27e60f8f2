"""A problem as the on-call fold keeps it: the alarms of one cause, and how far the calling has come."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from rules.alarms.life_cycle import Priority, Trigger
from rules.calling.reports import Report, Stand, report_from_json


@dataclass(slots=True)
class Member:
    """One alarm of a problem: what its rack said last, what it asks of people, and its worst priority
    since somebody has seen it."""

    report: Report
    stand: Stand
    worst: Priority

    def take(self, report: Report) -> None:
        """Take a newer word of the rack into account.

        What a person at this end has seen stays seen until it calls anew: easing is no new call.
        """
        stand = report.stand
        if stand is Stand.CALLS and self.stand is Stand.SEEN and report.trigger == Trigger.EASED:
            stand = Stand.SEEN
        if stand is not Stand.CALLS or self.stand is not Stand.CALLS:
            self.worst = report.priority
        self.report, self.stand, self.worst = report, stand, max(self.worst, report.priority)


@dataclass(slots=True)
class Problem:
    """Alarms of one cause on one rack.

    `pages` counts the pages about it; `step` is the place in the line-up that is called now, since
    `handed_ms`; `due_ms` is when the next page falls due; `failed` counts the people who could not
    be reached since the last regular page; `told` are those who were paged.
    """

    number: int
    key: str
    members: dict[str, Member] = field(default_factory=dict)
    pages: int = 0
    step: int = 0
    handed_ms: int | None = None
    due_ms: int | None = None
    failed: int = 0
    told: list[str] = field(default_factory=list)

    def calling(self) -> Iterator[Member]:
        """Go through the alarms that nobody has seen yet."""
        return (member for member in self.members.values() if member.stand is Stand.CALLS)

    @property
    def urgency(self) -> Priority | None:
        """Return the worst priority that nobody has seen yet; None where all is seen, silenced or over."""
        return max((member.worst for member in self.calling()), default=None)

    @property
    def open(self) -> bool:
        """Return whether any of its alarms still stands."""
        return any(member.stand is not Stand.OVER for member in self.members.values())

    def begin(self, due_ms: int | None) -> None:
        """Start calling from the top of the line-up, the first page at `due_ms`."""
        self.step, self.handed_ms, self.failed, self.due_ms = 0, None, 0, due_ms

    def reports(self, stands: frozenset[Stand]) -> tuple[Report, ...]:
        """Return the latest word on its alarms in those stands, the most urgent and oldest first."""
        chosen = [member for member in self.members.values() if member.stand in stands]
        chosen.sort(key=lambda member: (-member.worst, member.report.since_ms, member.report.alarm))
        return tuple(member.report for member in chosen)

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; `problem_from_json` is the inverse."""
        return {
            "number": self.number,
            "key": self.key,
            "members": [
                [member.report.to_json(), member.stand, int(member.worst)] for member in self.members.values()
            ],
            "pages": self.pages,
            "step": self.step,
            "handed_ms": self.handed_ms,
            "due_ms": self.due_ms,
            "failed": self.failed,
            "told": list(self.told),
        }


def problem_from_json(data: dict[str, Any]) -> Problem:
    """Return the problem that `Problem.to_json` wrote down."""
    members = [
        Member(report_from_json(report), Stand(stand), Priority(worst))
        for report, stand, worst in data["members"]
    ]
    return Problem(
        **{**data, "members": {member.report.alarm: member for member in members}, "told": list(data["told"])}
    )
