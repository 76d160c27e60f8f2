"""`bellwatch export`: the record that travels, as a folder of CSV or Parquet, or as one NetCDF file."""

import argparse
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daemon.commands.engineer.making import made_whole
from daemon.commands.engineer.progress import shown
from daemon.commands.options import add_journal, journal_path, needing
from daemon.errors import SourceError
from daemon.export.logbook import write_logbook
from daemon.journal.journal import Journal, reading
from daemon.journal.schema import readable
from daemon.sources.as_written import refuse_damaged
from daemon.tables.values import utc_ms
from daemon.words import iso_time

if TYPE_CHECKING:  # slow to load
    from daemon.record.package import Write


def export_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `export`."""
    add = parser.add_argument
    add("target", type=Path, help="a folder to make, or a file that ends in .nc (needs bellwatch[record])")
    add_journal(parser)
    add("--form", choices=["csv", "parquet"], default="csv", help="of a folder (default: %(default)s)")
    add("--from", dest="since", help="first moment of readings (or entries), ISO 8601; UTC without an offset")
    add("--to", help="moment to stop before, ISO 8601; UTC if it has no offset")
    add("--vessel", action="append", default=[], help="only readings (or entries) of it; may be repeated")
    add("--logbook", action="store_true", help="write the logbook alone, into a CSV file")
    parser.set_defaults(command=_export)


def _export(options: argparse.Namespace) -> int:
    path = options.journal or journal_path(options.settings)
    between_ms = _moment(options.since) or -(2**63), _moment(options.to) or 2**63 - 1
    if between_ms[0] >= between_ms[1]:
        raise SourceError(f"--from {options.since}: must be before --to {options.to}")
    with reading(path) as journal:
        if options.logbook:
            with _made_anew(options.target) as part, readable(path):
                _refuse_unknown(journal, options.vessel)
                count = write_logbook(journal, options.vessel, between_ms, part)
                if not count:
                    _refuse_beyond(journal, between_ms)
            print(f"{options.target}: {count} entries")
            return 0
        count, notes = export(journal, options.target, options.form, between_ms, options.vessel)
    print("\n".join([f"{options.target}: {count} readings", *notes]))
    return 0


def export(
    journal: Journal,
    target: Path,
    form: str = "csv",
    between_ms: tuple[int, int] = (-(2**63), 2**63 - 1),
    vessels: list[str] | None = None,
) -> tuple[int, list[str]]:
    """Write a record (whole or not at all); return the number of readings, and what is not in it, in lines.

    Raises SourceError where nothing is selected, something is there already, or the name is of another form.
    """
    if (ending := target.suffix) != ".nc" and ending.lower() in (".nc", ".csv", ".parquet"):
        raise SourceError(f"{target}: a record is a folder, without {ending}, or a file that ends in .nc")
    with needing("record", "a record"):
        from daemon.record.from_journal import JournalTables, Part  # noqa: PLC0415
    _refuse_unknown(journal, vessels or ())
    count, span = 0, journal.inputs.span() or (0, 1)
    with (
        _made_anew(target) as part,
        readable(journal.path),
        journal.standing_still(),
        shown("export", span[1]) as show,
    ):
        tables = JournalTables(journal, Part(*between_ms, tuple(vessels or ())))
        if wrong := journal.finding():
            refuse_damaged(journal.path, wrong)
            tables.notes.append(wrong)
        with _writer(part, target.suffix == ".nc", form, tables.about(), tables.runs_back) as write:
            for name, rows in tables.all():
                write(name, rows)
                count += rows.num_rows * (name == "reading")
                show(count)
        if not count:
            _refuse_beyond(journal, between_ms)
    return count, tables.notes


def _refuse_unknown(journal: Journal, vessels: Sequence[str]) -> None:
    known = {vessel for *_, vessel in journal.inputs.sources().values()}
    if lost := sorted({*vessels} - known):
        has = ", ".join(sorted(known)) or "none yet"
        raise SourceError(f"no readings of vessel {', '.join(lost)}; the journal has: {has}")


def _refuse_beyond(journal: Journal, between_ms: tuple[int, int]) -> None:
    """Raise SourceError where a time in which nothing was found is none of the journal's."""
    if (span := journal.inputs.span()) is None:
        return
    dating = journal.state.dating()
    first_ms, last_ms = (dating.utc_ms(row[1]) for seq in span for row in journal.inputs.rows(seq - 1, seq))
    if between_ms[1] <= first_ms or between_ms[0] > last_ms:
        has = f"from {iso_time(first_ms)} to {iso_time(last_ms)}"
        raise SourceError(f"--from, --to: nothing in that time; the journal's readings are {has}")


@contextmanager
def _made_anew(target: Path) -> Iterator[Path]:
    """Give a path to write at; SourceError where something is there already, such as the journal itself."""
    with made_whole(target) as part:
        if target.exists():
            raise SourceError(f"{target}: is there already; an export makes a new one")
        yield part


def _writer(
    part: Path, is_netcdf: bool, form: str, about: Mapping[str, Any], runs_back: bool
) -> "AbstractContextManager[Write]":
    if not is_netcdf:
        from daemon.record.package import folder_writer  # noqa: PLC0415

        return folder_writer(part, form, about)
    with needing("record", "NetCDF"):
        from daemon.record.netcdf import netcdf_writer  # noqa: PLC0415
    return netcdf_writer(part, about, runs_back=runs_back)


def _moment(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        return utc_ms(text, UTC)
    except ValueError:
        raise SourceError(f"{text!r} is no time; expected ISO 8601, such as 2026-08-14T12:00") from None
