"""What the on-call process hears at the broker, checked at the door.

The payloads are those that `daemon.broker.messages` writes. What a rack of another version adds is passed
over; what cannot be used at all is refused with one line. Behind this door every text is one short line,
every number finite, and every time one that the process can compute with.
"""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, TypeVar

from daemon.errors import OnCallError
from daemon.settings.rack import HEARTBEAT_AT_MOST_S
from daemon.tables.types import NAME_PATTERN
from daemon.tables.values import one_line, utc_ms
from rules.alarms.event import AlarmEvent, Course, Evidence, Trail
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.pair import OtherSays, Sent, Stance
from rules.calling.racks.signs import TAKEN_AWAY
from rules.calling.records import Answer, CallKind, Reply, Voice, Word
from rules.care.rationale import Record, Severity
from rules.plain import to_plain

PAYLOAD_AT_MOST = 16_384
TEXT_AT_MOST, VESSELS_AT_MOST, COURSES_AT_MOST, NUMBER_AT_MOST = 200, 200, 200, 10**15
SPAN_AT_MOST_MS = 864_000_000
POINTS_AT_MOST, LIMITS = 60, 4
PAIR = "_oncall/pair/"
"""Where the watchers of a pair give each other a sign of life, each below its own name."""
_WATCH_STATES = ("watching", "stopped", "gone")


@dataclass(frozen=True, slots=True)
class Cleared:
    """The broker keeps nothing of an alarm any more: it is normal."""

    rack: str
    alarm: str


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """A rack's sign of life: its own time, how many alarms stand on it, where their water is now.

    It gives one `every_ms` (0: it does not say).
    """

    rack: str
    alarms: int
    at_ms: int
    voice: Voice
    courses: tuple[Course, ...] = ()
    every_ms: int = 0


@dataclass(frozen=True, slots=True)
class WatchWord:
    """What a rack's watch topic says, `since` when and with how many vessels (0: it does not say).

    `kept` tells that the broker kept it from before.
    """

    rack: str
    state: str
    kept: bool
    voice: Voice
    since: str
    vessels: int = 0


@dataclass(frozen=True, slots=True)
class CommandAnswer:
    """What a rack answered to a command; an empty `refusal` says that it was done."""

    rack: str
    command: str
    refusal: str


Heard = Word | Cleared | Heartbeat | WatchWord | CommandAnswer | OtherSays


def rack_of(root: str, topic: str) -> str:
    """Return the rack that a topic belongs to; empty where it has the name of none."""
    rack = topic.removeprefix(f"{root}/").partition("/")[0]
    return rack if re.fullmatch(NAME_PATTERN, rack) else ""


def heard(root: str, topic: str, payload: bytes, kept: bool) -> Heard | None:
    """Return what a message says; OnCallError, in one line, where that cannot be used.

    None where the broker `kept` what is said of one moment alone: somebody else let it, and it is of then.
    """
    where = one_line(topic)[:TEXT_AT_MOST]
    rack, kind = rack_of(root, topic), topic.removeprefix(f"{root}/").partition("/")[2]
    if kept and kind.partition("/")[0] not in ("alarm", "watch"):
        return None
    if len(payload) > PAYLOAD_AT_MOST:
        raise OnCallError(f"{where}: {len(payload)} bytes; at most {PAYLOAD_AT_MOST} are read")
    try:
        return _heard(rack, kind, payload, kept)
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as error:
        what = f"no {error}" if isinstance(error, KeyError) else one_line(str(error))
        raise OnCallError(f"{where}: {what[:100]}; not a message that this bellwatch knows") from None


def _heard(rack: str, kind: str, payload: bytes, kept: bool) -> Heard:
    if kind.startswith(PAIR.partition("/")[2]) and not rack:
        return _other(json.loads(payload))
    if not rack:
        raise ValueError("no name of a rack")
    if not payload and kind.partition("/")[0] in ("alarm", "watch"):
        gone = WatchWord(rack, TAKEN_AWAY, kept, Voice(), "")
        return gone if kind == "watch" else Cleared(rack, _text(kind.removeprefix("alarm/")))
    body = json.loads(payload)
    if not isinstance(body, dict):
        raise TypeError("not an object")
    if kind == "heartbeat":
        said = _whole(body["alarms"]), _ms(body["at"]), _voice(body), _courses(body), _every_ms(body)
        return Heartbeat(rack, *said)
    if kind == "watch":
        since = _text(body.get("since") or "")
        state, vessels = _one_of(_WATCH_STATES, body["state"]), _whole(body.get("vessels") or 0)
        return WatchWord(rack, state, kept, _voice(body), since, vessels)
    if kind.startswith("answer/"):
        return CommandAnswer(rack, _text(body["id"]), _text(body["refusal"]))
    return _mention(rack, body) if kind == "notice" else _word(rack, body)


