"""The tables of a record as Arrow tables: their schemas, and columns of any kind brought into one."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from daemon.record.tables import TABLES, Column, Table

_TYPES = {
    "integer": pa.int64(),
    "number": pa.float64(),
    "boolean": pa.bool_(),
    "string": pa.string(),
    "word": pa.dictionary(pa.int32(), pa.string()),
    "datetime": pa.timestamp("ms", tz="UTC"),
    "flag": pa.int8(),
}

_YEAR_1_MS, _YEAR_10000_MS = -62_135_596_800_000, 253_402_300_800_000
"""What ISO 8601 writes with four digits; a moment beyond is missing, the journal's own numbers hold it."""


def schema_of(table: Table) -> pa.Schema:
    """Return the schema of a table, unit and meaning of each column in its metadata."""
    return pa.schema([_field(column) for column in table.columns])


def _field(column: Column) -> pa.Field:
    said = {"unit": column.unit, "description": column.said}
    return pa.field(column.name, _TYPES[column.kind], metadata=said)


SCHEMAS = {name: schema_of(table) for name, table in TABLES.items()}
TAKEN_BACK = {
    name: pa.schema([field for field in SCHEMAS[name] if field.name in (*table.taken_back, "unit")])
    for name, table in TABLES.items()
    if table.taken_back
}
"""What an import reads: what it takes back, and in which unit it is."""


def grown(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Return a table, which may be an older record's, with the columns that it lacks at its end."""
    for field in list(schema)[table.num_columns :]:
        table = table.append_column(field, pa.nulls(table.num_rows, field.type))
    return table.cast(schema)


def table_of(name: str, columns: Mapping[str, Any], length: int) -> pa.Table:
    """Return a table of `length` rows; a column that is one value, or None, has it in every row."""
    schema = schema_of(TABLES[name])
    arrays = [_array(columns.get(field.name), field.type, length) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)


def table_of_rows(name: str, names: Sequence[str], rows: Iterable[Sequence[Any]], more: Any) -> pa.Table:  # noqa: ANN401
    """Return a table of rows with the columns `names` and those that `more` works out of a row."""
    made = [row | more(row) for values in rows if (row := dict(zip(names, values, strict=True)))]
    columns = {key: [row[key] for row in made] for key in (made[0] if made else ())}
    return table_of(name, columns, len(made))


def _array(values: Any, kind: pa.DataType, length: int) -> pa.Array:  # noqa: ANN401
    if isinstance(values, pa.Array):
        return values
    if pa.types.is_dictionary(kind) and isinstance(values, str):
        return pa.DictionaryArray.from_arrays(np.zeros(length, np.int32), [values])
    if values is None:
        return pa.nulls(length, kind)
    if isinstance(values, np.ndarray | list):  # what is not a number in an array is missing
        found = pa.array(values, from_pandas=isinstance(values, np.ndarray))
        if pa.types.is_timestamp(kind):
            found = found.cast(pa.int64())
            written = pc.and_(pc.greater_equal(found, _YEAR_1_MS), pc.less(found, _YEAR_10000_MS))
            found = pc.if_else(written, found, None)
        return found.cast(kind)
    return pa.repeat(pa.scalar(values, kind), length)


def words(names: Sequence[str], places: Any) -> pa.DictionaryArray:  # noqa: ANN401
    """Return names by their places as a column of words."""
    known, inverse = np.unique(np.array(names, dtype=object), return_inverse=True)
    return pa.DictionaryArray.from_arrays(inverse.astype(np.int32)[places], known.tolist())
