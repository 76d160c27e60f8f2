"""A call in words, in one text message: what, where, how bad, as of when, what to check, how to answer."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, tzinfo

from daemon.as_read import shown, shown_reason, shown_unit
from daemon.oncall.daily_text import daily_text
from daemon.oncall.text_message import Parts, one_message, plain
from daemon.response_notes import DEFAULT_NOTES, note_for
from daemon.words import OF_DIFFERENCES, condition_word, length_of_time, number, unwatched_text
from rules.alarms.life_cycle import Condition, Priority, State
from rules.calling.problems import Problem
from rules.calling.records import (
    BROKER_LOST,
    DISK_FULL,
    DRILL,
    DRILL_LACKING,
    RACK_RESTARTS,
    RACK_SILENT,
    RACK_STOPPED,
    TWO_CALL,
    TWO_DUTIES,
    TWO_LISTENERS,
    TWO_RACKS,
    UNREADABLE,
    WATCHER_MISSING,
    WENT_BACK,
    Answer,
    Call,
    CallKind,
    Reply,
    Stand,
    Word,
)
from rules.rack.plan import RACK_WIDE

_DAY_MS = 86_400_000
_LONGEST_NAME, _VESSELS_NAMED = 41, 3
_NAMED = ((_LONGEST_NAME, _VESSELS_NAMED), (20, 2), (12, 1))
"""How long names may be, and how many vessels are named, where the first check must have room."""
_CUT = "... #"
_FRESH_MS = 600_000
"""Of older numbers nobody knows whether the water still goes that way (project judgement)."""
_WHOLE_FROM, _TENTHS_FROM = 9.5, 0.095
_KEPT = (State.LATCHED, State.LATCHED_UNACKNOWLEDGED)
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
    TWO_CALL: "two on-call processes call people, stop one or make them a pair:",
    TWO_DUTIES: "on-call process goes by other people, hours or times than this one, or is another version",
    WENT_BACK: "the on-call file or clock went back, earlier numbers and links hold no more",
    DRILL: "DRILL, nothing is wrong",
    DRILL_LACKING: "no drill was answered lately, ask for one at a rack (bellwatch drill)",
}


def call_text(call: Call, notes: Mapping[str, str], zone: tzinfo, link: str = "") -> str:
    """Return the words of a call; they end with the number that people answer it by, or the `link`."""
    if call.day:
        return daily_text(call.day, call.at_ms, zone, f"#{call.id}")
    first, last = call.about[0], f"#{call.id} {link}".strip()
    if call.kind is CallKind.DRILL:
        said = "" if call.answer is None else answer_text(call.answer, call.at_ms, zone)
        return one_message([(0, sentence(call.about, call.priority, call.at_ms, zone))], said, last)
    if call.kind is CallKind.ALARM:
        note = first_check(first, notes)
        texts = [one_message(_said(call, zone, *named), note, f"Answer {last}") for named in _NAMED]
        return next((text for text in texts if plain(note) in text), texts[-1])
    if call.kind in (CallKind.TAKEN, CallKind.RETURNED):
        texts = [one_message(_known(call, zone, *named), "", last) for named in _NAMED]
        return next((text for text in texts if _CUT not in text), texts[-1])
    must, may = _summary(call)
    return one_message([(0, must)], may, last)


def _known(call: Call, zone: tzinfo, longest: int, most: int) -> Parts:
    """Say in parts that somebody has it, or that it is over."""
    where, what = _where(call.about, longest, most), _what(call.about[0])
    since = f", since {_clock(call.about[0].event.since_ms, call.at_ms, zone)}"
    said = f"OVER {where}: {what} is over"
    if call.kind is CallKind.TAKEN and call.answer is not None:
        answer = replace(call.answer, who=_cut(plain(call.answer.who), longest))
        said = f"{answer_text(answer, call.at_ms, zone)}: {where} {what}"
    return [(0, said), (1, since), (0, ".")]


def first_check(word: Word, notes: Mapping[str, str]) -> str:
    """Return what to check first: by the nursery's own record, then by our `notes`, then as built in."""
    event = word.event
    own = word.record.check if word.record else ""
    note = own or note_for(event.quantity, event.condition, event.evidence.reason, notes)
    hidden = next(iter(event.evidence.hidden), "VESSEL/QUANTITY")
    return note.replace("VESSEL QUANTITY", hidden.replace("/", " "))


def sentence(about: tuple[Word, ...], priority: Priority, now_ms: int, zone: tzinfo) -> str:
    """Say what is wrong: where, how bad, as of when, which way, since when."""
    first = about[0]
    if first.is_drill:
        since = _clock(first.event.since_ms, now_ms, zone)
        return (
            f"DRILL {first.rack}: nothing is wrong, asked for at {since}. Answer this as if it were an alarm."
        )
    call = Call("", CallKind.ALARM, 0, "", priority, now_ms, about)
    return "".join(words for _, words in _said(call, zone))


