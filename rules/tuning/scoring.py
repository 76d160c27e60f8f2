"""How good a set of settings was, judged by the alarm events that it made and by marked incidents.

What counts as a page stands here, and nowhere else: an alarm that is raised, or becomes worse, at
high or critical priority.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from statistics import median

from rules.alarms.episodes import Episode, episodes_of
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Priority, Trigger

PAGES_FROM = Priority.HIGH
PAGING = frozenset({Trigger.RAISED, Trigger.WORSENED})

NIGHT = (22, 7)
"""Hours of local time between which a page wakes somebody (common practice, no source)."""

CHATTER_WITHIN_MS = 600_000
"""An alarm raised again within ten minutes of its return chatters. (The standard's working rule, three
times in a minute, is for signals read every second, and probes here are read every half minute:
project judgement.)"""

WEEK_MS = 7 * 86_400_000


@dataclass(frozen=True, slots=True)
class Incident:
    """A marked stretch of the record: what it was, where, and whether a page was wanted for it."""

    start_ms: int
    end_ms: int
    vessel: str
    what: str
    page_wanted: bool


@dataclass(frozen=True, slots=True)
class Found:
    """What became of an incident for which a page was wanted; `page_ms` is None where none came."""

    incident: Incident
    page_ms: int | None

    @property
    def waited_ms(self) -> int | None:
        """Return the time from the incident's beginning to its page."""
        return None if self.page_ms is None else self.page_ms - self.incident.start_ms


@dataclass(frozen=True, slots=True)
class Score:
    """What a set of settings did over `watched_ms` of record.

    `unwanted` counts the pages outside every incident for which one was wanted; `chattering` the
    alarms that came back right after they had gone.
    """

    watched_ms: int
    pages: int
    night_pages: int
    unwanted: int
    chattering: int
    found: tuple[Found, ...]

    @property
    def missed(self) -> int:
        """Return how many incidents passed without the page that was wanted."""
        return sum(found.page_ms is None for found in self.found)

    @property
    def typical_wait_ms(self) -> float:
        """Return the median time to page of the incidents that were paged; 0 where there is none."""
        waits = [found.waited_ms for found in self.found if found.waited_ms is not None]
        return float(median(waits)) if waits else 0.0

    def per_week(self, count: int) -> float:
        """Return a count of this score as a rate."""
        return count * WEEK_MS / self.watched_ms


def is_page(event: AlarmEvent) -> bool:
    """Return whether an event wakes somebody."""
    return event.trigger in PAGING and event.priority >= PAGES_FROM


def is_night(at_ms: int, zone: tzinfo) -> bool:
    """Return whether people in `zone` sleep at that time."""
    hour = datetime.fromtimestamp(at_ms / 1000, zone).hour
    return hour >= NIGHT[0] or hour < NIGHT[1]


def score(
    events: Sequence[AlarmEvent],
    incidents: Iterable[Incident],
    watched: Sequence[tuple[int, int]],
    zone: tzinfo = UTC,
) -> Score:
    """Score the events within the stretches `watched` (from, to) against the incidents that begin there."""
    here = [event for event in events if _within(event.at_ms, watched)]
    pages = [event for event in here if is_page(event)]
    wanted = [each for each in incidents if each.page_wanted]
    return Score(
        watched_ms=sum(stop - start for start, stop in watched),
        pages=len(pages),
        night_pages=sum(is_night(page.at_ms, zone) for page in pages),
        unwanted=sum(not any(_answers(page, each) for each in wanted) for page in pages),
        chattering=sum(_within(each.start_ms, watched) for each in chattering(episodes_of(events))),
        found=tuple(_found(each, events) for each in wanted if _within(each.start_ms, watched)),
    )


def chattering(episodes: Iterable[Episode]) -> list[Episode]:
    """Return the episodes that began within `CHATTER_WITHIN_MS` of the same alarm's return."""
    returned: dict[str, int] = {}
    again: list[Episode] = []
    for episode in episodes:
        last_ms = returned.get(episode.alarm)
        if last_ms is not None and episode.start_ms - last_ms <= CHATTER_WITHIN_MS:
            again.append(episode)
        if episode.end_ms is not None:
            returned[episode.alarm] = episode.end_ms
    return again


def _found(incident: Incident, events: Iterable[AlarmEvent]) -> Found:
    """Find the first page for an incident. An alarm that stood before it began tells nobody anything new."""
    first = (event.at_ms for event in events if is_page(event) and _answers(event, incident))
    return Found(incident, next(first, None))


def _answers(page: AlarmEvent, incident: Incident) -> bool:
    return page.vessel == incident.vessel and incident.start_ms <= page.at_ms <= incident.end_ms


def _within(at_ms: int, stretches: Iterable[tuple[int, int]]) -> bool:
    return any(start <= at_ms < stop for start, stop in stretches)
