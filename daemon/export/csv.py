"""A finished export as CSV: comment lines that say what it is, a header with units, one row a moment.

    # bellwatch export 1
    time,taken in,clock,vessel,probe,temperature (°C),temperature flag
    2026-08-14T12:00:00.000Z,2026-08-14T12:00:00.250Z,set,k1,k1-ct,15.25,

Values are written so that reading them gives the same bits (Python's repr), names so that no spreadsheet
takes one for a formula.
"""

import csv
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol, TextIO

from daemon.errors import SourceError
from daemon.export.rows import Row, heading
from daemon.tables.values import cell, from_cell, number, one_line, utc_ms
from rules.quantities import Quantity

TITLE = "# bellwatch export 1"
FIXED = ("time", "taken in", "clock", "vessel", "probe")
CLOCK = {True: "set", False: "not set"}


class RowWriter(Protocol):
    """Takes the rows of an export, one by one."""

    def write(self, row: Row) -> None:
        """Write one row."""
        ...


class CsvWriter:
    """Writes rows to an open text file, the header first."""

    def __init__(self, file: TextIO, rack: str, quantities: Sequence[Quantity], *, flags: bool) -> None:
        self._quantities = quantities
        self._flags = flags
        said = [TITLE, f"# rack: {rack}", "# times: UTC; clock not set: the time is a guess of the machine's"]
        if flags:
            said.append("# flags: QARTOD's 3 suspect, 4 fail, 9 missing; empty: nothing against the value")
        file.write("".join(f"{line}\n" for line in said))
        self._csv = csv.writer(file, lineterminator="\n")
        names = [heading(quantity) for quantity in quantities]
        self._csv.writerow([*FIXED, *names, *([f"{q} flag" for q in quantities] if flags else [])])

    def write(self, row: Row) -> None:
        """Write one row."""
        values = [repr(row.values[q]) if q in row.values else "" for q in self._quantities]
        flags = [row.flags.get(q, "") for q in self._quantities] if self._flags else []
        self._csv.writerow(
            [
                *(iso(row.time_ms), iso(row.taken_in_ms), CLOCK[row.known]),
                *(cell(row.vessel), cell(row.probe), *values, *flags),
            ]
        )


@contextmanager
def csv_writer(path: Path, rack: str, quantities: Sequence[Quantity], *, flags: bool) -> Iterator[CsvWriter]:
    """Give a writer of the file at `path`."""
    with path.open("w", encoding="utf-8", newline="") as file:
        yield CsvWriter(file, rack, quantities, flags=flags)


def csv_rows(path: Path) -> Iterator[Row]:
    """Go through the rows of a finished export; SourceError names the first line that is not as written."""
    with path.open(encoding="utf-8", newline="") as file:
        lines = (line for line in file if not line.startswith("#"))
        comments = _comment_lines(path)
        reader = csv.reader(lines)
        header = next(reader, [])
        columns = _columns(header, path)
        for cells in reader:
            where = f"{path} line {reader.line_num + comments}"
            if len(cells) != len(header):
                raise SourceError(f"{where}: {len(cells)} cells; the header has {len(header)}")
            yield _row(dict(zip(header, cells, strict=True)), columns, where)


def is_export(path: Path) -> bool:
    """Return whether a file begins as a finished CSV export does."""
    with path.open("rb") as file:
        return file.readline().rstrip() == TITLE.encode()


def iso(utc_ms: int) -> str:
    """Return a time as exports write it."""
    moment = datetime.fromtimestamp(utc_ms // 1000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{utc_ms % 1000:03d}Z"


def _comment_lines(path: Path) -> int:
    with path.open(encoding="utf-8") as file:
        return next((number for number, line in enumerate(file) if not line.startswith("#")), 0)


def _columns(header: list[str], path: Path) -> dict[Quantity, str]:
    known = {heading(quantity): quantity for quantity in Quantity}
    flags = {f"{quantity} flag" for quantity in Quantity}
    unknown = [name for name in header if name not in (*FIXED, *known, *flags)]
    if unknown or list(header[: len(FIXED)]) != list(FIXED) or len(set(header)) != len(header):
        raise SourceError(
            f"{path}: the header is {', '.join(header)}; an export begins with {', '.join(FIXED)}, "
            f"then columns such as {heading(Quantity.TEMPERATURE)}"
        )
    return {known[name]: name for name in header if name in known}


def _row(cells: dict[str, str], columns: dict[Quantity, str], where: str) -> Row:
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
