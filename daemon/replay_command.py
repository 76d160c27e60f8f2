"""`bellwatch replay`: flags and alarms as they were, as they would have been, and what differs."""

import argparse
import json
from collections.abc import Iterable
from datetime import datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from daemon.errors import SourceError
from daemon.rack_plan import rack_plan
from daemon.rack_settings import Settings
from daemon.replay import Replayed, replay
from daemon.replay_flags import FlagFile
from daemon.replay_progress import INTERRUPTED, progress_bar, stoppable
from daemon.settings import load_settings
from daemon.sources import Recording
from daemon.sources_journal import recorded_events
from daemon.sources_options import add_source_arguments, open_recording
from daemon.status import STYLES
from daemon.wording import SHAPES, event_text
from rules.episodes import Change, Episode, compare, episodes_of
from rules.flags import Flag
from rules.plan import RackPlan
from rules.readings import AlarmEvent
from rules.scoring import is_page


def add_replay_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the sub-command to the command line."""
    parser = commands.add_parser("replay", help="what the alarms were, or would have been")
    add_source_arguments(parser)
    parser.add_argument("--settings", type=Path, help="judge by these (default: as it was at the time)")
    parser.add_argument("--against", type=Path, help="and show what differs under these")
    parser.add_argument(
        "--without-responses", action="store_true", help="leave out what people acknowledged or shelved then"
    )
    parser.add_argument("--events", type=Path, help="write the alarm events here, one JSON object a line")
    parser.add_argument("--flags", type=Path, help="write every flag worse than pass here, as CSV")
    parser.set_defaults(command=replay_command)


def replay_command(options: argparse.Namespace) -> int:
    """Replay and print; return 0, or 130 where Ctrl-C left a partial result, 1 where the past differs."""
    console = Console()
    files = [path for path in (options.settings, options.against) if path is not None]
    if options.against is not None and options.settings is None:
        raise SourceError("--against needs --settings: the two settings files that are to be compared")
    settings = [load_settings(path) for path in files]
    recording = open_recording(options, settings[0] if settings else None)
    with FlagFile(options.flags) as flags:
        results = run_replay(recording, settings, not options.without_responses, console, flags)
    zone = zone_of(settings)
    _print_result(results[0], recording, zone, console)
    if options.events is not None:
        write_events(options.events, results[0].events)
    if len(results) > 1:
        _print_changes(results[0], results[1], zone, console)
    if not results[0].complete:
        return INTERRUPTED
    return _compare_with_the_past(results[0], recording, console) if not settings else 0


def plans_of(settings: Iterable[Settings], recording: Recording) -> list[RackPlan | None]:
    """Return the plan of each settings file; that of the time, None, where there is no file."""
    number = recording.numbering()
    return [rack_plan(each, number) for each in settings] or [None]


def zone_of(settings: list[Settings]) -> tzinfo:
    """Return the time zone in which to write times."""
    return ZoneInfo(settings[0].rack.time_zone if settings else "UTC")


def run_replay(
    recording: Recording,
    settings: list[Settings],
    responses: bool,
    console: Console,
    flags: FlagFile | None = None,
) -> list[Replayed]:
    """Replay with a progress bar; Ctrl-C ends it with what there is by then."""
    plans = plans_of(settings, recording)
    observers = [flags.observe if flags else None, *[None] * (len(plans) - 1)]
    with stoppable() as stop, progress_bar(console, "readings") as bar:
        task = bar.add_task("Replay", total=recording.readings)
        return replay(
            recording,
            plans,
            responses=responses,
            stopped=stop,
            observers=observers,
            progress=lambda readings: bar.update(task, completed=readings),
        )


def write_events(path: Path, events: Iterable[AlarmEvent]) -> None:
    """Write events as the journal keeps them, one JSON object a line."""
    lines = "".join(event_line(event) + "\n" for event in events)
    try:
        path.write_text(lines, encoding="utf-8")
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; expected a file that can be written") from error


def event_line(event: AlarmEvent) -> str:
    """Return an event as the journal keeps it."""
    return json.dumps(event.to_json())


def moment(at_ms: int, zone: tzinfo) -> str:
    """Write a time for a list: date, hours, minutes and seconds where the rack stands."""
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%d %H:%M:%S}"


def _print_result(result: Replayed, recording: Recording, zone: tzinfo, console: Console) -> None:
    for event in result.events:
        text = f"{moment(event.at_ms, zone)}  {SHAPES[event.priority]} {event.trigger:12} "
        text += event_text(event, zone)
        console.print(Text(text, style=STYLES[event.priority]), soft_wrap=True)
    console.print(_flag_table(result))
    span = f"{moment(result.start_ms, zone)} to {moment(result.until_ms, zone)}"
    pages = sum(map(is_page, result.events))
    console.print(
        f"{result.readings} readings, {span}: {len(episodes_of(result.events))} alarms, {pages} pages.",
        highlight=False,
    )
    for line in notes_on(result, recording):
        console.print(line, highlight=False, soft_wrap=True)
    if not result.complete:
        console.print(Text(f"PARTIAL: stopped at {moment(result.until_ms, zone)}", style="bold yellow"))


def notes_on(result: Replayed, recording: Recording) -> list[str]:
    """Say what of a recording could not be judged or done again."""
    notes = [
        f"{count} readings of {' '.join(recording.sources[source])} passed over: not in the settings"
        for source, count in sorted(result.passed_over.items())
    ]
    notes += [f"{count} readings refused: {why}" for why, count in recording.rejected.items()]
    if result.refused:
        notes.append(
            f"{len(result.refused)} actions of the time had nothing to act on; first: {result.refused[0]}"
        )
    return notes


def _flag_table(result: Replayed) -> Table:
    table = Table("Channel", *(Column(flag.name.lower().replace("_", " "), justify="right") for flag in Flag))
    for channel, counts in sorted(result.flags.items()):
        table.add_row(channel, *(str(counts[flag]) for flag in Flag))
    return table


def _print_changes(before: Replayed, after: Replayed, zone: tzinfo, console: Console) -> None:
    changes = compare(episodes_of(before.events), episodes_of(after.events), before.until_ms)
    for change in changes:
        console.print(change_text(change, zone), soft_wrap=True, highlight=False)
    counts = [sum(change.what == what for change in changes) for what in ("appears", "vanishes", "moves")]
    console.print(
        f"Under the other settings {counts[0]} alarms appear, {counts[1]} vanish, {counts[2]} move; "
        f"pages {sum(map(is_page, before.events))} -> {sum(map(is_page, after.events))}.",
        highlight=False,
    )


def change_text(change: Change, zone: tzinfo) -> str:
    """Write what becomes of an alarm under the other settings."""
    name = (change.before or change.after).alarm  # type: ignore[union-attr]  # never both None
    said = " -> ".join(_extent(episode, zone) for episode in (change.before, change.after) if episode)
    return f"{change.what:9} {name}: {said}"


def _extent(episode: Episode, zone: tzinfo) -> str:
    end = "still standing" if episode.end_ms is None else moment(episode.end_ms, zone)
    return f"{moment(episode.start_ms, zone)} to {end} ({episode.priority.word})"


def _compare_with_the_past(result: Replayed, recording: Recording, console: Console) -> int:
    """Say whether a replay under the plans of the time gave the very events of the time."""
    lived = recorded_events(Path(recording.name))
    again = [event_line(event) for event in result.events]
    if lived == again:
        console.print(f"As it was: all {len(lived)} events are those of the time, byte for byte.")
        return 0
    place = next((k for k, pair in enumerate(zip(lived, again, strict=False)) if pair[0] != pair[1]), None)
    first = min(len(lived), len(again)) if place is None else place
    console.print(
        f"NOT as it was: {len(lived)} events of the time, {len(again)} now; the first that differs is "
        f"number {first + 1}. The rules have changed since, or the journal has lost its oldest readings.",
        soft_wrap=True,
    )
    return 1
