"""`bellwatch import`: a record, another logger's CSV, or what is left of a damaged journal, into a new one.

The readings are written down as they were taken in; nothing is judged here, `bellwatch replay` does that.
"""

import argparse
from collections.abc import Iterator
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path

from daemon.check.load import load_settings
from daemon.commands.engineer.making import made_whole
from daemon.commands.engineer.progress import shown
from daemon.commands.engineer.source_options import add_csv_arguments, csv_layout, is_journal
from daemon.commands.options import needing
from daemon.errors import DamagedJournalError, SourceError
from daemon.journal.damage import save
from daemon.journal.fold import configuring
from daemon.journal.journal import Journal, reading
from daemon.settings.plan import rack_plan
from daemon.settings.rack import Settings
from daemon.sources.csv import csv_recording
from daemon.tune.incidents import Mark, beside, write_marks
from rules.readings import Readings

ROWS_AT_ONCE = 20_000


def import_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `import`."""
    parser.add_argument(
        "file", type=Path, help="a record (a folder, or .nc), a CSV of another logger, a damaged journal"
    )
    parser.add_argument("journal", type=Path, help="the journal to make; it must not be there yet")
    parser.add_argument("--settings", type=Path, help="settings of the rack; needed for another logger's CSV")
    add_csv_arguments(parser)
    parser.set_defaults(command=_import)


def _import(options: argparse.Namespace) -> int:
    beside_it = beside(str(options.journal))
    with made_whole(options.journal) as part:
        for path in (options.journal, beside_it):
            if path.exists():
                raise SourceError(f"{path}: is there already; an import makes a new journal")
        is_record = options.file.is_dir() or options.file.suffix == ".nc"
        if not is_record and is_journal(options.file):
            count, notes = _saved(options.file, part)
        else:
            count, notes = _taken(options, part, beside_it)
    print("\n".join([f"{options.journal}: {count} readings", *notes]))
    return 0


def _saved(damaged: Path, part: Path) -> tuple[int, list[str]]:
    """Save what can be read of a damaged journal; return how many readings, and rows of what else."""
    with suppress(DamagedJournalError), reading(damaged) as journal:
        if not journal.finding():
            raise SourceError(f"{damaged}: a journal already, which `bellwatch replay` takes as it is")
    saved = save(damaged, part, f"what could be read of {damaged.name}, which is damaged", whole=True)
    if not saved:
        raise SourceError(f"{damaged}: damaged: nothing of it can be read")
    return saved.pop("reading", 0), [f"{count} rows of {table}" for table, count in saved.items()]


def _taken(options: argparse.Namespace, part: Path, beside_it: Path) -> tuple[int, list[str]]:
    """Take a record or a CSV in; return how many readings, and what was left out."""
    settings = None if options.settings is None else load_settings(options.settings)
    marks, notes, count = list[Mark](), list[str](), 0
    with closing(Journal(part, writable=True)) as journal, shown("import") as show:
        for more in _steps(journal, options, settings, marks, notes):
            count += more
            show(count)
        journal.checkpoint()
    if marks:
        write_marks(beside_it, marks)
    return count, notes


def _steps(
    journal: Journal,
    options: argparse.Namespace,
    settings: Settings | None,
    marks: list[Mark],
    notes: list[str],
) -> Iterator[int]:
    """Write what the file holds into an empty journal; give the number of readings of each step."""
    if not (options.file.is_dir() or options.file.suffix == ".nc"):
        return _take_recording(journal, options, settings, notes)
    if settings is not None:
        raise SourceError(f"--settings: the record {options.file} has the plans of its time; leave it out")
    with needing("record", "a record"):
        from daemon.record.into_journal import into_journal  # noqa: PLC0415
    return into_journal(options.file, journal, marks)


def _begin(journal: Journal, settings: Settings, at_ms: int) -> None:
    journal.inputs.append_action(configuring(rack_plan(settings, journal.inputs.source_id), at_ms))


def _take_recording(
    journal: Journal, options: argparse.Namespace, settings: Settings | None, notes: list[str]
) -> Iterator[int]:
    """Write another logger's CSV down, as `bellwatch replay` would read it; note what was left out."""
    if settings is None:
        raise SourceError(f"{options.file}: no record; for another logger's CSV name --settings and --column")
    recording = csv_recording(options.file, csv_layout(options), settings)
    notes += [f"{count} readings left out: {why}" for why, count in recording.rejected.items()]
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
