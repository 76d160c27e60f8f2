"""`bellwatch tune`: try settings over the whole record, show what each costs, recommend with a reason."""

import argparse
import sys
import tempfile
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Column, Table

from daemon.errors import TuneError
from daemon.incidents import accepted_incidents, beside, read_marks
from daemon.replay_progress import INTERRUPTED, progress_bar, stoppable
from daemon.settings import load_settings
from daemon.settings_file import read_values
from daemon.sources_options import add_source_arguments, open_recording
from daemon.sources_store import stored
from daemon.tune_search import PRESENT, Search, choice_of
from daemon.tune_space import Choice, Space, space_of
from daemon.tune_words import reasons, trial_cells, trial_columns
from rules.trade_off import Recommendation, front, recommend

MINUTE_MS = 60_000


def add_tune_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the sub-command to the command line."""
    parser = commands.add_parser("tune", help="choose limits and delays by what they would have done")
    add_source_arguments(parser)
    parser.add_argument("--settings", type=Path, required=True, help="the settings file to tune")
    parser.add_argument("--incidents", type=Path, help="marked incidents (default: SOURCE.incidents.csv)")
    parser.add_argument(
        "--try",
        dest="tries",
        action="append",
        default=[],
        metavar="PATH=VALUES",
        help="values to try, such as stages.ephyra.temperature.on_delay_s=60,120,300 or FROM:TO:STEP",
    )
    parser.add_argument(
        "--around",
        action="append",
        default=[],
        metavar="STAGE.QUANTITY",
        help="try delays, deadband, rates and windows of these at half, once and twice their value",
    )
    parser.add_argument(
        "--budget", type=int, default=200, help="choices to try at most (default: %(default)s)"
    )
    parser.add_argument(
        "--page-within",
        type=float,
        default=30.0,
        metavar="MINUTES",
        help="a later page counts as missed when choosing (default: %(default)s)",
    )
    parser.add_argument("--write", action="store_true", help="show the change to the settings file, and ask")
    parser.add_argument("--yes", action="store_true", help="with --write: do not ask")
    parser.set_defaults(command=tune_command)


def tune_command(options: argparse.Namespace) -> int:
    """Search, show and recommend; return 0, 1 where nothing can be recommended, 130 where stopped."""
    console = Console()
    search, found, whole = run_tune(options, console)
    show(search, found, console)
    if not whole:
        console.print(f"PARTIAL: stopped after {len(search.trials)} trials; nothing is written.")
        return INTERRUPTED
    if found.refusal:
        console.print(f"No recommendation: {found.refusal}.", soft_wrap=True, highlight=False)
        return 1
    for line in reasons(found, options.page_within):
        console.print(line, soft_wrap=True, highlight=False)
    if options.write:
        _write(options.settings, choice_of(found.trial), options.yes, console)
    return 0


def run_tune(options: argparse.Namespace, console: Console) -> tuple[Search, Recommendation, bool]:
    """Load the record once, try the choices in all processes; return also whether nobody stopped it."""
    settings = load_settings(options.settings)
    space = space_of(options.tries, options.around, settings)
    if options.budget < 1:
        raise TuneError(f"--budget {options.budget}: expected 1 or more")
    marks = read_marks(options.incidents or beside(options.source))
    recording = open_recording(options, settings)
    zone = ZoneInfo(settings.rack.time_zone)
    with (
        tempfile.TemporaryDirectory(prefix="bellwatch-tune-") as folder,
        stoppable() as stop,
        progress_bar(console, "trials") as bar,
    ):
        task = bar.add_task("Load", total=None)
        store = stored(recording, Path(folder))
        bar.update(task, description="Try", total=min(space.size, options.budget) + 1)
        search = Search(store, read_values(options.settings), accepted_incidents(marks), zone)
        whole = search.run(
            space,
            options.budget,
            stopped=stop,
            progress=lambda done: bar.update(task, completed=done),
        )
    _refuse_unfit(search, space)
    return (
        search,
        recommend(search.ranked(), search.trials[PRESENT], round(options.page_within * MINUTE_MS)),
        whole,
    )


def _refuse_unfit(search: Search, space: Space) -> None:
    if search.unfit and len(search.trials) <= 1:
        raise TuneError(
            f"not one of the settings would pass `bellwatch check`: {next(iter(search.unfit.values()))}"
        )
    if PRESENT not in search.trials:
        raise TuneError(f"stopped before a single one of {space.size} choices was tried")


def show(search: Search, found: Recommendation, console: Console) -> None:
    """Print the trade-off front, the present settings and what could not be tried."""
    columns = [Column(name, justify="right") for name in trial_columns()]
    table = Table(*columns, Column("settings", overflow="fold"))
    rows = front(search.ranked())
    rows += [trial for trial in (found.present, found.trial) if trial not in rows]
    for trial in rows:
        mark = "* " if trial is found.trial and not found.refusal else ""
        table.add_row(*trial_cells(trial.score), mark + choice_text(choice_of(trial)))
    console.print(table)
    console.print(
        f"{len(search.trials)} settings tried on {search.store.readings} readings.", highlight=False
    )
    if search.unfit:
        first = next(iter(search.unfit.values()))
        console.print(f"{len(search.unfit)} left out, since they would not pass: {first}", soft_wrap=True)


def choice_text(choice: Choice) -> str:
    """Write a choice for a table."""
    if not choice:
        return "as they are"
    return ", ".join(f"{path.removeprefix('stages.')} = {value:g}" for path, value in choice)


def _write(path: Path, choice: Choice, unasked: bool, console: Console) -> None:
    try:  # an extra: only for writing
        from daemon.tune_write import changed_text, difference, write_settings  # noqa: PLC0415
    except ImportError:
        raise TuneError("changing a settings file needs tomlkit: install bellwatch[tuning]") from None
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
