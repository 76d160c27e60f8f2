"""The page *Alarms*: what stands, and what was, the newest first, each with who answered."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from daemon.page.memory import Memory
from daemon.report.measured import measured_by_week
from daemon.view.needs import Need, named, need_of
from daemon.view.rack_now import RackNow
from daemon.view.rack_words import moment
from daemon.words import SHAPES, event_text, length_of_time
from rules.alarms.episodes import Episode, episodes_of
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Trigger
from rules.alarms.measures import WEEK_MS

AT_ONCE, WEEKS = 50, 4


@dataclass(frozen=True, slots=True)
class Past:
    """An alarm that was, or stands: when, how long, what, and who answered after how long."""

    priority: str
    shape: str
    when: str
    lasted: str
    what: str
    answered: str


@dataclass(frozen=True, slots=True)
class Alarms:
    """A page of alarms; `held` are those that are kept from people, `newer`, `older` other pages.

    `measures` are those of the standard since each of the days `weeks`, and of all of them.
    """

    standing: tuple[Need, ...]
    held: tuple[Need, ...]
    past: tuple[Past, ...]
    known: int
    newer: int | None
    older: int | None
    weeks: tuple[str, ...]
    measures: tuple[tuple[str, ...], ...]


def alarms_of(rack: RackNow | None, memory: Memory, page: int, zone: ZoneInfo) -> Alarms:
    """Return a page of what was, the first one being 0, with what stands."""
    called = {vessel.name: named(vessel) for vessel in rack.vessels} if rack else {}
    needs = (
        [(alarm.held_by, need_of(alarm, called, rack.made_ms, zone)) for alarm in rack.alarms] if rack else []
    )
    episodes = episodes_of(memory.events)[::-1]
    first = page * AT_ONCE
    answers = _answers(memory.events)
    to_ms = memory.newest_ms
    from_ms = max(memory.since_ms or 0, to_ms - WEEKS * WEEK_MS)
    weeks = [memory.dating.utc_ms(at_ms) / 1000 for at_ms in range(from_ms, to_ms, WEEK_MS)]
    return Alarms(
        tuple(need for held, need in needs if held is None),
        tuple(need for held, need in needs if held is not None),
        tuple(_past(it, answers, memory, zone) for it in episodes[first : first + AT_ONCE]),
        len(episodes),
        page - 1 if page else None,
        page + 1 if len(episodes) > first + AT_ONCE else None,
        tuple(f"{datetime.fromtimestamp(at_s, zone):%m-%d}" for at_s in weeks),
        tuple(measured_by_week(episodes, from_ms, to_ms)) if weeks else (),
    )


def _answers(events: Sequence[AlarmEvent]) -> dict[str, list[AlarmEvent]]:
    found: dict[str, list[AlarmEvent]] = {}
    for event in events:
        if event.trigger is Trigger.ACKNOWLEDGED:
            found.setdefault(event.alarm, []).append(event)
    return found


def _past(it: Episode, answers: dict[str, list[AlarmEvent]], memory: Memory, zone: tzinfo) -> Past:
    until_ms = it.until(memory.newest_ms)
    seen = [event for event in answers.get(it.alarm, ()) if it.start_ms <= event.at_ms <= until_ms]
    after = length_of_time((seen[0].at_ms - it.start_ms) / 1000) if seen else ""
    utc_ms = memory.dating.utc_ms
    return Past(
        it.priority.word,
        SHAPES[it.priority],
        moment(utc_ms(it.start_ms), utc_ms(memory.newest_ms), zone),
        length_of_time((until_ms - it.start_ms) / 1000) if it.end_ms is not None else "still stands",
        event_text(memory.dating.dated(it.first), zone, ranked=False),
        f"seen by {seen[0].who} after {after}" if seen else "nobody saw it",
    )
