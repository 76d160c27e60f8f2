"""`bellwatch incidents`: mark stretches of the record, and say for which a call was wanted."""

import argparse
from datetime import tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console

from daemon.check.load import load_settings
from daemon.commands.engineer.replay import run_replay, zone_of
from daemon.commands.engineer.source_options import add_source_arguments, open_recording
from daemon.errors import SourceError
from daemon.replay.words import moment
from daemon.sources.recording import one_by_one
from daemon.sources.store import Watched
from daemon.tune.excursions import Excursions
from daemon.tune.incidents import (
    ABOUT,
    ACCEPTED,
    COLUMNS,
    Mark,
    accepted,
    added,
    beside,
    incident_of,
    read_marks,
    write_marks,
)
from daemon.tune.proposed import from_actions, from_alarms, from_excursions, from_unwatched
from rules.alarms.episodes import episodes_of
from rules.rack.plan import RACK_WIDE
from rules.readings import Action

_WANTED = {True: "call wanted", False: "no call wanted", None: "was a call wanted?"}


def incidents_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `incidents`."""
    add_source_arguments(parser)
    parser.add_argument("--incidents", type=Path, help="the file (default: SOURCE.incidents.csv)")
    parser.add_argument("--settings", type=Path, help="for proposals: the settings to judge by")
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--mark",
        nargs=5,
        metavar=("FROM", "TO", "VESSEL", "WHAT", "YES_OR_NO"),
        help="mark a stretch and say whether a call was wanted",
    )
    what.add_argument("--add", type=Path, metavar="FILE", help="add the marks of another file")
    what.add_argument("--propose", action="store_true", help="propose some from alarms and logbook")
    what.add_argument("--accept", nargs="+", metavar="NUMBER", help="accept proposals by number, or all")
    parser.add_argument(
        "--wanted", choices=["yes", "no"], help="with --accept: whether a call was wanted for these"
    )
    parser.add_argument(
        "--about",
        action="append",
        default=[],
        metavar="NAME=TEXT",
        help=f"with --mark: what else is known, of {', '.join(ABOUT)}",
    )
    what.add_argument("--drop", nargs="+", metavar="NUMBER", help="take marks away by number")
    parser.set_defaults(command=incidents_command)


def incidents_command(options: argparse.Namespace) -> int:
    """Change the marks as asked, and list them; return 0."""
    console = Console(markup=False, emoji=False)
    path = options.incidents or beside(options.source)
    marks = read_marks(path)
    changed = _changed(marks, options, console)
    if changed != marks:
        write_marks(path, changed)
    zone = ZoneInfo(load_settings(options.settings).rack.time_zone if options.settings else "UTC")
    for number, mark in enumerate(changed, 1):
        console.print(_line(number, mark, zone), highlight=False, soft_wrap=True)
    if not changed:
        console.print(f"No incident is marked in {path}.")
    return 0


def _line(number: int, mark: Mark, zone: tzinfo) -> str:
    incident = mark.incident
    wanted = _WANTED[incident.call_wanted]
    span = f"{moment(incident.start_ms, zone)} to {moment(incident.end_ms, zone)}"
    harm = "" if incident.harm_ms is None else f"harm from {moment(incident.harm_ms, zone)}"
    known = (incident.what, incident.cause, incident.severity, harm, incident.evidence, wanted)
    how = f"{mark.state} ({mark.origin})"
    return f"{number:3}  {span}  {incident.vessel}: {'; '.join(filter(None, known))}; {how}"


def _about(texts: list[str]) -> dict[str, str]:
    said = {name: text for name, _, text in (each.partition("=") for each in texts)}
    if wrong := [name for name in said if name not in ABOUT]:
        raise SourceError(f"--about {wrong[0]}: expected NAME=TEXT, the name one of {', '.join(ABOUT)}")
    return said


def _changed(marks: list[Mark], options: argparse.Namespace, console: Console) -> list[Mark]:
    if options.mark is not None:
        said = dict(zip(COLUMNS, options.mark, strict=False)) | _about(options.about)
        mark = Mark(incident_of(said, "--mark"), ACCEPTED, "by hand")
        return added(marks, [accepted(mark, None, "--mark")])
    if options.add is not None:
        if not options.add.exists():
            raise SourceError(f"{options.add}: no such file; expected a CSV of incidents")
        return added(marks, read_marks(options.add))
    if options.propose:
        return added(marks, _proposals(options, console))
    if options.accept is not None:
        chosen = _numbers(options.accept, len(marks))
        wanted = options.wanted and options.wanted == "yes"
        return [
            accepted(mark, wanted, f"number {at} (--wanted yes or no)") if at in chosen else mark
            for at, mark in enumerate(marks, 1)
        ]
    if options.drop is not None:
        dropped = _numbers(options.drop, len(marks))
        return [mark for at, mark in enumerate(marks, 1) if at not in dropped]
    return marks


def _proposals(options: argparse.Namespace, console: Console) -> list[Mark]:
    settings = [load_settings(options.settings)] if options.settings else []
    recording = open_recording(options, settings[0] if settings else None)
    water = Excursions()
    result = run_replay(recording, settings, True, console, [water.observe])[0]
    if not result.complete:
        where = moment(result.until_ms, zone_of(settings))
        console.print(f"PARTIAL: proposals only up to {where}")
    actions, watched = [], Watched()
    for item in one_by_one(recording.inputs()):
        if isinstance(item, Action):
            actions.append(item)
        else:
            watched.add(item)
    vessels = " ".join(sorted({vessel for _, _, vessel in recording.sources.values()} - {RACK_WIDE}))
    return [
        *from_alarms(episodes_of(result.events), result.until_ms, water.found()),
        *from_excursions(water.found(), result.events),
        *from_unwatched(result.events, result.until_ms, watched.stretches, vessels),
        *from_actions(actions, water),
    ]


def _numbers(texts: list[str], count: int) -> set[int]:
    if texts == ["all"]:
        return set(range(1, count + 1))
    numbers = {int(text) for text in texts if text.isdecimal()}
    wrong = [text for text in texts if not text.isdecimal() or not 1 <= int(text) <= count]
    if wrong:
        raise SourceError(f"number {wrong[0]}: expected 1 to {count} of the list, or all")
    return numbers
