"""Alarm events for tests of what is made of them."""

from dataclasses import fields, replace

from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Condition, Priority, State, Trigger, next_state

MINUTE_MS = 60_000
START_MS = 1_760_313_600_000  # Monday 2025-10-13 00:00 UTC


_OF_EVIDENCE = {field.name for field in fields(Evidence)}


def changed(event, **changes):
    """An event that differs in some of its fields, or of those of its evidence."""
    evidence = {name: changes.pop(name) for name in _OF_EVIDENCE & changes.keys()}
    return replace(event, evidence=replace(event.evidence, **evidence), **changes)


class Story:
    """Writes the events of a rack down, minute by minute, by the life cycle's own table."""

    def __init__(self):
        self.events = []
        self._states = {}

    def __call__(self, minute, channel, condition, trigger, priority=Priority.HIGH):
        alarm = f"{channel}/{condition}"
        state = next_state(self._states.get(alarm, State.NORMAL), Trigger(trigger))
        self._states[alarm] = state
        at_ms = START_MS + round(minute * MINUTE_MS)
        vessel = channel.split("/")[0]
        self.events.append(
            AlarmEvent(
                number=len(self.events) + 1,
                at_ms=at_ms,
                vessel=vessel,
                channel=channel,
                condition=Condition(condition),
                trigger=Trigger(trigger),
                state=state,
                priority=priority,
                since_ms=at_ms,
            )
        )
        return self

    def stands(self, start, stop, channel, condition="high", priority=Priority.HIGH):
        """An alarm from one minute to another."""
        self(start, channel, condition, "raised", priority)
        return self(stop, channel, condition, "returned", priority)
