"""Reading the CSV of another logger: one column of times, one column for each measured series.

Nothing is guessed: a time without a zone needs to be told its zone, a unit that is not the
project's own must be one of `UNITS`, and the first cell that cannot be read is named by its line.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.errors import SourceError
from daemon.export.csv import csv_lines
from daemon.tables.values import LATEST_MS, number, utc_ms
from rules.quantities import UNITS, Quantity

_SECONDS_BELOW = 1e11  # as seconds the year 5138, as milliseconds 1973
_ROUNDED = timedelta(milliseconds=1)
_SHOWN = 200
"""So much of what cannot be read is shown."""
_SECONDS_FROM = 100_000  # below are the days that spreadsheets count, up to the year 2173


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """How to read a CSV: its time column, and its other columns as `column_of` reads them.

    Times without an offset are in `zone`.
    """

    time_column: str
    columns: Sequence[str] = ()
    zone: tzinfo | None = None
    delimiter: str = ","
    decimal: str = "."


@dataclass(frozen=True, slots=True)
class CsvTable:
    """The columns asked for, in the order of the file: `time_ms` int64 UTC, values float64, shapes n.

    A value is NaN where its cell is empty or says NaN.
    """

    time_ms: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class CsvColumn:
    """What a column holds: the quantity in a vessel (or of the rack), and how to get its own unit."""

    name: str
    vessel: str
    quantity: Quantity
    factor: float = 1.0
    offset: float = 0.0


def read_csv(path: Path, layout: CsvLayout, columns: Sequence[str]) -> CsvTable:
    """Read the columns of these names, with a header line. Lines that begin with # before it are passed over.

    The file is plain or .gz. Times are ISO 8601, or Unix seconds or milliseconds.
    Raises SourceError with file, line and column of the first cell that cannot be read.
    """
    times: list[float] = []
    cells: list[list[float]] = [[] for _ in columns]
    lines = csv_lines(path, layout.delimiter)
    header = [name.strip() for name in next(lines, ("", []))[1]]
    at = [_place(layout.time_column, header, path, "--time-column names that of the times")]
    at += [_place(name, header, path, "each column must be there once") for name in columns]
    for where, row in lines:
        if not any(map(str.strip, row)):
            continue  # as spreadsheets end their files
        if len(row) <= max(at) or any(map(str.strip, row[len(header) :])):
            raise SourceError(f"{where}: {len(row)} cells; the header has {len(header)}")
        times.append(_time_ms(row[at[0]], layout.zone, f"{where}, column {layout.time_column}"))
        for name, place, numbers in zip(columns, at[1:], cells, strict=True):
            numbers.append(_number(row[place], layout.decimal, where, name))
    return CsvTable(
        np.array(times, dtype=np.int64),
        {name: np.array(numbers) for name, numbers in zip(columns, cells, strict=True)},
    )


def column_of(text: str) -> CsvColumn:
    """Read NAME=VESSEL/QUANTITY or NAME=VESSEL/QUANTITY[UNIT]; raise SourceError where it is not that."""
    name, _, where = text.rpartition("=")
    where, _, unit = where.partition("[")
    vessel, _, quantity = where.rpartition("/")
    if not (name and vessel and quantity in list(Quantity)):
        raise SourceError(
            f"column {text!r}: expected NAME=VESSEL/QUANTITY or NAME=VESSEL/QUANTITY[UNIT], such as "
            f"cond=kreisel-1/conductivity[S/m]; quantities are {', '.join(Quantity)}"
        )
    units = UNITS[Quantity(quantity)]
    unit = unit.removesuffix("]") or next(iter(units))
    if unit not in units:
        raise SourceError(f"column {text!r}: unit {unit!r}; {quantity} may be in {', '.join(units)}")
    return CsvColumn(name, vessel, Quantity(quantity), *units[unit])


def _place(name: str, header: list[str], path: Path, right: str) -> int:
    if header.count(name) == 1:
        return header.index(name)
    names = ", ".join(header)
    found = f"not among {_short(names) or 'nothing'}" if name not in header else "twice"
    if len(header) == 1 and (apart := next((it for it in ";\t|," if it in names), "")):
        right = f"if {apart!r} stands between cells, add --delimiter {apart!r}"
    raise SourceError(f"{path}: column {name!r} is {found}; {right}")


def _short(text: str) -> str:
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def _time_ms(text: str, zone: tzinfo | None, where: str) -> float:
    text = text.strip()
    try:
        found = number(text)
    except ValueError:
        return _iso_ms(text, zone, where)
    found *= 1000 if abs(found) < _SECONDS_BELOW else 1
    if not 1000 * _SECONDS_FROM <= found < LATEST_MS:
        raise SourceError(f"{where}: {_short(text)!r}; expected ISO 8601, or Unix seconds or milliseconds")
    return round(found)


def _iso_ms(text: str, zone: tzinfo | None, where: str) -> int:
    try:
        found = utc_ms(text, zone or UTC)
    except ValueError:
        raise SourceError(
            f"{where}: {_short(text)!r}; expected ISO 8601 from 1970 to 2099, such as 2026-07-11T17:00:01Z, "
            "or Unix seconds"
        ) from None
    logged = datetime.fromisoformat(text)
    if zone is None and logged.tzinfo is None:
        raise SourceError(f"{where}: {text!r} has no time zone; name that of the logger with --zone")
    read = datetime.fromtimestamp(found / 1000, zone)
    if logged.tzinfo is None and abs(read.replace(tzinfo=None) - logged) > _ROUNDED:
        why = f"there was no such time in {zone}; a logger without summer time keeps one such as Etc/GMT-1"
        raise SourceError(f"{where}: {text!r}: {why}")
    return found


def _number(text: str, decimal: str, where: str, name: str) -> float:
    text = text.strip()
    if not text or text.lower() == "nan":
        return math.nan
    try:
        return number(text.replace(decimal, ".") if decimal != "." else text)
    except ValueError:
        right = "expected a number or an empty cell"
        if decimal == "." and "," in text:
            right = "if that is a decimal comma, add --decimal ,"
        raise SourceError(f"{where}, column {name}: {_short(text)!r}; {right}") from None
