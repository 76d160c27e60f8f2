"""Alarms as stretches of time, made from their events, and what differs between two such lists."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Priority, State

STANDING = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})


@dataclass(frozen=True, slots=True)
class Episode:
    """One alarm from its raising to its return; `end_ms` is None where it still stands at the end.

    `priority` is the most urgent that it reached, `first` the event that raised it.
    """

    alarm: str
    vessel: str
    condition: str
    start_ms: int
    end_ms: int | None
    priority: Priority
    first: AlarmEvent

    def until(self, otherwise_ms: int) -> int:
        """Return when it returned, or `otherwise_ms` where it still stands."""
        return otherwise_ms if self.end_ms is None else self.end_ms


@dataclass(frozen=True, slots=True)
class Change:
    """What becomes of an alarm under other settings: `before` None appears, `after` None vanishes."""

    before: Episode | None
    after: Episode | None

    @property
    def what(self) -> str:
        """Return appears, vanishes or moves."""
        if self.before is None:
            return "appears"
        return "vanishes" if self.after is None else "moves"

    @property
    def alarm(self) -> str:
        """Return which alarm it is about."""
        return next(each.alarm for each in (self.before, self.after) if each is not None)

    @property
    def start_ms(self) -> int:
        """Return when the earlier of the two was raised."""
        return min(episode.start_ms for episode in (self.before, self.after) if episode is not None)


def episodes_of(events: Iterable[AlarmEvent]) -> list[Episode]:
    """Return the episodes of a stream of events, by the time of their raising.

    One that is shelved or taken out of service while it stands ends there.
    """
    open_now: dict[str, Episode] = {}
    done: list[Episode] = []
    for event in events:
        standing = open_now.pop(event.alarm, None)
        if event.state not in STANDING:
            if standing is not None:
                done.append(replace(standing, end_ms=event.at_ms))
        elif standing is None:
            open_now[event.alarm] = _begun(event)
        else:
            open_now[event.alarm] = replace(standing, priority=max(standing.priority, event.priority))
    return sorted([*done, *open_now.values()], key=lambda episode: (episode.start_ms, episode.first.number))


def compare(before: Iterable[Episode], after: Iterable[Episode], until_ms: int) -> list[Change]:
    """Return which alarms appear, vanish or move, by time; those that stay just as they were are left out.

    Two episodes are the same alarm's where their times overlap; the earliest pair first. `until_ms` is
    the end of what both were judged over.
    """
    others: dict[str, list[Episode]] = defaultdict(list)
    for episode in sorted(after, key=lambda episode: episode.start_ms):
        others[episode.alarm].append(episode)
    changes: list[Change] = []
    for episode in sorted(before, key=lambda episode: episode.start_ms):
        match = next((other for other in others[episode.alarm] if _overlap(episode, other, until_ms)), None)
        if match is not None:
            others[episode.alarm].remove(match)
        if match is None or _extent(match) != _extent(episode):
            changes.append(Change(episode, match))
    changes += [Change(None, episode) for left in others.values() for episode in left]
    return sorted(changes, key=lambda change: (change.start_ms, change.alarm))


def _begun(event: AlarmEvent) -> Episode:
    return Episode(event.alarm, event.vessel, event.condition, event.at_ms, None, event.priority, event)


def _overlap(one: Episode, other: Episode, until_ms: int) -> bool:
    return one.start_ms <= other.until(until_ms) and other.start_ms <= one.until(until_ms)


def _extent(episode: Episode) -> tuple[int, int | None, Priority]:
    return episode.start_ms, episode.end_ms, episode.priority
