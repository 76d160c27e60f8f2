"""`bellwatch replay`: flags and alarms as they were, as they would have been, and what differs."""

import argparse
import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Column, Table
from rich.text import Text

from daemon.check.load import load_settings, settings_of
from daemon.commands.engineer import report_options
from daemon.commands.engineer.progress import INTERRUPTED, progress_bar, stoppable
from daemon.commands.engineer.source_options import add_source_arguments, csv_layout, open_recording, taken_in
from daemon.errors import SourceError
from daemon.journal.history import UNUSABLE
from daemon.replay.flags import FlagFile
from daemon.replay.replay import Observer, Replayed, plans_of, replay
from daemon.replay.words import (
    change_text,
    event_line,
    moment,
    notes_on,
    rules_text,
    unwatched_spans,
    watch_text,
)
from daemon.report.provenance import of_recording, of_settings, version
from daemon.report.report import report_of, traces_for
from daemon.report.trace import Trace
from daemon.settings.rack import Settings
from daemon.sources.bare_series import implied_settings
from daemon.sources.journal import recorded_events
from daemon.sources.recording import Recording
from daemon.words import SHAPES, STYLES, event_text
from rules.alarms.episodes import compare, episodes_of
from rules.alarms.event import AlarmEvent
from rules.alarms.history import says_the_same
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.readings import Outcome
from rules.tuning.scoring import is_call


