"""What the on-call process hears at the broker, checked at the door.

The payloads are those that `daemon.broker.messages` writes. What a rack of another version adds is passed
over; what cannot be used at all is refused with one line.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from daemon.errors import OnCallError
from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.records import Word

PAYLOAD_AT_MOST = 16_384
_WATCH_STATES = ("watching", "stopped", "gone")


@dataclass(frozen=True, slots=True)
class Cleared:
    """The broker keeps nothing of an alarm any more: it is normal."""

    rack: str
    alarm: str


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """A rack's sign of life: its own time, and how many alarms stand on it."""

    rack: str
    alarms: int
    at_ms: int


@dataclass(frozen=True, slots=True)
class WatchWord:
    """What a rack's watch topic says; `kept` tells that the broker kept it from before."""

    rack: str
    state: str
    kept: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """What a rack answered to a command; an empty `refusal` says that it was done."""

    rack: str
    command: str
    refusal: str


Heard = Word | Cleared | Heartbeat | WatchWord | Answer


def heard(root: str, topic: str, payload: bytes, kept: bool) -> Heard:
    """Return what a message says; OnCallError, in one line, where that cannot be used."""
    rack, _, kind = topic.removeprefix(f"{root}/").partition("/")
    if len(payload) > PAYLOAD_AT_MOST:
        raise OnCallError(f"{topic}: {len(payload)} bytes; at most {PAYLOAD_AT_MOST} are read")
    if kind.startswith("alarm/") and not payload:
        return Cleared(rack, kind.removeprefix("alarm/"))
    try:
        body = json.loads(payload)
        if not isinstance(body, dict):
            raise TypeError("not an object")
        if kind == "heartbeat":
            return Heartbeat(rack, int(body["alarms"]), _ms(body["at"]))
        if kind == "watch":
            return WatchWord(rack, _one_of(_WATCH_STATES, body["state"]), kept)
        if kind.startswith("answer/"):
            return Answer(rack, str(body["id"]), str(body["refusal"]))
        return _mention(rack, body) if kind == "notice" else _word(rack, body)
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        what = f"no {error}" if isinstance(error, KeyError) else str(error)
        raise OnCallError(f"{topic}: {what[:100]}; not a message that this bellwatch knows") from None


def _word(rack: str, body: Mapping[str, Any]) -> Word:
    """Return a rack's word on an alarm; a state or priority that we do not know calls, as the worst: that is
    the safe side."""
    journal, _, number = _text(body["id"]).rpartition(":")
    condition = _text(body["condition"])
    event = AlarmEvent(
        number=int(number),
        at_ms=_ms(body["at"]),
        vessel=_text(body["vessel"]),
        channel=_text(body["alarm"]).removesuffix(f"/{condition}"),
        condition=condition,
        trigger=_known(Trigger, body["event"], Trigger.RAISED),
        state=_known(State, body["state"], State.UNACKNOWLEDGED),
        priority=Priority.__members__.get(_text(body["priority"]).upper(), Priority.CRITICAL),
        since_ms=_ms(body["since"]),
        cause=_text(body.get("cause") or ""),
        vessels=tuple(_text(vessel) for vessel in body.get("vessels") or ()),
        evidence=Evidence(
            value=_number(body.get("value")),
            limit=_number(body.get("limit")),
            rate_per_hour=_number(body.get("rate_per_hour")),
            reached_ms=None if body.get("reached") is None else _ms(body["reached"]),
            reason=_text(body.get("reason") or ""),
        ),
    )
    return Word(rack, event, journal, _text(body.get("unit") or ""))


def _mention(rack: str, body: Mapping[str, Any]) -> Word:
    """Return a notice of a rack: it calls nobody, and its id is the cause by which a repeat is known."""
    kind, about, at_ms = _text(body["kind"]), _text(body["about"]), _ms(body["at"])
    event = AlarmEvent(
        0, at_ms, about, "", kind, Trigger.RAISED, State.NORMAL, Priority.LOW, at_ms, _text(body["id"])
    )
    return Word(rack, event, mention=True)


_Known = TypeVar("_Known", bound=StrEnum)


def _known(kind: type[_Known], value: object, otherwise: _Known) -> _Known:
    return next((member for member in kind if member == _text(value)), otherwise)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} where text belongs")
    return value


def _number(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r:.40} where a number belongs")
    return float(value)


def _one_of(known: tuple[str, ...], value: object) -> str:
    if value not in known:
        raise ValueError(f"{value!r:.40}, which is none of {', '.join(known)}")
    return str(value)


def _ms(value: object) -> int:
    moment = datetime.fromisoformat(_text(value))
    if moment.tzinfo is None:
        raise ValueError(f"{value!r:.40} without its offset from UTC")
    return round(moment.timestamp() * 1000)
