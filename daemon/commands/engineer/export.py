"""`bellwatch export`: readings out of a journal, as CSV or Parquet, with their units and flags."""

import argparse
from contextlib import AbstractContextManager, closing
from datetime import UTC
from pathlib import Path

from daemon.commands.engineer.progress import shown
from daemon.commands.options import add_journal, journal_path, needing
from daemon.errors import SourceError
from daemon.export.csv import RowWriter, csv_writer
from daemon.export.logbook import write_logbook
from daemon.export.rows import COLUMNS, Selection, bounds, rows, selected_sources
from daemon.journal.inputs import CONFIGURE
from daemon.journal.journal import Journal
from daemon.tables.values import utc_ms

_SHOWN_EVERY = 5_000


def export_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `export`."""
    parser.add_argument("file", type=Path, help="file to write: .csv, or .parquet (needs bellwatch[parquet])")
    add_journal(parser)
    parser.add_argument("--from", dest="since", help="first moment, ISO 8601; UTC if it has no offset")
    parser.add_argument("--to", help="moment to stop before, ISO 8601; UTC if it has no offset")
    parser.add_argument("--vessel", action="append", default=[], help="only this vessel; may be repeated")
    parser.add_argument("--flags", action="store_true", help="write quality flags beside the values")
    parser.add_argument("--logbook", action="store_true", help="write the logbook (CSV) in place of readings")
    parser.set_defaults(command=_export)


def _export(options: argparse.Namespace) -> int:
    path = options.journal or journal_path(options.settings)
    selection = Selection(_moment(options.since), _moment(options.to), options.vessel)
    with closing(Journal(path, writable=False)) as journal:
        if options.logbook:
            between_ms = (selection.from_ms or 0, selection.to_ms or 2**62)
            count = write_logbook(journal, options.vessel, between_ms, options.file)
            print(f"{options.file}: {count} entries")
            return 0
        count = export(journal, selection, options.file, flags=options.flags)
    print(f"{options.file}: {count} readings")
    return 0


def export(journal: Journal, selection: Selection, target: Path, *, flags: bool) -> int:
    """Write what is selected to `target` (whole or not at all); return the number of readings.

    Raises SourceError where nothing is selected.
    """
    sources = selected_sources(journal, selection)
    if not sources:
        known = ", ".join(sorted({vessel for *_, vessel in journal.inputs.sources().values()})) or "none yet"
        raise SourceError(f"no readings of vessel {', '.join(selection.vessels)}; the journal has: {known}")
    measured = {quantity for _, quantity, _ in sources.values()}
    quantities = [quantity for quantity in COLUMNS if quantity in measured]
    part = target.with_name(target.name + ".part")
    dating, count = journal.state.dating(), 0
    after, upto = bounds(journal, selection, dating)
    try:
        with (
            journal.standing_still(),
            _writer(target, part, _rack(journal), quantities, flags=flags) as write,
            shown("export", max(upto - after, 1)) as show,
        ):
            for number, (seq, row) in enumerate(rows(journal, selection, dating)):
                write(row)
                count += len(row.values)
                if number % _SHOWN_EVERY == 0:
                    show(seq - after)
            show(upto - after)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return count


def _writer(
    target: Path, part: Path, rack: str, quantities: list[str], *, flags: bool
) -> AbstractContextManager[RowWriter]:
    if target.suffix == ".csv":
        return csv_writer(part, rack, quantities, flags=flags)
    if target.suffix != ".parquet":
        raise SourceError(f"{target}: write to a file that ends in .csv or .parquet")
    with needing("parquet", "Parquet"):
        from daemon.export.parquet import parquet_writer  # noqa: PLC0415
    return parquet_writer(part, rack, quantities, flags=flags)


def _rack(journal: Journal) -> str:
    plan = journal.inputs.newest_action(CONFIGURE)
    return str(plan.body["rack"]) if plan else ""


def _moment(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        return utc_ms(text, UTC)
    except ValueError:
        raise SourceError(f"{text!r} is no time; expected ISO 8601, such as 2026-08-14T12:00") from None
