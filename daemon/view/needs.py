"""What needs somebody, in words: where, how urgently, what, who has it, what to look at first."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from daemon.as_read import shown_reason
from daemon.view import rack_words as words
from daemon.view.rack_now import AlarmNow, VesselNow
from daemon.words import SHAPES, condition_word, label
from rules.alarms.life_cycle import Priority, State
from rules.quantities import Quantity


@dataclass(frozen=True, slots=True)
class Need:
    """Something that needs somebody: how urgently, where (and the vessel's name, if any), and in words.

    `alarm` is the name of the alarm, where it is one; `calls` is whether it is urgent and nobody has seen it.
    """

    priority: str
    shape: str
    where: str
    vessel: str
    text: str
    who: str
    first: str
    alarm: str = ""
    calls: bool = False


def named(vessel: VesselNow) -> str:
    """Write a vessel as people call it."""
    return vessel.label or vessel.name


def need_of(alarm: AlarmNow, called: dict[str, str], now_ms: int, zone: ZoneInfo) -> Need:
    """Return an alarm in words, with where it is as people call it."""
    everywhere = set(called) <= set(alarm.vessels)
    where = "The whole rack" if everywhere else ", ".join(called.get(name, name) for name in alarm.vessels)
    shape = SHAPES[Priority[alarm.priority.upper()]]
    vessel = alarm.vessel if alarm.vessel in called else ""
    what = "" if alarm.reason else alarm.name
    # Of a single vessel it stands before the line, by the name that people call it.
    reason = shown_reason(alarm.reason, alarm.quantity)
    reason = reason.removeprefix(f"{alarm.vessel}: " if len(alarm.vessels) == 1 else "")
    if alarm.quantity:
        what = f"{label(Quantity(alarm.quantity)).capitalize()} {condition_word(alarm.condition)}"
    since = f"since {words.moment(alarm.since_ms, now_ms, zone)}"
    parts = [what, *words.numbers(alarm, now_ms, zone), reason, since]
    text = ", ".join(part for part in parts if part)
    who, first = _who_has(alarm, now_ms, zone), alarm.first_check or ""
    said = f"{text[0].upper()}{text[1:]}."
    calls = alarm.state == State.UNACKNOWLEDGED and alarm.priority in ("high", "critical")
    return Need(alarm.priority, shape, where, vessel, said, who, first, alarm.name, calls)


def _who_has(alarm: AlarmNow, now_ms: int, zone: ZoneInfo) -> str:
    if alarm.held_by is not None:
        return words.held(alarm, now_ms, zone)
    if alarm.acknowledged_by and alarm.acknowledged_ms is not None:
        return f"seen by {alarm.acknowledged_by}, {words.moment(alarm.acknowledged_ms, now_ms, zone)}"
    return "nobody has seen it yet" if alarm.state == State.UNACKNOWLEDGED else alarm.state
