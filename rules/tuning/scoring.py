"""How good a set of settings was, judged by the alarm events that it made and by marked incidents.

What counts as a call stands here, and nowhere else: an alarm that is raised, or becomes worse, at
high or critical priority.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from statistics import median

from rules.alarms.episodes import Episode, episodes_of
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Priority, Trigger
from rules.tuning.incident import Incident, answers

CALLS_FROM = Priority.HIGH
CALLING = frozenset({Trigger.RAISED, Trigger.WORSENED})

NIGHT_FROM, NIGHT_TO = 22, 7
"""Hours of local time between which a call wakes somebody (common practice, no source)."""

CHATTER_WITHIN_MS = 600_000
"""An alarm raised again within ten minutes of its return chatters. (The standard's working rule, three
times in a minute, is for signals read every second, and probes here are read every half minute:
project judgement.)"""

WEEK_MS = 7 * 86_400_000
HALF_A_DAY = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class Timely:
    """When a call is in time: `before_harm_ms` before harm; where that is not known, within `within_ms`.

    `within_ms` counts from the incident's beginning.
    """

    within_ms: int
    before_harm_ms: int


@dataclass(frozen=True, slots=True)
class Found:
    """What became of an incident for which a call was wanted; `call_ms` is None where none came."""

    incident: Incident
    call_ms: int | None

    @property
    def waited_ms(self) -> int | None:
        """Return the time from the incident's beginning to its call."""
        return None if self.call_ms is None else self.call_ms - self.incident.start_ms

    @property
    def lead_ms(self) -> int | None:
        """Return the time from its call to harm; None where there was no call, or harm is not known."""
        if self.call_ms is None or self.incident.harm_ms is None:
            return None
        return self.incident.harm_ms - self.call_ms

    def is_late(self, timely: Timely) -> bool:
        """Return whether it was missed, or called too late to do something."""
        if self.call_ms is None:
            return True
        if self.incident.harm_ms is not None:
            return self.incident.harm_ms - self.call_ms < timely.before_harm_ms
        return self.call_ms - self.incident.start_ms > timely.within_ms


@dataclass(frozen=True, slots=True)
class Night:
    """What settings did from one noon to the next, where people sleep.

    `needless` are the alarms of the calls that no incident wanted, each with whether it woke somebody;
    `repeats` the calls about what had been called for as urgently, `chattering` alarms back at once.
    """

    watched_ms: int
    calls: int = 0
    night_calls: int = 0
    needless: tuple[tuple[str, bool], ...] = ()
    repeats: int = 0
    chattering: int = 0
    found: tuple[Found, ...] = ()

    @property
    def burden(self) -> int:
        """Return what it cost people: calls for nothing, one that wakes counted twice, and repeats."""
        return sum(1 + asleep for _, asleep in self.needless) + self.repeats


@dataclass(frozen=True, slots=True)
class Score:
    """What a set of settings did, night by night."""

    nights: tuple[Night, ...]

    def _sum(self, name: str) -> int:
        return sum(getattr(night, name) for night in self.nights)

    @property
    def watched_ms(self) -> int:
        """Return how much of the record it is about."""
        return self._sum("watched_ms")

    @property
    def calls(self) -> int:
        """Return how many calls there were."""
        return self._sum("calls")

    @property
    def night_calls(self) -> int:
        """Return how many of these came while people sleep."""
        return self._sum("night_calls")

    @property
    def unwanted(self) -> int:
        """Return how many calls no incident wanted."""
        return sum(len(night.needless) for night in self.nights)

    @property
    def chattering(self) -> int:
        """Return how many alarms came back right after they had gone."""
        return self._sum("chattering")

    @property
    def burden(self) -> int:
        """Return what it cost people, see `Night.burden`."""
        return self._sum("burden")

    @property
    def found(self) -> tuple[Found, ...]:
        """Return what became of each incident for which a call was wanted."""
        return tuple(found for night in self.nights for found in night.found)

    @property
    def missed(self) -> int:
        """Return how many incidents passed without the call that was wanted."""
        return sum(found.call_ms is None for found in self.found)

    @property
    def typical_wait_ms(self) -> float:
        """Return the median time to call of the incidents that were called; 0 where there is none."""
        waits = [found.waited_ms for found in self.found if found.waited_ms is not None]
        return float(median(waits)) if waits else 0.0

    @property
    def leads_ms(self) -> list[int]:
        """Return how long before harm the calls came, where harm is known, the shortest first."""
        return sorted(found.lead_ms for found in self.found if found.lead_ms is not None)

    def per_week(self, count: float) -> float:
        """Return a count of this score as a rate."""
        return count * WEEK_MS / self.watched_ms

    def late(self, timely: Timely) -> int:
        """Return how many incidents were missed, or called too late."""
        return sum(found.is_late(timely) for found in self.found)

    def worst(self, timely: Timely, most: int = 5) -> dict[str, int]:
        """Return the alarms to begin with: those that called for nothing most, or came too late."""
        worst = dict(self.offenders().most_common(most))
        for late in (each.incident for each in self.found if each.is_late(timely)):
            for vessel in late.vessels if late.quantity else ():
                worst |= {f"{vessel}/{late.quantity}/{name}": 1 for name in ("high", "heading_out")}
        return worst

    def offenders(self) -> Counter[str]:
        """Return how often each alarm called for nothing, one that woke somebody counted twice."""
        needless = [each for night in self.nights for each in night.needless]
        return Counter(alarm for alarm, asleep in needless for _ in range(1 + asleep))


