"""A finished export as Parquet: the columns of the CSV, with units in their names and metadata."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from daemon.errors import SourceError
from daemon.export.csv import FIXED, RowWriter
from daemon.export.rows import COLUMNS, Row, heading, unit

ROWS_AT_ONCE = 50_000
_TITLE = {b"bellwatch export": b"1"}
_UTC_MS = pa.timestamp("ms", tz="UTC")


@contextmanager
def parquet_writer(path: Path, rack: str, quantities: Sequence[str], *, flags: bool) -> Iterator[RowWriter]:
    """Give a writer of the file at `path`; now and then a group of rows is written."""
    fields = [
        pa.field("time", _UTC_MS),
        pa.field("taken in", _UTC_MS),
        pa.field("clock", pa.bool_()),
        pa.field("vessel", pa.dictionary(pa.int32(), pa.string())),
        pa.field("probe", pa.dictionary(pa.int32(), pa.string())),
        *(
            pa.field(
                heading(q),
                pa.float64(),
                metadata={"unit": unit(q)},
            )
            for q in quantities
        ),
        *(pa.field(f"{q} flag", pa.int8()) for q in quantities if flags),
    ]
    schema = pa.schema(fields, metadata={**_TITLE, b"rack": rack.encode()})
    flagged = quantities if flags else ()
    with pq.ParquetWriter(path, schema, compression="zstd") as file:
        rows: list[tuple[Any, ...]] = []

        def flush() -> None:
            columns = list(zip(*rows, strict=True)) or [()] * len(schema)
            arrays = [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            file.write_table(pa.Table.from_arrays(arrays, schema=schema))
            rows.clear()

        def write(row: Row) -> None:
            fixed = (row.time_ms, row.taken_in_ms, row.known, row.vessel, row.probe)
            rows.append((*fixed, *map(row.values.get, quantities), *map(row.flags.get, flagged)))
            if len(rows) >= ROWS_AT_ONCE:
                flush()

        yield write
        flush()


def parquet_rows(path: Path) -> Iterator[Row]:
    """Go through the rows of a finished export; SourceError where the file is none."""
    try:
        file = pq.ParquetFile(path)
    except (OSError, pa.ArrowInvalid) as error:
        raise SourceError(f"{path}: {error}") from error
    names = file.schema_arrow.names
    metadata = file.schema_arrow.metadata or {}
    if metadata.get(b"bellwatch export") != b"1" or tuple(names[: len(FIXED)]) != FIXED:
        raise SourceError(f"{path}: not an export of bellwatch's; its columns are {', '.join(names)}")
    columns = {quantity: heading(quantity) for quantity in COLUMNS if heading(quantity) in names}
    flags = {quantity: f"{quantity} flag" for quantity in columns if f"{quantity} flag" in names}
    for batch in file.iter_batches(ROWS_AT_ONCE):
        lists = {name: _plain(batch.column(name)) for name in names}
        for at in range(batch.num_rows):
            time_ms, taken_in_ms, known, vessel, probe = (lists[name][at] for name in FIXED)
            values, found = _there(lists, columns, at), _there(lists, flags, at)
            yield Row(time_ms, taken_in_ms, known, vessel, probe, values, found)


def _plain(column: pa.Array) -> list[Any]:
    is_time = pa.types.is_timestamp(column.type)
    plain: list[Any] = (column.cast(pa.int64()) if is_time else column).to_pylist()
    return plain


def _there(lists: dict[str, list[Any]], columns: dict[str, str], at: int) -> dict[str, Any]:
    return {quantity: lists[name][at] for quantity, name in columns.items() if lists[name][at] is not None}
