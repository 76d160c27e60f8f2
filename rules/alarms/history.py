"""Alarms as their written history tells of them: events read back, and the way from then to now."""

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from rules.alarms.alarm import Alarm
from rules.alarms.event import NO_EVIDENCE, AlarmEvent
from rules.alarms.life_cycle import (
    HANDING,
    HELD,
    MILDER,
    TRANSITIONS,
    Condition,
    Priority,
    State,
    Trigger,
    latches,
)
from rules.plain import from_plain, taken_over

TOLD = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
"""States in which people were told of an alarm whose condition lasts."""


_ONCE_BESIDE = ("value", "limit", "rate_per_hour", "reached_ms", "reason")


def alarm_event_from_json(body: Mapping[str, Any]) -> AlarmEvent:
    """Return the event that a journal holds; older ones have their evidence spread over the event."""
    if "evidence" not in body:
        evidence = {key: body[key] for key in _ONCE_BESIDE if key in body}
        body = {key: value for key, value in body.items() if key not in evidence} | {"evidence": evidence}
    return from_plain(AlarmEvent, body)


def says_the_same(body: Mapping[str, Any], event: AlarmEvent) -> bool:
    """Return whether an event is the one that a journal holds, in every field that it has there."""
    if "evidence" not in body:  # nor did it say which key gave the limit, nor what a silence hides
        reason = event.evidence.reason if body.get("reason") else ""
        event = replace(event, evidence=replace(event.evidence, limit_from="", reason=reason, hidden=()))
    return alarm_event_from_json(body) == event


def remembered(event: AlarmEvent) -> Alarm:
    """Return the alarm of an event, as far as the event tells: nothing is known of its condition now."""
    unknown = {"bus": "", "active": {}, "evidence": NO_EVIDENCE, "state": State.NORMAL}
    return taken_over(Alarm, event, condition=Condition(event.condition), worst=event.priority, **unknown)


def steps_to(told: State, alarm: Alarm, latching: tuple[Condition, ...]) -> list[Trigger]:
    """Return the steps from the state that people were told to where `alarm` stands now.

    What keeps an alarm from people now counts as it is. Otherwise only the water decides: a state
    that differs merely by what people did (acknowledged or not) stays as they were told.
    """
    if told is alarm.state:
        return []
    if told in HELD or alarm.state in HELD:
        return _shortest_way(told, alarm.state)
    if alarm.active:
        return [] if told in TOLD else [Trigger.RAISED]
    if told in TOLD:
        return [Trigger.LATCHED if latches(alarm.condition, latching) else Trigger.RETURNED]
    return []


def _shortest_way(start: State, end: State) -> list[Trigger]:
    """Return the fewest steps of the transition table that lead from one state to another."""
    ways: dict[State, list[Trigger]] = {start: []}
    waiting = deque([start])
    while end not in ways:
        state = waiting.popleft()
        for (before, trigger), after in TRANSITIONS.items():
            after_work = before is State.NORMAL and trigger in (Trigger.RETURNED, Trigger.LATCHED)
            if before is state and after not in ways and trigger not in HANDING and not after_work:
                ways[after] = [*ways[state], trigger]
                waiting.append(after)
    return ways[end]


def once_one(alarms: Iterable[Alarm], told: Mapping[str, AlarmEvent]) -> Iterator[tuple[str, str]]:
    """Go through the worse alarms that stand and were told only under the name of the milder: both."""
    for alarm in alarms:
        milder = f"{alarm.channel}/{MILDER.get(alarm.condition)}"
        event = told.get(milder)
        told_worse = event is not None and event.priority >= Priority.HIGH and event.state in TOLD
        if told_worse and alarm.active and alarm.name not in told:
            yield alarm.name, milder
