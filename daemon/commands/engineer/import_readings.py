"""`bellwatch import`: a finished export, or another logger's CSV, into a new journal to replay.

The readings are written down as they were taken in; nothing is judged here, `bellwatch replay` does that.
"""

import argparse
import sys
from collections.abc import Iterable, Iterator
from contextlib import closing
from functools import cache
from itertools import islice
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from daemon.check.load import load_settings
from daemon.commands.engineer.source_options import add_csv_arguments, csv_layout, export_rows
from daemon.errors import SourceError
from daemon.export.csv import is_export
from daemon.export.rows import Row
from daemon.journal.dating import Dating, Stretch
from daemon.journal.fold import configuring
from daemon.journal.journal import Journal
from daemon.settings.plan import rack_plan
from daemon.settings.rack import Settings
from daemon.sources.csv import csv_recording
from rules.readings import Readings

ROWS_AT_ONCE = 20_000


def import_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `import`."""
    parser.add_argument("file", type=Path, help="an export (.csv, .parquet), or a CSV of another logger")
    parser.add_argument("journal", type=Path, help="the journal to make; it must not be there yet")
    parser.add_argument("--settings", type=Path, help="settings of the rack; needed for another logger's CSV")
    add_csv_arguments(parser)
    parser.set_defaults(command=_import)


def _import(options: argparse.Namespace) -> int:
    settings = None if options.settings is None else load_settings(options.settings)
    if options.journal.exists():
        raise SourceError(f"{options.journal}: is there already; an import makes a new journal")
    part = options.journal.with_name(options.journal.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with closing(Journal(part, writable=True)) as journal:
            count = import_into(journal, options, settings)
            journal.checkpoint()
        part.replace(options.journal)
    finally:
        for suffix in ("", "-wal", "-shm"):
            part.with_name(part.name + suffix).unlink(missing_ok=True)
    print(f"{options.journal}: {count} readings")
    return 0


def import_into(journal: Journal, options: argparse.Namespace, settings: Settings | None) -> int:
    """Write what the file holds into an empty journal; return the number of readings."""
    path: Path = options.file
    try:
        finished = path.suffix == ".parquet" or is_export(path)
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}") from error
    console = Console(stderr=True)
    with Progress(console=console, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task("import", total=None)
        counted = 0
        steps = (
            ExportIntake(journal, settings).take_all(export_rows(path))
            if finished
            else _take_recording(journal, options, settings)
        )
        for count in steps:
            counted += count
            progress.update(task, completed=counted)
    return counted


class ExportIntake:
    """Writes the rows of a finished export down, on an axis of time that never runs back."""

    def __init__(self, journal: Journal, settings: Settings | None) -> None:
        self._journal = journal
        self._settings = settings
        self._dating = Dating()
        self._source = cache(journal.inputs.source_id)
        self._newest_ms = 0

    def take_all(self, rows: Iterable[Row]) -> Iterator[int]:
        """Write everything down, and give the number of readings of each step."""
        rows = iter(rows)
        while part := list(islice(rows, ROWS_AT_ONCE)):
            with self._journal.transaction():
                if not self._newest_ms and self._settings is not None:
                    _begin(self._journal, self._settings, part[0].taken_in_ms)
                yield self._take(part)

    def _take(self, part: list[Row]) -> int:
        readings, flags = [], []
        for row in part:
            at_ms = self._on_axis(row)
            for quantity, value in row.values.items():
                source = self._source(row.probe, quantity, row.vessel)
                readings.append((at_ms, source, at_ms - (row.taken_in_ms - row.time_ms), value + 0.0))
                flags.append((row, quantity))
        numbered = self._journal.inputs.number(readings)
        self._journal.inputs.write(numbered)
        self._journal.history.keep_flags(
            (numbers[0], f"{row.vessel}/{quantity}/{row.probe}", row.flags[quantity], 0)
            for numbers, (row, quantity) in zip(numbered, flags, strict=True)
            if quantity in row.flags
        )
        return len(numbered)

    def _on_axis(self, row: Row) -> int:
        """Return when a row was taken in by the axis; where UTC ran back, a new stretch begins."""
        newest = self._dating.newest
        at_ms = row.taken_in_ms - newest.ahead_ms
        if at_ms < self._newest_ms or newest.synchronised != row.known:
            at_ms = max(at_ms, self._newest_ms + 1) if self._newest_ms else at_ms
            stretch = Stretch(at_ms, row.taken_in_ms - at_ms, row.known)
            self._dating = self._dating.with_stretch(stretch)
            self._journal.state.keep_stretch(stretch)
        self._newest_ms = at_ms
        return at_ms


def _begin(journal: Journal, settings: Settings, at_ms: int) -> None:
    journal.inputs.append_action(configuring(rack_plan(settings, journal.inputs.source_id), at_ms))


def _take_recording(
    journal: Journal, options: argparse.Namespace, settings: Settings | None
) -> Iterator[int]:
    """Write another logger's CSV down, as `bellwatch replay` would read it."""
    if settings is None:
        raise SourceError(
            f"{options.file}: not a finished export; for another logger's CSV name --settings and --column"
        )
    recording = csv_recording(options.file, csv_layout(options), settings)
    with journal.transaction():
        _begin(journal, settings, recording.start_ms)
        numbers = {key: journal.inputs.source_id(*names) for key, names in recording.sources.items()}
    for block in recording.inputs():
        if not isinstance(block, Readings):
            continue
        columns = (block.at_ms, block.source, block.time_ms, block.value + 0.0)
        values = zip(*(column.tolist() for column in columns), strict=True)
        while part := list(islice(values, ROWS_AT_ONCE)):
            with journal.transaction():
                journal.inputs.append_readings(
                    (at, numbers[source], time, value) for at, source, time, value in part
                )
            yield len(part)