def _said(call: Call, zone: tzinfo, longest: int = _LONGEST_NAME, most: int = _VESSELS_NAMED) -> Parts:
    """Say the same in parts, the less needed ones with a higher rank; a call again says how long it lasts."""
    first, event, now_ms = call.about[0], call.about[0].event, call.at_ms
    asks = f"{event.condition}/{event.evidence.reason.partition(', ')[0]}" in DEFAULT_NOTES
    what, why, by = _what(first).partition(" (" if asks else "\n")
    lasts = (
        (4 if asks or event.evidence.value is not None else 0),
        f", since {_clock(event.since_ms, now_ms, zone)}",
    )
    if call.again:
        lasts = 1, f", for {length_of_time((now_ms - event.since_ms) / 1000)}"
    return [
        (0, "STILL " if call.answer else "BACK " if call.called_before else ""),
        (0, f"{call.priority.word.upper()} {_where(call.about, longest, most)}: {what}"),
        (3, why + by),
        *_numbers(first, call.was, now_ms, zone),
        lasts,
        (0, "."),
        (1, f" {answer_text(call.answer, now_ms, zone)}." if call.answer else ""),
        (1, _before(call.called_before, longest, most)),
    ]


def _before(people: tuple[str, ...], longest: int, most: int) -> str:
    """Say who was called before it was over and came back."""
    names = ", ".join(_cut(plain(person), longest) for person in people[:most])
    more = f"+{len(people) - most}" if len(people) > most else ""
    return f" Called before: {names}{more}, nobody has it." if people else ""


def _numbers(word: Word, was: float | None, now_ms: int, zone: tzinfo) -> Parts:
    """Say the value and as of when, the limit or what was told before, the direction, the time left."""
    event, evidence, as_of_ms = word.event, word.event.evidence, word.as_of_ms or word.event.at_ms
    if evidence.value is None:
        return []
    per_hour = "/h" if event.condition in (Condition.RISING, Condition.FALLING) else ""
    unit = plain(shown_unit(event.quantity, word.unit).replace("°", ""))
    value, before, edge = (
        "" if it is None else number(it, event.quantity, difference=event.condition in OF_DIFFERENCES)
        for it in (evidence.value, was, evidence.limit)
    )
    changed = before not in ("", value)
    kept = event.state in _KEPT
    limit = "" if kept or not edge else f" (limit {edge})"
    said = [
        (0, f"{', now' if kept else ''} {value}{' ' if unit else ''}{unit}{per_hour}"),
        (2, f" (was {before})") if changed else (3, limit),
        (0, f", as of {_clock(as_of_ms, now_ms, zone)}"),
    ]
    if now_ms - as_of_ms > _FRESH_MS:
        return said
    if evidence.rate_per_hour is not None and not per_hour:
        said.append((3, f", {_rate(shown(evidence.rate_per_hour, event.quantity, difference=True))}"))
    if evidence.reached_ms is not None and evidence.reached_ms > now_ms:
        said.append((1, f", critical in {length_of_time((evidence.reached_ms - now_ms) / 1000)}"))
    return said


def _rate(per_hour: float) -> str:
    """Write a rate with as many decimals as it is worth."""
    decimals = 0 if abs(per_hour) >= _WHOLE_FROM else 1 if abs(per_hour) >= _TENTHS_FROM else 2
    return f"{per_hour:+.{decimals}f}/h"


def answer_text(answer: Answer, now_ms: int, zone: tzinfo) -> str:
    """Say what somebody answered."""
    if answer.reply is Reply.ON_MY_WAY:
        there = "" if answer.until_ms is None else f", {_clock(answer.until_ms, now_ms, zone)}"
        return f"{answer.who} is on the way{there}"
    if answer.reply is Reply.SEEN:
        return f"{answer.who} has seen it" if answer.who else "Seen at the rack"
    if answer.reply is Reply.QUIET and answer.until_ms is not None:
        return f"{answer.who} has shelved it until {_clock(answer.until_ms, now_ms, zone)}"
    return f"{answer.who} wants {'quiet' if answer.reply is Reply.QUIET else 'somebody else'}"


def at_the_rack(problem: Problem, *, passes_on: bool) -> str:
    """Say what the rack knows of an answer; empty where it has confirmed that it is seen."""
    if not problem.seen_here_only:
        return ""
    return "sent to the rack, not confirmed yet" if passes_on else "known on call only, not at the rack"


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


def _where(about: tuple[Word, ...], longest: int = _LONGEST_NAME, most: int = _VESSELS_NAMED) -> str:
    """Name the rack and its vessels, the first ones where there are many."""
    rack = _cut(about[0].rack, longest)
    events = [word.event for word in about]
    named = dict.fromkeys(vessel for event in events for vessel in (event.vessels or (event.vessel,)))
    vessels = [it for it in named if it not in ("", RACK_WIDE)] or [it for it in named if it]
    if not vessels:
        return rack
    more = f"+{len(vessels) - most}" if len(vessels) > most else ""
    return f"{rack} {','.join(_cut(vessel, longest) for vessel in vessels[:most])}{more}"


def _cut(name: str, longest: int) -> str:
    return name if len(name) <= longest else f"{name[: longest - 2]}.."


def _what(word: Word) -> str:
    event, reason = word.event, word.event.evidence.reason
    if event.condition in _OF_A_RACK:
        return f"{_OF_A_RACK[event.condition]} {reason}".strip()
    if event.condition == Condition.UNWATCHED:
        return unwatched_text(event.channel, event.evidence.hidden, reason).removeprefix(f"{event.vessel}: ")
    over = " is over, kept until reset" if event.state in _KEPT else ""
    what = f"{event.quantity.replace('_', ' ')} {condition_word(event.condition)}{over}".strip()
    return f"{what} ({shown_reason(reason, event.quantity)})" if reason else what


def _clock(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """Write a moment as hours and minutes of the people's clock, with the day where it is far away."""
    when = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    return f"{when:%H:%M}" if abs(now_ms - time_ms) < _DAY_MS // 2 else f"{when:%d.%m. %H:%M}"
