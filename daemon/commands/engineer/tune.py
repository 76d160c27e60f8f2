"""`bellwatch tune`: try settings over the whole record, show what each costs, recommend with a reason."""

import argparse
import sys
import tempfile
from collections import deque
from concurrent.futures import Executor
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Column, Table

from daemon.check.load import load_settings
from daemon.commands.engineer.progress import INTERRUPTED, progress_bar, stoppable
from daemon.commands.engineer.report_options import add_report_arguments, marks_of, write_reports
from daemon.commands.engineer.source_options import add_source_arguments, open_recording, taken_in
from daemon.commands.options import a_number, needing
from daemon.errors import TuneError
from daemon.report.provenance import of_recording, of_settings, version
from daemon.report.report import Report, replayed_report
from daemon.settings.file import read_values
from daemon.settings.rack import Settings
from daemon.sources.store import stored
from daemon.tune.cluster import cluster
from daemon.tune.incidents import accepted_incidents
from daemon.tune.search import PRESENT, Search, choice_of
from daemon.tune.space import Choice, Space, guarded, settings_with, space_around, space_of
from daemon.tune.words import MINUTE_MS, by_cause, choice_text, reasons, trial_cells, trial_columns
from daemon.workers import processes
from rules.tuning.scoring import Timely
from rules.tuning.trade_off import Recommendation, front

_BEFORE_HARM = "a call so short before harm, or later, counts as missed (default: %(default)s)"

_CLUSTER = (
    "try on the workers of the dask.distributed scheduler at this address, such as tcp://desk:8786; they must"
    " see the folder of the settings file under the same path"
)