def replay_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `replay`."""
    add = parser.add_argument
    add_source_arguments(parser)
    add("--settings", type=Path, help="judge by these (default: as it was at the time)")
    add("--stage", help="judge a CSV without settings: this stage lives in each vessel of its columns")
    add("--against", type=Path, help="and show what differs under these")
    add("--without-responses", action="store_true", help="leave out what people acknowledged or shelved then")
    add("--events", type=Path, help="write the alarm events here, one JSON object a line")
    add("--flags", type=Path, help="write every flag worse than pass here, as CSV")
    report_options.add_report_arguments(parser)
    add("--incidents", type=Path, help="marked incidents (default: SOURCE.incidents.csv)")
    add("--from", dest="start", metavar="TIME", help="show from here (ISO 8601 with offset)")
    add("--to", dest="stop", metavar="TIME", help="show up to here")
    add("--vessel", action="append", default=[], help="draw this vessel (default: what alarmed)")
    parser.set_defaults(command=replay_command)


def replay_command(options: argparse.Namespace) -> int:
    """Replay and print; return 0, or 130 where Ctrl-C left a partial result, 1 where the past differs."""
    with taken_in(options) as taken:
        return _replay(taken)


def _replay(options: argparse.Namespace) -> int:
    console = Console(markup=False, emoji=False)
    files = [path for path in (options.settings, options.against) if path is not None]
    if options.against is not None and options.settings is None:
        raise SourceError("--against needs --settings: the two settings files that are to be compared")
    settings = _implied(options) or [load_settings(path) for path in files]
    recording = open_recording(options, settings[0] if settings else None)
    results = _judged(options, recording, settings, console)
    zone = zone_of(settings)
    _print_result(results[0], recording, zone, console)
    if options.events is not None:
        lines = (event_line(event) + "\n" for event in results[0].events)
        report_options.write_file(options.events, "".join(lines).encode())
    if len(results) > 1:
        _print_changes(results[0], results[1], zone, console)
    if not results[0].complete:
        return INTERRUPTED
    return _compare_with_the_past(results[0], recording, console) if not settings else 0


def _implied(options: argparse.Namespace) -> list[Settings]:
    if options.stage is None:
        return []
    if options.settings is not None:
        raise SourceError("--stage is for a CSV without settings; leave it out, or --settings")
    return [settings_of(implied_settings(Path(options.source), csv_layout(options), options.stage))]


def _judged(
    options: argparse.Namespace, recording: Recording, settings: list[Settings], console: Console
) -> list[Replayed]:
    """Replay, and write flags and report on the way where they were asked for."""
    responses = not options.without_responses
    wanted, marks = report_options.wanted_of(options), report_options.marks_of(options)
    drawn = options.report is not None or options.png is not None
    traces = traces_for(recording, wanted, max(1, len(settings))) if drawn else []
    if drawn:
        recording, record = of_recording(recording)
    with FlagFile(options.flags) as flags:
        observers: list[Observer] = [partial(_tell, [flags, *traces[:1]])]
        observers += [trace.observe for trace in traces[1:]]
        results = run_replay(recording, settings, responses, console, observers)
    if drawn:
        files = [path.name for path in (options.settings, options.against) if path is not None]
        names = files or ["as it was" if options.stage is None else f"stage {options.stage}"]
        sides = list(zip(names, results, traces, strict=True))
        report = report_of(recording, zone_of(settings), sides, marks, wanted.vessels)
        report = replace(report, provenance=(version(), *_marks(options), f"record {record()}"))
        for path in report_options.write_reports(options, report):
            console.print(f"Report: {path}", soft_wrap=True, highlight=False)
    return results


def _marks(options: argparse.Namespace) -> list[str]:
    files = [path for path in (options.settings, options.against) if path is not None]
    return [f"settings {path.name} {of_settings(path.read_bytes())}" for path in files]


def _tell(watching: Sequence[FlagFile | Trace], engine: Engine, outcome: Outcome) -> None:
    for each in watching:
        each.observe(engine, outcome)


def zone_of(settings: list[Settings]) -> tzinfo:
    """Return the time zone in which to write times."""
    return ZoneInfo(settings[0].rack.time_zone if settings else "UTC")


def run_replay(
    recording: Recording,
    settings: list[Settings],
    responses: bool,
    console: Console,
    observers: Sequence[Observer] = (),
) -> list[Replayed]:
    """Replay with a progress bar; Ctrl-C ends it with what there is by then."""
    plans = plans_of(settings, recording)
    watching = [*observers, *[None] * (len(plans) - len(observers))]
    with stoppable() as stop, progress_bar(console, "readings") as bar:
        task = bar.add_task("Replay", total=recording.readings)
        return replay(
            recording,
            plans,
            responses=responses,
            stopped=stop,
            observers=watching,
            progress=lambda readings: bar.update(task, completed=readings),
        )


def _print_result(result: Replayed, recording: Recording, zone: tzinfo, console: Console) -> None:
    for event in result.events:
        text = f"{moment(event.at_ms, zone)}  {SHAPES[event.priority]} {event.trigger:12} "
        text += event_text(event, zone)
        console.print(Text(text, style=STYLES[event.priority]), soft_wrap=True)
    console.print(_flag_table(result))
    span = f"{moment(result.start_ms, zone)} to {moment(result.until_ms, zone)}"
    calls = sum(map(is_call, result.events))
    said = f"{result.readings} readings, {span}: {len(episodes_of(result.events))} alarms, {calls} calls."
    seen = [*unwatched_spans(result, zone), watch_text(result)]
    for line in filter(None, [said, *seen, *notes_on(result, recording), rules_text(result, zone)]):
        console.print(line, highlight=False, soft_wrap=True)
    if not result.complete:
        console.print(Text(f"PARTIAL: stopped at {moment(result.until_ms, zone)}", style="bold yellow"))


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
        f"calls {sum(map(is_call, before.events))} -> {sum(map(is_call, after.events))}.",
        highlight=False,
    )


def _compare_with_the_past(result: Replayed, recording: Recording, console: Console) -> int:
    """Say whether a replay under the plans of the time gave the very events of the time."""
    lived = recorded_events(Path(recording.name))
    again = result.events
    same = map(_is_of, lived, again)
    first = next((place for place, is_same in enumerate(same) if not is_same), min(len(lived), len(again)))
    if first == len(lived) == len(again):
        how = "byte for byte" if lived == [*map(event_line, again)] else "in every field that they had"
        console.print(f"As it was: all {len(lived)} events are those of the time, {how}.")
        return 0
    console.print(
        f"NOT as it was: {len(lived)} events of the time, {len(again)} now; the first that differs is "
        f"number {first + 1}. The rules have changed since, or the journal has lost its oldest readings,"
        " or is damaged.",
        soft_wrap=True,
    )
    return 1


def _is_of(lived: str, again: AlarmEvent) -> bool:
    try:
        return says_the_same(json.loads(lived), again)
    except UNUSABLE:  # damaged
        return False
