"""What a report holds, whatever it is drawn on: one or two replays, their traces, incidents and trials."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

from daemon.errors import SourceError
from daemon.journal.history import Entry
from daemon.replay.replay import Replayed, plans_of, replay
from daemon.replay.words import notes_on
from daemon.report.trace import Trace, worth_drawing
from daemon.settings.rack import Settings
from daemon.sources.recording import Recording
from daemon.tune.incidents import Mark
from daemon.words import iso_time
from rules.alarms.episodes import Change, Episode, compare, episodes_of
from rules.rack.plan import RACK_WIDE
from rules.tuning.incident import Incident
from rules.tuning.scoring import first_call_ms, is_call
from rules.tuning.trade_off import Recommendation, Trial


@dataclass(frozen=True, slots=True)
class Side:
    """One of the settings compared: its name, what came of it and what it looked like."""

    name: str
    result: Replayed
    trace: Trace
    episodes: tuple[Episode, ...]

    @property
    def short_name(self) -> str:
        """Return the name where there is little room."""
        return self.name.removesuffix(".toml")[:10]

    @property
    def calls(self) -> int:
        """Return how many calls it made."""
        return sum(map(is_call, self.result.events))

    def call_ms(self, incident: Incident) -> int | None:
        """Return when the first call for an incident came; None where none did."""
        return first_call_ms(incident, self.result.events)


@dataclass(frozen=True, slots=True)
class Report:
    """Everything on the page, ready to be written; `channels` are those that are drawn.

    `entries` are all of the logbook, also those outside its time: one may put right another.
    """

    source: str
    zone: tzinfo
    start_ms: int
    stop_ms: int
    sides: tuple[Side, ...]
    channels: tuple[str, ...]
    marks: tuple[Mark, ...] = ()
    changes: tuple[Change, ...] = ()
    notes: tuple[str, ...] = ()
    trials: tuple[Trial, ...] = ()
    found: Recommendation | None = None
    reasons: tuple[str, ...] = ()
    provenance: tuple[str, ...] = ()
    entries: tuple[Entry, ...] = ()

    @property
    def complete(self) -> bool:
        """Return whether nobody stopped the replay before its end."""
        return all(side.result.complete for side in self.sides)


@dataclass(slots=True)
class Wanted:
    """What somebody asked to see: a stretch of time (None: all), vessels (none: those that alarmed)."""

    start_ms: int | None = None
    stop_ms: int | None = None
    vessels: Sequence[str] = field(default_factory=tuple)


def traces_for(recording: Recording, wanted: Wanted, count: int) -> list[Trace]:
    """Return one empty trace for each of the settings to be compared.

    SourceError where somebody asked for a vessel or a time that the recording has not.
    """
    has = {vessel or RACK_WIDE for *_, vessel in recording.sources.values()}
    if lost := sorted({*wanted.vessels} - has):
        known = ", ".join(sorted(has))
        raise SourceError(f"--vessel {', '.join(lost)}: not in {recording.name}; expected of {known}")
    start_ms = recording.start_ms if wanted.start_ms is None else wanted.start_ms
    stop_ms = recording.end_ms if wanted.stop_ms is None else wanted.stop_ms
    if start_ms > recording.end_ms or stop_ms < recording.start_ms:
        span = f"{iso_time(recording.start_ms)} to {iso_time(recording.end_ms)}"
        raise SourceError(f"--from, --to: nothing in that time; {recording.name} is from {span}")
    return [Trace(start_ms, max(stop_ms, start_ms + 1)) for _ in range(count)]


def report_of(
    recording: Recording,
    zone: tzinfo,
    sides: Sequence[tuple[str, Replayed, Trace]],
    marks: Sequence[Mark],
    vessels: Sequence[str],
) -> Report:
    """Put a report together from what replays gave; alarms outside the traces' time are left out."""
    start_ms, stop_ms = sides[0][2].start_ms, sides[0][2].stop_ms
    made = [
        Side(name, result, trace, tuple(_within(episodes_of(result.events), start_ms, stop_ms)))
        for name, result, trace in sides
    ]
    changes = compare(made[0].episodes, made[1].episodes, made[0].result.until_ms) if len(made) > 1 else []
    alarmed = [episode.first.channel for side in made for episode in side.episodes]
    return Report(
        source=recording.name,
        zone=zone,
        start_ms=start_ms,
        stop_ms=stop_ms,
        sides=tuple(made),
        channels=tuple(worth_drawing([side.trace for side in made], alarmed, vessels)),
        marks=tuple(m for m in marks if m.incident.start_ms < stop_ms and m.incident.end_ms > start_ms),
        changes=tuple(changes),
        notes=tuple(notes_on(made[0].result, recording)),
        entries=recording.entries,
    )


def replayed_report(
    recording: Recording, settings: Sequence[tuple[str, Settings]], marks: Sequence[Mark], zone: tzinfo
) -> Report:
    """Replay a recording under each of the settings, nobody responding, and put the report together."""
    traces = traces_for(recording, Wanted(), len(settings))
    plans = plans_of([each for _, each in settings], recording)
    results = replay(recording, plans, responses=False, observers=[trace.observe for trace in traces])
    names = [name for name, _ in settings]
    return report_of(recording, zone, list(zip(names, results, traces, strict=True)), marks, ())


def _within(episodes: Sequence[Episode], start_ms: int, stop_ms: int) -> list[Episode]:
    return [each for each in episodes if each.start_ms < stop_ms and each.until(stop_ms) >= start_ms]