def tune_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `tune`."""
    add = parser.add_argument
    add_source_arguments(parser)
    add("--settings", type=Path, required=True, help="the settings file to tune")
    add("--incidents", type=Path, help="marked incidents (default: SOURCE.incidents.csv)")
    add(
        "--try",
        dest="tries",
        action="append",
        default=[],
        metavar="PATH=VALUES",
        help="values to try, such as stages.ephyra.temperature.on_delay_s=60,120,300 or FROM:TO:STEP",
    )
    add(
        "--around",
        action="append",
        default=[],
        metavar="STAGE.QUANTITY",
        help="try delays, deadband, rates and windows of these at a quarter to eight times their value"
        " (without --try and --around: of what offends most)",
    )
    add("--budget", type=int, default=200, help="choices to try at most (default: %(default)s)")
    add(
        "--call-within",
        "--page-within",
        type=a_number,
        default=30.0,
        metavar="MINUTES",
        help="a later call counts as missed where no moment of harm is known (default: %(default)s)",
    )
    add("--before-harm", type=a_number, default=15.0, metavar="MINUTES", help=_BEFORE_HARM)
    add("--cluster", metavar="ADDRESS", help=_CLUSTER)
    add("--write", action="store_true", help="show the change to the settings file, and ask")
    add("--yes", action="store_true", help="with --write: do not ask")
    add_report_arguments(parser)
    parser.set_defaults(command=tune_command)


def tune_command(options: argparse.Namespace) -> int:
    """Search, show and recommend; return 0, 1 where nothing can be recommended, 130 where stopped."""
    with taken_in(options) as taken:
        return _tune(taken)


def _tune(options: argparse.Namespace) -> int:
    console = Console(markup=False, emoji=False)
    settings = load_settings(options.settings)
    space_of(options.tries, options.around, settings, {})  # refused before a long record is loaded
    if options.budget < 1:
        raise TuneError(f"--budget {options.budget}: expected 1 or more")
    beside = options.settings.resolve().parent if options.cluster else None
    with tempfile.TemporaryDirectory(prefix="bellwatch-tune-", dir=beside) as folder:
        with _pool(options.cluster) as pool:
            search, space, whole = _searched(options, settings, Path(folder), console, pool)
        found = _found(search, space, whole)
        show(search, found, console)
        lines = [*by_cause(found.present), *reasons(found, search, space)]
        if options.report is not None or options.png is not None:
            report = replace(_report(options, settings, search, found), reasons=tuple(lines))
            for path in write_reports(options, report):
                console.print(f"Report: {path}", soft_wrap=True, highlight=False)
    if space.unproven:
        lines.append("Not tried, since no incidents show that it may be weaker: " + "; ".join(space.unproven))
    for line in lines:
        console.print(line, soft_wrap=True, highlight=False)
    if found.refusal:
        return 1 if whole else INTERRUPTED
    if options.write:
        _write(options.settings, choice_of(found.trial), options.yes, console)
    return 0


def _pool(address: str | None) -> AbstractContextManager[Executor]:
    """Return where the trials run: on a cluster where its address is given, else in processes here."""
    if address is None:
        return processes()
    with needing("cluster", "a cluster"):
        return cluster(address)


def _searched(
    options: argparse.Namespace, settings: Settings, folder: Path, console: Console, pool: Executor
) -> tuple[Search, Space, bool]:
    """Load the record once and try the choices where the trials run; say whether nobody stopped it."""
    marks = marks_of(options)
    recording = open_recording(options, settings)
    with stoppable() as stop, progress_bar(console, "trials") as bar:
        task = bar.add_task("Load", total=None)
        store = stored(recording, folder)
        timely = Timely(round(options.call_within * MINUTE_MS), round(options.before_harm * MINUTE_MS))
        file, zone = read_values(options.settings), ZoneInfo(settings.rack.time_zone)
        search = Search(store, file, accepted_incidents(marks), zone, timely)
        space = _space(options, settings, search, pool)
        bar.update(task, description="Try", total=min(space.size, options.budget) + 1)
        whole = search.run(
            space, options.budget, pool, stopped=stop, progress=lambda done: bar.update(task, completed=done)
        )
    return search, space, whole


def _space(options: argparse.Namespace, settings: Settings, search: Search, pool: Executor) -> Space:
    """Return what was asked to be tried; where nothing was, what can be done about the worst offenders."""
    file = search.tables
    space = space_of(options.tries, options.around, settings, file)
    if not options.tries and not options.around:
        search.run(space, 0, pool)
        space = space_around(search.trials[PRESENT].score.worst(search.timely), settings, file)
    return guarded(space, search.incidents, settings)


def _found(search: Search, space: Space, whole: bool) -> Recommendation:
    if PRESENT not in search.trials:
        raise TuneError(f"stopped before a single one of {space.size} choices was tried")
    if search.unfit and len(search.trials) <= 1:
        first = next(iter(search.unfit.values()))
        raise TuneError(f"not one of the settings would pass `bellwatch check`: {first}")
    found = search.recommendation()
    if whole:
        return found
    return replace(found, refusal=f"PARTIAL: somebody stopped it after {len(search.trials)} trials")


def _report(options: argparse.Namespace, settings: Settings, search: Search, found: Recommendation) -> Report:
    sides = [("present", settings)]
    if not found.refusal:
        chosen = settings_with(search.tables, choice_of(found.trial))
        if isinstance(chosen, Settings):
            sides.append(("tuned", chosen))
    recording = search.store.recording()
    report = replayed_report(recording, sides, marks_of(options), ZoneInfo(settings.rack.time_zone))
    marked, record = of_recording(recording)
    deque(marked.inputs(), 0)
    made = f"settings {options.settings.name} {of_settings(options.settings.read_bytes())}"
    report = replace(report, provenance=(version(), made, f"record {record()}"))
    return replace(report, trials=tuple(search.ranked()), found=found)


def show(search: Search, found: Recommendation, console: Console) -> None:
    """Print the trade-off front, the present settings and what could not be tried."""
    table = Table("No.", *(Column(name, justify="right") for name in trial_columns()))
    rows = front(search.ranked())
    rows += [trial for trial in (found.present, found.trial) if trial not in rows]
    lines = []
    for place, trial in enumerate(rows, 1):
        mark = f"{place}{'*' if trial is found.trial and not found.refusal else ''}"
        table.add_row(mark, *trial_cells(trial.score))
        lines.append(f"{mark:>4}  {choice_text(choice_of(trial))}")
    lines.append(f"{len(search.trials)} settings tried on {search.store.readings} readings.")
    if search.unfit:
        first = next(iter(search.unfit.values()))
        lines.append(f"{len(search.unfit)} left out, since they would not pass: {first}")
    console.print(table)
    for line in lines:
        console.print(line, soft_wrap=True, highlight=False)


def _write(path: Path, choice: Choice, unasked: bool, console: Console) -> None:
    with needing("tuning", "changing a settings file"):
        from daemon.tune.write import changed_text, difference, write_settings  # noqa: PLC0415
    before = path.read_text(encoding="utf-8")
    after = changed_text(before, choice)
    console.print(difference(before, after, str(path)), highlight=False, soft_wrap=True, markup=False)
    if not unasked:
        if not sys.stdin.isatty():
            raise TuneError("nobody can be asked here: add --yes to write the change")
        if console.input("Write this change? [y/N] ").strip().lower() not in ("y", "yes"):
            console.print("Nothing written.")
            return
    write_settings(path, before, after)
    console.print(f"Written to {path}; `bellwatch run` takes it at its next start.", soft_wrap=True)
