"""The alarms that stand on a rack, and the numbered events by which they came and go."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from rules.alarms import Alarm, Condition, Priority, State, Trigger, alarm_from_json, next_state
from rules.errors import AlarmError
from rules.readings import AlarmEvent


@dataclass(frozen=True, slots=True)
class Evidence:
    """The numbers behind an event, as in `AlarmEvent`."""

    value: float | None = None
    limit: float | None = None
    rate_per_hour: float | None = None


@dataclass(frozen=True, slots=True)
class Crossing:
    """A level of a condition on a channel is crossed (`active`), or no longer; it began at `since_ms`."""

    vessel: str
    channel: str
    condition: Condition
    level: str
    priority: Priority
    active: bool
    since_ms: int


class AlarmBook:
    """Keeps every alarm that is not normal, and counts events from 1."""

    def __init__(self) -> None:
        self._alarms: dict[str, Alarm] = {}
        self._last_number = 0

    def __iter__(self) -> Iterator[Alarm]:
        """Go through the alarms that are not normal, by name."""
        return iter([self._alarms[name] for name in sorted(self._alarms)])

    def cross(self, crossing: Crossing, at_ms: int, evidence: Evidence) -> AlarmEvent | None:
        """Take a crossing into account; return the event that it makes, if it makes one."""
        name = f"{crossing.channel}/{crossing.condition}"
        alarm = self._alarms.get(name) or Alarm(
            crossing.vessel,
            crossing.channel,
            crossing.condition,
            State.NORMAL,
            {},
            crossing.priority,
            crossing.since_ms,
        )
        active = {level: rank for level, rank in alarm.active.items() if level != crossing.level}
        if crossing.active:
            active[crossing.level] = crossing.priority
        trigger = _trigger(alarm, active)
        if trigger is None:
            self._keep(replace(alarm, active=active))
            return None
        if trigger is Trigger.RAISED:
            alarm = replace(alarm, since_ms=crossing.since_ms, worst=crossing.priority)
        worst = max(alarm.worst, *active.values()) if active else alarm.worst
        return self._step(replace(alarm, active=active, worst=worst), trigger, at_ms, evidence)

    def acknowledge(self, name: str, at_ms: int, who: str) -> AlarmEvent:
        """Note that `who` has seen the alarm; raise AlarmError where there is nothing to see."""
        alarm = self._alarms.get(name)
        if alarm is None:
            raise AlarmError(f"{name}: no such alarm stands now; `bellwatch status` lists those that do")
        worst = max(alarm.active.values(), default=alarm.worst)
        return self._step(replace(alarm, worst=worst), Trigger.ACKNOWLEDGED, at_ms, Evidence(), who)

    def _step(
        self, alarm: Alarm, trigger: Trigger, at_ms: int, evidence: Evidence, who: str = ""
    ) -> AlarmEvent:
        alarm = replace(alarm, state=next_state(alarm.state, trigger))
        self._keep(alarm)
        self._last_number += 1
        return AlarmEvent(
            self._last_number,
            at_ms,
            alarm.vessel,
            alarm.channel,
            alarm.condition,
            trigger,
            alarm.state,
            alarm.priority,
            alarm.since_ms,
            evidence.value,
            evidence.limit,
            evidence.rate_per_hour,
            who,
        )

    def _keep(self, alarm: Alarm) -> None:
        if alarm.state is State.NORMAL and not alarm.active:
            self._alarms.pop(alarm.name, None)
        else:
            self._alarms[alarm.name] = alarm

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values for the snapshot."""
        return {"alarms": [alarm.to_json() for alarm in self], "last_number": self._last_number}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "AlarmBook":
        """Return the book that `to_json` wrote down."""
        book = cls()
        book._alarms = {alarm.name: alarm for alarm in map(alarm_from_json, data["alarms"])}
        book._last_number = data["last_number"]
        return book


def _trigger(alarm: Alarm, active: dict[str, Priority]) -> Trigger | None:
    """Say what a change of the crossed levels means for an alarm; None where it means nothing."""
    before, after = max(alarm.active.values(), default=None), max(active.values(), default=None)
    if before is None or after is None:
        if before is after:
            return None
        return Trigger.RAISED if before is None else Trigger.RETURNED
    if before == after:
        return None
    return Trigger.WORSENED if after > before else Trigger.EASED
