"""Alarm events as they come back from where they were written down."""

from collections.abc import Mapping
from typing import Any

from rules.alarms import Condition, Priority, State, Trigger
from rules.readings import AlarmEvent


def alarm_event_from_json(body: Mapping[str, Any]) -> AlarmEvent:
    """Return the event that `AlarmEvent.to_json` wrote down."""
    lists = {key: tuple(value) for key, value in body.items() if isinstance(value, list)}
    return AlarmEvent(
        **{
            **body,
            **lists,
            "condition": Condition(body["condition"]),
            "trigger": Trigger(body["trigger"]),
            "state": State(body["state"]),
            "priority": Priority[body["priority"].upper()],
        }
    )
