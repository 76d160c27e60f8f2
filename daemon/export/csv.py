"""A finished export as CSV: comment lines that say what it is, a header with units, one row a moment.

    # bellwatch export 1
    time,taken in,clock,vessel,probe,temperature (°C),temperature flag
    2026-08-14T12:00:00.000Z,2026-08-14T12:00:00.250Z,set,k1,k1-ct,15.25,

Values are written so that reading them gives the same bits (Python's repr), names so that no spreadsheet
takes one for a formula.
"""

import csv
import gzip
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from daemon.errors import SourceError
from daemon.export.rows import COLUMNS, Row, heading
from daemon.tables.values import cell, from_cell, number, one_line, utc_ms
from daemon.words import iso_time
from rules.quantities import Quantity

TITLE = "# bellwatch export 1"
FIXED = ("time", "taken in", "clock", "vessel", "probe")
CLOCK = {True: "set", False: "not set"}


RowWriter = Callable[[Row], None]
"""Takes the rows of an export, one by one."""


@contextmanager
def csv_writer(path: Path, rack: str, quantities: Sequence[str], *, flags: bool) -> Iterator[RowWriter]:
    """Give a writer of the file at `path`, the header written."""
    said = [TITLE, f"# rack: {rack}", "# times: UTC; clock not set: the time is a guess of the machine's"]
    if flags:
        said.append("# flags: QARTOD's 3 suspect, 4 fail, 9 missing; empty: nothing against the value")
    flagged = quantities if flags else ()
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write("".join(f"{line}\n" for line in said))
        table = csv.writer(file, lineterminator="\n")
        table.writerow([*FIXED, *map(heading, quantities), *(f"{q} flag" for q in flagged)])

        def write(row: Row) -> None:
            times = iso_time(row.time_ms), iso_time(row.taken_in_ms)
            fixed = (*times, CLOCK[row.known], cell(row.vessel), cell(row.probe))
            values = [repr(row.values[q]) if q in row.values else "" for q in quantities]
            table.writerow([*fixed, *values, *(row.flags.get(q, "") for q in flagged)])

        yield write


def csv_rows(path: Path) -> Iterator[Row]:
    """Go through the rows of a finished export; SourceError names the first line that is not as written."""
    lines = csv_lines(path)
    _, header = next(lines, ("", []))
    columns = _columns(header, path)
    for where, cells in lines:
        if len(cells) != len(header):
            raise SourceError(f"{where}: {len(cells)} cells; the header has {len(header)}")
        yield _row(dict(zip(header, cells, strict=True)), columns, where)


def csv_lines(path: Path, delimiter: str = ",") -> Iterator[tuple[str, list[str]]]:
    """Go through the header and the rows of a CSV, plain or .gz, each with where it stands.

    Blank lines, and those before the header that begin with #, are passed over. SourceError where the file
    cannot be read.
    """
    try:
        opened = gzip.open if path.suffix == ".gz" else open
        with opened(path, "rt", encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(_without_comments(file), delimiter=delimiter)
            for cells in filter(None, reader):
                yield f"{path} line {reader.line_num}", cells
    except (OSError, EOFError, UnicodeDecodeError, csv.Error) as error:
        raise SourceError(f"{path}: {error}; expected a CSV file in UTF-8, plain or .gz") from error


def is_export(path: Path) -> bool:
    """Return whether a file begins as a finished CSV export does."""
    with path.open("rb") as file:
        return file.readline().rstrip() == TITLE.encode()


def _without_comments(file: Iterable[str]) -> Iterator[str]:
    """Pass over comment lines before the header as blank ones, so that lines keep the file's numbers."""
    before_header = True
    for line in file:
        before_header = before_header and line.startswith("#")
        yield "\n" if before_header else line


def _columns(header: list[str], path: Path) -> dict[str, str]:
    known = {heading(quantity): quantity for quantity in COLUMNS}
    flags = {f"{quantity} flag" for quantity in COLUMNS}
    unknown = [name for name in header if name not in (*FIXED, *known, *flags)]
    if unknown or list(header[: len(FIXED)]) != list(FIXED) or len(set(header)) != len(header):
        raise SourceError(
            f"{path}: the header is {', '.join(header)}; an export begins with {', '.join(FIXED)}, "
            f"then columns such as {heading(Quantity.TEMPERATURE)}"
        )
    return {known[name]: name for name in header if name in known}


def _row(cells: dict[str, str], columns: dict[str, str], where: str) -> Row:
    try:
        return Row(
            utc_ms(cells["time"]),
            utc_ms(cells["taken in"]),
            {word: known for known, word in CLOCK.items()}[cells["clock"]],
            one_line(from_cell(cells["vessel"])),
            one_line(from_cell(cells["probe"])),
            {quantity: number(cells[name]) for quantity, name in columns.items() if cells[name]},
            {q: int(cells[f"{q} flag"]) for q in columns if cells.get(f"{q} flag")},
        )
    except (ValueError, KeyError) as error:
        raise SourceError(f"{where}: {error}; expected what an export writes there") from error
