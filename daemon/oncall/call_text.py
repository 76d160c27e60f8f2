"""A call in words, for one text message: what, where, how bad, since when, trend, what to check first."""

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo

from daemon.oncall.daily_text import daily_text
from daemon.oncall.text_message import one_message, plain
from daemon.response_notes import note_for
from daemon.words import condition_word, number, unwatched_text
from rules.alarms.life_cycle import Condition, Priority
from rules.calling.records import (
    BROKER_LOST,
    DISK_FULL,
    DRILL,
    DRILL_LACKING,
    RACK_RESTARTS,
    RACK_SILENT,
    RACK_STOPPED,
    TWO_LISTENERS,
    TWO_RACKS,
    UNREADABLE,
    WATCHER_MISSING,
    Answer,
    Call,
    CallKind,
    Reply,
    Stand,
    Word,
)

_DAY_MS = 86_400_000
_VESSELS_NAMED = 3
_OF_A_RACK = {
    RACK_SILENT: "rack silent, its water is not watched",
    RACK_STOPPED: "rack stopped, its water is not watched",
    BROKER_LOST: "broker not reached, no rack can be heard",
    TWO_RACKS: "is the name of two racks at once, rename one:",
    TWO_LISTENERS: "throws us out again and again; the network, or two of one name:",
    RACK_RESTARTS: "rack ends and starts again and again, its water is hardly watched",
    WATCHER_MISSING: "on-call process not heard, nobody stands in for the other one",
    DISK_FULL: "disk full, make room: old readings go, and soon it cannot watch",
    UNREADABLE: "sends what cannot be read, an alarm may be in it",
    DRILL: "DRILL, nothing is wrong",
    DRILL_LACKING: "no drill was answered lately, ask for one at a rack (bellwatch drill)",
}


def call_text(call: Call, notes: Mapping[str, str], zone: tzinfo, link: str = "") -> str:
    """Return the words of a call; they end with the number that people answer it by, or the `link`."""
    if call.day:
        return daily_text(call.day, call.at_ms, zone, f"#{call.id}")
    first, event, last = call.about[0], call.about[0].event, f"#{call.id} {link}".strip()
    said = "" if call.answer is None else answer_text(call.answer, call.at_ms, zone)
    since = f"since {_clock(event.since_ms, call.at_ms, zone)}."
    if call.kind is CallKind.DRILL:
        return one_message(sentence(call.about, call.priority, call.at_ms, zone), said, last)
    if call.kind is CallKind.ALARM:
        must = f"{'STILL ' if said else ''}{sentence(call.about, call.priority, call.at_ms, zone)}"
        note = note_for(event.quantity, event.condition, event.evidence.reason, notes)
        return one_message(must, f"{said}. {note}" if said else note, last)
    if call.kind is CallKind.TAKEN:
        return one_message(f"{said}: {_where(call.about)} {_what(first)}, {since}", "", last)
    if call.kind is CallKind.RETURNED:
        return one_message(f"OVER {_where(call.about)}: {_what(first)} is over, {since}", "", last)
    return one_message(*_summary(call), last)


def sentence(about: tuple[Word, ...], priority: Priority, now_ms: int, zone: tzinfo) -> str:
    """Say what is wrong: where, how bad, which way, since when."""
    first = about[0]
    since = _clock(first.event.since_ms, now_ms, zone)
    if first.is_drill:
        return (
            f"DRILL {first.rack}: nothing is wrong, asked for at {since}. Answer this as if it were an alarm."
        )
    return f"{priority.word.upper()} {_where(about)}: {_what(first)}{_how(first, zone)}, since {since}."


def answer_text(answer: Answer, now_ms: int, zone: tzinfo) -> str:
    """Say what somebody answered."""
    if answer.reply is Reply.ON_MY_WAY:
        there = "" if answer.until_ms is None else f", {_clock(answer.until_ms, now_ms, zone)}"
        return f"{answer.who} is on the way{there}"
    if answer.reply is Reply.SEEN:
        return f"{answer.who} has seen it" if answer.who else "Seen at the rack"
    return f"{answer.who} wants {'quiet' if answer.reply is Reply.QUIET else 'somebody else'}"


def call_title(call: Call) -> str:
    """Return a title, for routes that have one beside the text."""
    racks = sorted({word.rack for word in call.about})
    kind = CallKind.DRILL if call.about and call.about[0].is_drill else call.kind
    return plain(f"bellwatch {kind} {call.priority.word} {' '.join(racks)}")


def _summary(call: Call) -> tuple[str, str]:
    parts = [
        f"{_where((word,))} {_what(word)}{' over' if word.stand is Stand.OVER and not word.mention else ''}"
        for word in call.about
    ]
    count = len(call.about) + call.more
    if call.kind is CallKind.DIGEST:
        return f"Digest, {count}:", "; ".join(parts)
    return f"{call.priority.word.upper()} {count} more alarms at once:", "; ".join(parts)


def _where(about: tuple[Word, ...]) -> str:
    """Name the rack and its vessels, the first ones where there are many."""
    rack = about[0].rack
    events = [word.event for word in about]
    named = dict.fromkeys(vessel for event in events for vessel in (event.vessels or (event.vessel,)))
    vessels = [vessel for vessel in named if vessel]
    if not vessels:
        return rack
    more = f"+{len(vessels) - _VESSELS_NAMED}" if len(vessels) > _VESSELS_NAMED else ""
    return f"{rack} {','.join(vessels[:_VESSELS_NAMED])}{more}"


def _what(word: Word) -> str:
    event, reason = word.event, word.event.evidence.reason
    if event.condition in _OF_A_RACK:
        return f"{_OF_A_RACK[event.condition]} {reason}".strip()
    if event.condition == Condition.UNWATCHED:
        return unwatched_text(event.channel, event.evidence.hidden, reason).removeprefix(f"{event.vessel}: ")
    what = f"{event.quantity.replace('_', ' ')} {condition_word(event.condition)}".strip()
    return f"{what} ({reason})" if reason else what


def _how(word: Word, zone: tzinfo) -> str:
    event, evidence = word.event, word.event.evidence
    per_hour = "/h" if event.condition in (Condition.RISING, Condition.FALLING) else ""
    unit = plain(word.unit.replace("°", ""))
    words = ""
    if evidence.value is not None:
        words += f" {number(evidence.value, event.quantity)}{' ' if unit else ''}{unit}{per_hour}"
    if evidence.limit is not None:
        words += f" (limit {number(evidence.limit, event.quantity)})"
    if evidence.rate_per_hour is not None and not per_hour:
        words += f", {evidence.rate_per_hour:+.2g}/h"
    if evidence.reached_ms is not None:
        words += f", there at {_clock(evidence.reached_ms, event.at_ms, zone)}"
    return words


def _clock(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """Write a moment as hours and minutes of the people's clock, with the day where it is far away."""
    when = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    return f"{when:%H:%M}" if abs(now_ms - time_ms) < _DAY_MS // 2 else f"{when:%d.%m. %H:%M}"
