"""A measured series from a CSV file, and what is left of it after the wire."""

import csv
import gzip
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from simulator.encoding.registers import RegisterField
from simulator.encoding.senml import UNITS
from simulator.errors import SimulatorError
from simulator.scenario.scenario import QUANTITIES

Array = Any
TIME_COLUMN = "time_utc"


class PlaybackError(SimulatorError):
    """A measured series cannot be played: the file, a column or a value is not usable."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the file as a quantity: value in the quantity's unit = number in the file * factor."""

    name: str
    quantity: str
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Recording:
    """Rows in the file's order: int64 UTC milliseconds, and float64 values by quantity in its unit."""

    time_ms: Array
    values: dict[str, Array]


def parse_column(text: str) -> Column:
    """A column from the text COLUMN=QUANTITY or COLUMN=QUANTITY*FACTOR."""
    name, _, right = text.partition("=")
    quantity, star, factor_text = right.partition("*")
    try:
        factor = float(factor_text) if star else 1.0
    except ValueError:
        factor = 0.0
    if not name or quantity not in QUANTITIES or not math.isfinite(factor) or factor == 0.0:
        raise PlaybackError(
            f"column '{text}': expected COLUMN=QUANTITY[*FACTOR], such as c_s_per_m=conductivity*10;"
            f" quantities are {', '.join(QUANTITIES)}"
        )
    return Column(name, quantity, factor)


def read_recording(path: Path, columns: Sequence[Column]) -> Recording:
    """The rows of a CSV file (.csv or .csv.gz) with a column time_utc in ISO 8601 (no offset means UTC)."""
    try:
        with _opened(path) as file:
            reader = csv.DictReader(file)
            missing = {TIME_COLUMN, *(column.name for column in columns)} - set(reader.fieldnames or [])
            if missing:
                has = ", ".join(reader.fieldnames or [])
                raise PlaybackError(f"{path}: has no column {', '.join(sorted(missing))}; it has {has}")
            rows = list(_rows(path, reader, columns))
    except (OSError, UnicodeDecodeError, EOFError) as error:
        raise PlaybackError(f"{path}: cannot be read: {error}") from error
    if not rows:
        raise PlaybackError(f"{path}: has no rows")
    table = np.array([values for _, values in rows])
    values = {column.quantity: table[:, i] * column.factor for i, column in enumerate(columns)}
    return Recording(np.array([time_ms for time_ms, _ in rows], dtype=np.int64), values)


def register_fields(
    quantities: Sequence[str], register_type: str = "float32", scale: float = 1.0, word_order: str = "big"
) -> dict[str, RegisterField]:
    """Input registers for the quantities, one after the other from address 0."""
    fields: dict[str, RegisterField] = {}
    address = 0
    for quantity in quantities:
        field = RegisterField(4, address, register_type, word_order=word_order, scale=scale)
        fields[quantity] = field
        address += field.word_count
    return fields


def expected_rows(recording: Recording, fields: Mapping[str, RegisterField]) -> dict[str, Array]:
    """By quantity the float64 values that a master has after decoding the registers, row for row.

    PlaybackError for a value that its register type cannot hold.
    """
    expected = {}
    for quantity, field in fields.items():
        seen = np.array(
            [field.raw(value) * field.scale + field.offset for value in recording.values[quantity]]
        )
        too_far = np.abs(seen - recording.values[quantity]) > np.maximum(
            abs(field.scale), 1e-6 * np.abs(seen)
        )
        if too_far.any():
            row = int(np.argmax(too_far))
            value = recording.values[quantity][row]
            raise PlaybackError(
                f"row {row + 1}: {quantity} {value:g} does not fit {field.type} with scale {field.scale:g}"
            )
        expected[quantity] = seen
    return expected


def expected_senml(recording: Recording) -> dict[str, Array]:
    """By quantity the float64 values that a master has after applying the SenML unit's factor."""
    return {
        quantity: senml_numbers(recording, quantity) * UNITS[quantity][1] for quantity in recording.values
    }


def senml_numbers(recording: Recording, quantity: str) -> Array:
    """The numbers of a quantity as they stand in SenML, in the unit that SenML has for it."""
    return recording.values[quantity] / UNITS[quantity][1]


def _opened(path: Path) -> Any:
    if path.suffix == ".gz":
        return gzip.open(path, "rt", encoding="utf-8", newline="")
    return path.open(encoding="utf-8", newline="")


def _rows(
    path: Path, reader: "csv.DictReader[str]", columns: Sequence[Column]
) -> Iterator[tuple[int, list[float]]]:
    for row in reader:
        where = f"{path} line {reader.line_num}"
        try:
            moment = datetime.fromisoformat(row[TIME_COLUMN])
        except (TypeError, ValueError) as error:
            raise PlaybackError(f"{where}: '{row[TIME_COLUMN]}' is not an ISO 8601 time") from error
        moment = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
        yield round(moment.timestamp() * 1000), [_number(where, row, column) for column in columns]


def _number(where: str, row: Mapping[str, str | None], column: Column) -> float:
    text = row[column.name] or ""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise PlaybackError(f"{where}: {column.name} is '{text}'; every row needs a finite number")
    return value