def is_call(event: AlarmEvent) -> bool:
    """Return whether an event wakes somebody."""
    return event.trigger in CALLING and event.priority >= CALLS_FROM


def is_night(at_ms: int, zone: tzinfo) -> bool:
    """Return whether people in `zone` sleep at that time."""
    hour = datetime.fromtimestamp(at_ms / 1000, zone).hour
    return hour >= NIGHT_FROM or hour < NIGHT_TO


def score(
    events: Sequence[AlarmEvent],
    incidents: Iterable[Incident],
    watched: Sequence[tuple[int, int]],
    zone: tzinfo = UTC,
) -> Score:
    """Score the events within the stretches `watched` (from, to) against the incidents that begin there."""
    wanted = [each for each in incidents if each.call_wanted]
    calls = [event for event in events if is_call(event)]
    about = [(call, [each for each in wanted if answers(call, each)]) for call in calls]
    needless = [(call.alarm, call.at_ms) for call, its in about if not its]
    again = _repeats(about)
    found = [Found(each, first_call_ms(each, calls)) for each in wanted]
    chatters = [each.start_ms for each in chattering(episodes_of(events))]
    return Score(
        tuple(
            Night(
                sum(stop - start for start, stop in span),
                sum(_within(call.at_ms, span) for call in calls),
                sum(_within(call.at_ms, span) and is_night(call.at_ms, zone) for call in calls),
                tuple((name, is_night(at_ms, zone)) for name, at_ms in needless if _within(at_ms, span)),
                sum(_within(at_ms, span) for at_ms in again),
                sum(_within(at_ms, span) for at_ms in chatters),
                tuple(each for each in found if _within(each.incident.start_ms, span)),
            )
            for span in nights_of(watched, zone)
        )
    )


def nights_of(watched: Iterable[tuple[int, int]], zone: tzinfo) -> list[list[tuple[int, int]]]:
    """Return the stretches watched of each night, from noon to noon where people sleep; those with any."""
    nights: dict[date, list[tuple[int, int]]] = {}
    for start, stop in watched:
        at = start
        while at < stop:
            day = (datetime.fromtimestamp(at / 1000, zone) - HALF_A_DAY).date()
            noon = datetime.combine(day, time(12), zone) + 2 * HALF_A_DAY
            end = min(stop, round(noon.timestamp() * 1000))
            nights.setdefault(day, []).append((at, end))
            at = end
    return list(nights.values())


def _repeats(about: Iterable[tuple[AlarmEvent, list[Incident]]]) -> list[int]:
    """Return when calls came whose every incident had been called for as urgently before."""
    said: dict[Incident, int] = {}
    again = []
    for call, incidents in about:
        if incidents and all(said.get(each, 0) >= call.priority for each in incidents):
            again.append(call.at_ms)
        said |= {each: max(said.get(each, 0), call.priority) for each in incidents}
    return again


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
