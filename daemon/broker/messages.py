"""What is published: topics and payloads.

ROOT/RACK/event                                 every alarm event, once (QoS 1), not retained
ROOT/RACK/alarm/VESSEL/QUANTITY/CONDITION       each alarm that is not normal, retained till it is
ROOT/RACK/notice                                what is worth knowing but no alarm, once (QoS 1)
ROOT/RACK/watch                                 whether the daemon lives, retained; "gone" is its last will
ROOT/RACK/heartbeat                             now and then, so that silence means something

Delivery is at least once: a consumer tells a repeated event by its `id`, which is the run under which the
journal gave its number out, and the number. All but an empty payload say who speaks: journal, run, the start
of the machine (`boot`) and its name (`host`).
"""

import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import tzinfo
from typing import Any

from daemon.journal.outbox import Message
from daemon.words import event_text, iso_time, notice_text, quantity_if_any
from rules.alarms.event import AlarmEvent, Course
from rules.alarms.life_cycle import State
from rules.calling.records import Voice
from rules.care.rationale import Record
from rules.plain import to_plain
from rules.quantities import unit_of
from rules.readings import Notice


def rack_topic(root: str, rack: str) -> str:
    """Return the topic under which everything of a rack is published."""
    return f"{root}/{rack}"


def messages_of(
    said: AlarmEvent | Notice,
    voice: Voice,
    topic: str,
    zone: tzinfo,
    stage: str = "",
    record: Record | None = None,
) -> list[Message]:
    """Return what an alarm event or a notice makes us publish under a rack's `topic`.

    `stage` is what lives in the vessel of the alarm, `record` why the alarm exists where the nursery says so.
    """
    rack = topic.rsplit("/", 1)[1]
    if isinstance(said, Notice):
        head = {"id": f"{voice.run}:{said.id}", "rack": rack, **asdict(voice)}
        body = json.dumps(head | _notice_body(said, zone), ensure_ascii=False)
        return [Message(f"{topic}/notice", body, retain=False)]
    head = {"id": f"{voice.run}:{said.number}", "rack": rack, **asdict(voice)}
    head |= {"stage": stage, "record": record and to_plain(record)}
    body = json.dumps(head | _event_body(said, zone), ensure_ascii=False)
    standing = "" if said.state is State.NORMAL else body
    return [
        Message(f"{topic}/event", body, retain=False),
        Message(f"{topic}/alarm/{said.alarm}", standing, retain=True),
    ]


def _event_body(event: AlarmEvent, zone: tzinfo) -> dict[str, Any]:
    quantity, evidence = quantity_if_any(event), event.evidence
    return {
        "alarm": event.alarm,
        "vessel": event.vessel,
        "quantity": quantity or "",
        "condition": event.condition,
        "event": event.trigger,
        "state": event.state,
        "priority": event.priority.word,
        "at": iso_time(event.at_ms),
        "since": iso_time(event.since_ms),
        "cause": event.cause,
        "vessels": list(event.vessels),
        "value": evidence.value,
        "limit": evidence.limit,
        "unit": unit_of(quantity) if quantity else "",
        "rate_per_hour": evidence.rate_per_hour,
        "reached": None if evidence.reached_ms is None else iso_time(evidence.reached_ms),
        "reason": evidence.reason,
        "hidden": list(evidence.hidden),
        "who": event.who,
        "why": event.why,
        "until": None if event.until_ms is None else iso_time(event.until_ms),
        "text": event_text(event, zone),
    }


def _notice_body(notice: Notice, zone: tzinfo) -> dict[str, Any]:
    said = {"kind": notice.kind, "about": notice.vessel, "at": iso_time(notice.at_ms)}
    return said | {"details": notice.details, "text": notice_text(notice, zone)}


def watch_message(topic: str, state: str, at_ms: int, voice: Voice, vessels: int = 0) -> Message:
    """Return the retained word on the daemon itself: watching, stopped or, as its last will, gone."""
    body = {"state": state, "since": iso_time(at_ms), "vessels": vessels, **asdict(voice)}
    return Message(f"{topic}/watch", json.dumps(body), retain=True)


def heartbeat_message(
    topic: str,
    at_ms: int,
    last_seq: int,
    alarms: int,
    voice: Voice,
    courses: Sequence[Course] = (),
    every_ms: int = 0,
) -> Message:
    """Return a sign of life: the time, the newest input, how many alarms stand, and their water now.

    It comes `every_ms`, by which its silence is judged.
    """
    body = {"at": iso_time(at_ms), "inputs": last_seq, "alarms": alarms, **asdict(voice)}
    body |= {"every_ms": every_ms}
    body["now"] = [asdict(course) for course in courses]
    return Message(f"{topic}/heartbeat", json.dumps(body), retain=False)
