"""A replay in words: times, events, what differs, what could not be judged."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo

from daemon.as_read import told
from daemon.machine import SERIES
from daemon.replay.replay import Replayed
from daemon.sources.recording import Recording
from daemon.words import label
from rules import RULES_VERSION
from rules.alarms.episodes import STANDING, Change, Episode
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Condition
from rules.judging.watched import WatchedState
from rules.plain import to_plain
from rules.quantities import Quantity

_SPANS = 30


@dataclass(frozen=True, slots=True)
class Span:
    """A danger (vessel/quantity) that nobody saw from `begun` until `end_ms` (None: to the end)."""

    danger: str
    begun: AlarmEvent
    end_ms: int | None

    @property
    def what(self) -> str:
        """Return the danger in words."""
        vessel, _, quantity = self.danger.partition("/")
        return f"{vessel} {label(Quantity(quantity))}"

    @property
    def why(self) -> str:
        """Return the cause in words."""
        return ": ".join(filter(None, (self.begun.channel.replace("/", " "), self.begun.evidence.reason)))


def event_line(event: AlarmEvent) -> str:
    """Return an event as the journal keeps it."""
    return json.dumps(to_plain(event))


def moment(at_ms: int, zone: tzinfo) -> str:
    """Write a time for a list: date, hours, minutes and seconds where the rack stands."""
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%d %H:%M:%S}"


def notes_on(result: Replayed, recording: Recording) -> list[str]:
    """Say what of a recording could not be judged or done again."""
    notes = [
        f"{count} readings of {' '.join(recording.sources[source])} passed over: not in the settings"
        for source, count in sorted(result.passed_over.items())
        if recording.sources[source][1] not in SERIES  # nobody is to judge those
    ]
    notes += [f"{count} readings left out: {why}" for why, count in recording.rejected.items()]
    if recording.clock_off_ms:
        notes.append(
            f"The machine's clock was up to {recording.clock_off_ms / 60_000:.0f} min off: times here, and"
            " those to give, are as it ran; `bellwatch export` gives UTC."
        )
    if result.refused:
        first = told(result.refused[0])
        notes.append(f"{len(result.refused)} actions of the time had nothing to act on; first: {first}")
    return notes


def watch_text(result: Replayed) -> str:
    """Say at the end of what was not simply watched; empty where nothing was."""
    said = [
        f"{danger.vessel} {label(danger.quantity)} {danger.watched.state}: {danger.watched.why}"
        for danger in result.dangers
        if danger.watched.state is not WatchedState.WATCHED
    ]
    return f"At the end {'; '.join(said)}.".replace("_", " ") if said else ""


def unwatched_spans(result: Replayed, zone: tzinfo) -> list[str]:
    """Say of each vessel and danger from when to when nobody saw it, and why; of many the newest."""
    spans = [_span(it, zone) for it in spans_of(result.events)]
    more = [f"and {len(spans) - _SPANS} times unwatched before these"] if len(spans) > _SPANS else []
    return [*more, *spans[-_SPANS:]]


def spans_of(events: Iterable[AlarmEvent]) -> Iterator[Span]:
    """Go through the stretches in which nobody saw a danger, by their ends; those that last come last."""
    since: dict[tuple[str, str], AlarmEvent] = {}
    for event in (it for it in events if it.condition == Condition.UNWATCHED):
        if event.state in STANDING:
            for danger in event.evidence.hidden:
                since.setdefault((event.channel, danger), event)
            continue
        for cause, danger in [key for key in since if key[0] == event.channel]:
            yield Span(danger, since.pop((cause, danger)), event.at_ms)
    yield from (Span(danger, event, None) for (_, danger), event in since.items())


def _span(span: Span, zone: tzinfo) -> str:
    end = "the end" if span.end_ms is None else moment(span.end_ms, zone)
    return f"{span.what} unwatched {moment(span.begun.since_ms, zone)} to {end} ({span.why})"


def rules_text(result: Replayed, zone: tzinfo) -> str:
    """Say where other rules than today's judged at the time; empty where it was these all along."""
    if all(version == RULES_VERSION for _, version in result.judged_by):
        return ""
    judged = [f"from {moment(at_ms, zone)} by rules {by or 'before 1'}" for at_ms, by in result.judged_by]
    return f"Judged {', '.join(judged)}; today's are {RULES_VERSION}."


def change_text(change: Change, zone: tzinfo) -> str:
    """Write what becomes of an alarm under the other settings."""
    said = " -> ".join(extent(episode, zone) for episode in (change.before, change.after) if episode)
    return f"{change.what:9} {change.alarm}: {said}"


def extent(episode: Episode, zone: tzinfo) -> str:
    """Write from when to when an alarm stood, and its priority."""
    end = "still standing" if episode.end_ms is None else moment(episode.end_ms, zone)
    return f"{moment(episode.start_ms, zone)} to {end} ({episode.priority.word})"