def sign_payload(says: OtherSays) -> str:
    """Return what the other watcher is told, as much of it as it can read."""
    sent = [to_plain(it) for it in says.sent if len(it.problem) <= TEXT_AT_MOST]
    stances = [to_plain(it) for it in says.stances if len(it.problem) <= TEXT_AT_MOST]
    while len(payload := json.dumps({"sent": sent, "stances": stances, "duty": says.duty})) > PAYLOAD_AT_MOST:
        sent, stances = sent[: len(sent) * 3 // 4], stances[: len(stances) * 3 // 4]
    return payload


def _other(body: Mapping[str, Any]) -> OtherSays:
    sent = tuple(
        Sent(_text(it["problem"]), CallKind(_text(it["kind"])), _priority(it), _whole(it["ago_ms"]))
        for it in body["sent"]
    )
    stances = tuple(
        Stance(
            _text(it["problem"]),
            it["calls"] is not False,
            _whole(it["as_of_ms"]),
            None if it["answer"] is None else _answer(it["answer"]),
            _text(it["answered"]),
        )
        for it in body["stances"]
    )
    return OtherSays(sent, stances, _text(body.get("duty") or ""))


def _priority(body: Mapping[str, Any]) -> Priority:
    return Priority[_text(body["priority"]).upper()]


def _answer(body: Mapping[str, Any]) -> Answer:
    left = body["until_ms"]
    until_ms = None if left is None else _whole(left)
    return Answer(Reply(_text(body["reply"])), _text(body["who"]), until_ms, body.get("by_link") is True)


def _word(rack: str, body: Mapping[str, Any]) -> Word:
    """Return a rack's word on an alarm; a state or priority that we do not know calls, as the worst: that is
    the safe side."""
    former, _, number = _text(body["id"]).rpartition(":")
    voice = _voice(body)
    condition = _text(body["condition"])
    event = AlarmEvent(
        number=_whole(int(number) if re.fullmatch("[0-9]{1,16}", number) else number),
        at_ms=_ms(body["at"]),
        vessel=_text(body["vessel"]),
        channel=_text(body["alarm"]).removesuffix(f"/{condition}"),
        condition=condition,
        trigger=_known(Trigger, body["event"], Trigger.RAISED),
        state=_known(State, body["state"], State.UNACKNOWLEDGED),
        priority=Priority.__members__.get(_text(body["priority"]).upper(), Priority.CRITICAL),
        since_ms=_ms(body["since"]),
        cause=_text(body.get("cause") or ""),
        vessels=_texts(body.get("vessels") or []),
        evidence=Evidence(
            value=_number(body.get("value")),
            limit=_number(body.get("limit")),
            rate_per_hour=_number(body.get("rate_per_hour")),
            reached_ms=None if body.get("reached") is None else _ms(body["reached"]),
            reason=_text(body.get("reason") or ""),
            hidden=_texts(body.get("hidden") or []),
        ),
        who=_text(body.get("who") or ""),
        until_ms=None if body.get("until") is None else _ms(body["until"]),
    )
    # Before runs had ids, the id of an event named the journal.
    journal, unit = voice.journal or former, _text(body.get("unit") or "")
    stage, record = _text(body.get("stage") or ""), _record(body.get("record"))
    return Word(rack, event, journal, unit, run=voice.run, boot=voice.boot, stage=stage, record=record)


def _record(said: object) -> Record | None:
    """Return why an alarm exists; what is not as we know it is left out, for the alarm itself must come."""
    if not isinstance(said, dict):
        return None
    words = (said.get(name) for name in ("consequence", "cause", "check", "action", "may_shelve"))
    told = (one_line(it)[:TEXT_AT_MOST] if isinstance(it, str) else "" for it in words)
    consequence, cause, check, action, may_shelve = told
    respond_min, severity = said.get("respond_min"), said.get("severity")
    told_min = respond_min if isinstance(respond_min, int | float) else 0.0
    return Record(
        next((it for it in Severity if it == severity), Severity.LOSS),
        float(told_min) if 0 < told_min <= SPAN_AT_MOST_MS / 60_000 else 0.0,
        consequence,
        cause,
        check,
        action,
        may_shelve,
    )


def _voice(body: Mapping[str, Any]) -> Voice:
    """Return who speaks; empty where a rack of an older version does not say."""
    said = {name: _text(body.get(name) or "") for name in ("journal", "run", "boot", "host")}
    if any(":" in said[name] for name in ("journal", "run", "boot")):
        raise ValueError("an id with a colon in it")
    return Voice(**said)


def _courses(body: Mapping[str, Any]) -> tuple[Course, ...]:
    """Return where the water of alarms is now; none where a rack of an older version does not say."""
    said = body.get("now") or []
    if not isinstance(said, list) or len(said) > COURSES_AT_MOST:
        raise TypeError(f"{said!r:.40} where a list of at most {COURSES_AT_MOST} belongs")
    return tuple(
        Course(
            _text(its["alarm"]),
            _number(its["value"]),
            _number(its.get("rate_per_hour")),
            _span_ms(its["age_ms"]),
            None if its.get("left_ms") is None else _span_ms(its["left_ms"]),
            _trail(its.get("trail")),
        )
        for its in said
    )


def _every_ms(body: Mapping[str, Any]) -> int:
    """Return how often a rack gives a sign of life; 0 where it does not say what its settings could hold."""
    every_ms = body.get("every_ms")
    return every_ms if type(every_ms) is int and 0 < every_ms <= HEARTBEAT_AT_MOST_S * 1000 else 0


def _trail(said: object) -> Trail | None:
    """Return the last hours of an alarm's channel; None where the rack does not tell them in our way."""
    if not isinstance(said, dict):
        return None
    points = [(_span_ms(1000 * age_s) // 1000, _number(value)) for age_s, value in said["points"]]
    limits = tuple(_number(limit) for limit in said["limits"])
    if len(points) > POINTS_AT_MOST or len(limits) != LIMITS:
        raise ValueError(f"a trail of {len(points)} points and {len(limits)} limits")
    return Trail(tuple((age_s, value) for age_s, value in points if value is not None), limits)


def _mention(rack: str, body: Mapping[str, Any]) -> Word:
    """Return a notice of a rack: it calls nobody, and its id is the cause by which a repeat is known."""
    kind, about, at_ms = _text(body["kind"]), _text(body["about"]), _ms(body["at"])
    event = AlarmEvent(
        0, at_ms, about, "", kind, Trigger.RAISED, State.NORMAL, Priority.LOW, at_ms, _text(body["id"])
    )
    details = body.get("details")
    if isinstance(details, dict) and "said" in details:  # the daily word: its words are what it is about
        event = replace(event, evidence=Evidence(reason=_text(details["said"])))
    return Word(rack, event, mention=True)


_Known = TypeVar("_Known", bound=StrEnum)


def _known(kind: type[_Known], value: object, otherwise: _Known) -> _Known:
    return next((member for member in kind if member == _text(value)), otherwise)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} where text belongs")
    if len(value) > TEXT_AT_MOST:
        raise ValueError(f"{len(value)} characters where at most {TEXT_AT_MOST} belong")
    return one_line(value)


def _texts(values: object) -> tuple[str, ...]:
    if not isinstance(values, list) or len(values) > VESSELS_AT_MOST:
        raise TypeError(f"{values!r:.40} where a list of at most {VESSELS_AT_MOST} names belongs")
    return tuple(_text(value) for value in values)


def _number(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError(f"{value!r:.40} where a number belongs")
    return float(value)


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= NUMBER_AT_MOST:
        raise TypeError(f"{value!r:.40} where a whole number belongs")
    return value


def _span_ms(value: object) -> int:
    if (span_ms := _whole(value)) > SPAN_AT_MOST_MS:
        raise ValueError(f"{span_ms} ms, which is more than ten days")
    return span_ms


def _one_of(known: tuple[str, ...], value: object) -> str:
    if value not in known:
        raise ValueError(f"{value!r:.40}, which is none of {', '.join(known)}")
    return str(value)


def _ms(value: object) -> int:
    return utc_ms(_text(value))
