"""How good a set of settings was, judged by the alarm events that it made and by marked incidents.

What counts as a call stands here, and nowhere else: an alarm that is raised, or becomes worse, at
high or critical priority.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from statistics import median

from rules.alarms.episodes import Episode, episodes_of
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Priority, Trigger
from rules.tuning.incident import Incident, answers

CALLS_FROM = Priority.HIGH
CALLING = frozenset({Trigger.RAISED, Trigger.WORSENED})

NIGHT = (22, 7)
"""Hours of local time between which a call wakes somebody (common practice, no source)."""

CHATTER_WITHIN_MS = 600_000
"""An alarm raised again within ten minutes of its return chatters. (The standard's working rule, three
times in a minute, is for signals read every second, and probes here are read every half minute:
project judgement.)"""

WEEK_MS = 7 * 86_400_000


@dataclass(frozen=True, slots=True)
class Found:
    """What became of an incident for which a call was wanted; `call_ms` is None where none came."""

    incident: Incident
    call_ms: int | None

    @property
    def waited_ms(self) -> int | None:
        """Return the time from the incident's beginning to its call."""
        return None if self.call_ms is None else self.call_ms - self.incident.start_ms


@dataclass(frozen=True, slots=True)
class Score:
    """What a set of settings did over `watched_ms` of record.

    `unwanted` counts the calls outside every incident for which one was wanted; `chattering` the
    alarms that came back right after they had gone.
    """

    watched_ms: int
    calls: int
    night_calls: int
    unwanted: int
    chattering: int
    found: tuple[Found, ...]

    @property
    def missed(self) -> int:
        """Return how many incidents passed without the call that was wanted."""
        return sum(found.call_ms is None for found in self.found)

    @property
    def typical_wait_ms(self) -> float:
        """Return the median time to call of the incidents that were called; 0 where there is none."""
        waits = [found.waited_ms for found in self.found if found.waited_ms is not None]
        return float(median(waits)) if waits else 0.0

    def per_week(self, count: int) -> float:
        """Return a count of this score as a rate."""
        return count * WEEK_MS / self.watched_ms


def is_call(event: AlarmEvent) -> bool:
    """Return whether an event wakes somebody."""
    return event.trigger in CALLING and event.priority >= CALLS_FROM


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
    calls = [event for event in here if is_call(event)]
    wanted = [each for each in incidents if each.call_wanted]
    return Score(
        watched_ms=sum(stop - start for start, stop in watched),
        calls=len(calls),
        night_calls=sum(is_night(call.at_ms, zone) for call in calls),
        unwanted=sum(not any(answers(call, each) for each in wanted) for call in calls),
        chattering=sum(_within(each.start_ms, watched) for each in chattering(episodes_of(events))),
        found=tuple(
            Found(each, first_call_ms(each, events)) for each in wanted if _within(each.start_ms, watched)
        ),
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


def first_call_ms(incident: Incident, events: Iterable[AlarmEvent]) -> int | None:
    """Return when the first call for an incident came; an alarm from before it tells nobody anything new."""
    return next((event.at_ms for event in events if is_call(event) and answers(event, incident)), None)


def _within(at_ms: int, stretches: Iterable[tuple[int, int]]) -> bool:
    return any(start <= at_ms < stop for start, stop in stretches)
