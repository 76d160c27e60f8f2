"""A record as a folder: a file for each table, CSV or Parquet, and the description of it all beside them.

The description is a Data Package with Table Schemas (datapackage.org, version 2.0), so that a general
validator names the row and the field of a fault. Text that a spreadsheet would take for a formula is written
so that it is none.
"""

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

from daemon.errors import SourceError
from daemon.record.arrow import SCHEMAS, grown
from daemon.record.tables import FORMAT, ONCE, TABLES, Column, Table
from daemon.tables.values import FORMULA

DESCRIPTION = "datapackage.json"
_KINDS = {"word": "string", "flag": "integer"}
_BLOCK = (1 << 21, 1 << 24)
"""Bytes of CSV at a time, with some read ahead: no row is longer, nor where a whole plan is in it."""
_MEDIA = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
_FORMULA = "[" + "".join(FORMULA).replace("-", r"\-") + "]"

Write = Callable[[str, pa.Table], None]
"""Takes the next rows of a table."""


@contextmanager
def folder_writer(folder: Path, form: str, about: Mapping[str, Any]) -> Iterator[Write]:
    """Give a writer of a new folder; at the end what it holds is described in it."""
    folder.mkdir()
    rows = dict.fromkeys(TABLES, 0)
    with ExitStack() as files:
        made = {name: files.enter_context(_writer(folder / f"{name}.{form}", name)) for name in TABLES}

        def write(name: str, part: pa.Table) -> None:
            rows[name] += part.num_rows
            if part.num_rows:
                made[name].write_table(_guarded(part) if form == "csv" else part)

        yield write
    described = [_resource(table, form, rows[name]) for name, table in TABLES.items()]
    package = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "bellwatch-record",
        "title": f"The record of rack {about['rack']}",
        "description": "Raw and judged readings of a rack with all that was done, alarmed and noted. "
        "An import takes the columns under taken_back; others are worked out, edits there are lost.",
        "created": about["created"],
        "sources": [{"title": f"journal {about['journal']} of rack {about['rack']}"}],
        "bellwatch": {"format": FORMAT, **about},
        "resources": described,
    }
    text = json.dumps(package, indent=1, ensure_ascii=False)
    (folder / DESCRIPTION).write_text(text + "\n", encoding="utf-8")


def folder_tables(folder: Path, schemas: Mapping[str, pa.Schema] = SCHEMAS) -> Iterator[tuple[str, pa.Table]]:
    """Go through these columns of its tables, block by block; SourceError names what is not as written."""
    package = _package(folder)
    form = str(package["resources"][0].get("format")) if package["resources"] else ""
    rows = {its["name"]: its.get("rows") for its in package["resources"]}
    for name, schema in schemas.items():
        path, counted = folder / f"{name}.{form}", 0
        try:
            for part in _parts(path, name, schema):
                counted += part.num_rows
                yield name, part
        except (OSError, UnicodeDecodeError, pa.ArrowException) as error:
            why = getattr(error, "strerror", None) or " ".join(str(error).split())
            raise SourceError(f"{path}: {why}; expected it as an export writes it") from error
        if counted != rows.get(name):
            raise SourceError(f"{path}: {counted} rows; {DESCRIPTION} says {rows.get(name)}")


def _writer(path: Path, name: str) -> Any:  # noqa: ANN401
    if path.suffix == ".parquet":
        return pq.ParquetWriter(path, SCHEMAS[name], compression="zstd")
    return pa.csv.CSVWriter(path, _guarded(SCHEMAS[name].empty_table()).schema)


def _parts(path: Path, name: str, schema: pa.Schema) -> Iterator[pa.Table]:
    if path.suffix == ".parquet":
        file = pq.ParquetFile(path)
        names = _wanted(path, name, file.schema_arrow.names, schema)
        for batch in file.iter_batches(200_000, columns=names):
            yield grown(pa.Table.from_batches([batch]), schema)
        return
    with path.open(encoding="utf-8-sig") as file:
        names = _wanted(path, name, file.readline().strip().replace('"', "").split(","), schema)
    batches = pa.csv.open_csv(
        path,
        read_options=pa.csv.ReadOptions(use_threads=False, block_size=_BLOCK["body" in schema.names]),
        parse_options=pa.csv.ParseOptions(newlines_in_values=True),
        convert_options=pa.csv.ConvertOptions(
            column_types=schema,
            include_columns=names,
            null_values=[""],
        ),
    )
    for batch in batches:
        yield grown(_changed(pa.Table.from_batches([batch]), f"^'({_FORMULA})", r"\1"), schema)


def _wanted(path: Path, name: str, found: list[str], schema: pa.Schema) -> list[str]:
    """Return which of the columns found are wanted, in any order; SourceError where they are others."""
    known = SCHEMAS[name].names
    wrong = [it for it in found if it not in known or found.count(it) > 1]
    if wrong := wrong or [it for it in known[: ONCE.get(name)] if it not in found]:
        how = " with commas between" if len(found) == 1 else ""
        raise SourceError(f"{path}: column {', '.join(wrong)}; expected {', '.join(known)}{how}")
    return [it for it in schema.names if it in found]


def _guarded(table: pa.Table) -> pa.Table:
    """Return a table as CSV has it: times in ISO 8601, and no text that begins as a formula does."""
    table = _changed(table, f"^({_FORMULA})", r"'\1")
    for place, field in enumerate(table.schema):
        if pa.types.is_timestamp(field.type):
            text = pc.replace_substring(table.column(place).cast(pa.string()), " ", "T")
            table = table.set_column(place, field.name, text)
    return table


def _changed(table: pa.Table, pattern: str, by: str) -> pa.Table:
    """Return a table with what begins like `pattern` replaced in all of its text."""
    for place, field in enumerate(table.schema):
        column = table.column(place).combine_chunks()
        if pa.types.is_dictionary(field.type):
            words = pc.replace_substring_regex(column.dictionary, pattern, by)
            table = table.set_column(place, field, pa.DictionaryArray.from_arrays(column.indices, words))
        elif pa.types.is_string(field.type):
            table = table.set_column(place, field, pc.replace_substring_regex(column, pattern, by))
    return table


def _package(folder: Path) -> dict[str, Any]:
    path = folder / DESCRIPTION
    try:
        package = json.loads(path.read_text(encoding="utf-8"))
        found = package["bellwatch"]["format"]
        resources = package["resources"]
        [its["name"] for its in resources]
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; expected the folder of a record") from error
    except (ValueError, KeyError, TypeError) as error:
        raise SourceError(f"{path}: {error!r}; expected the description of a record") from error
    refuse_newer(path, found)
    result: dict[str, Any] = package
    return result


def refuse_newer(path: Path, found: object) -> None:
    """Raise SourceError where a record is of another format than this version reads."""
    if found != FORMAT:
        raise SourceError(f"{path}: a record of format {found}; this bellwatch reads {FORMAT}")


def _resource(table: Table, form: str, rows: int) -> dict[str, Any]:
    schema: dict[str, Any] = {"fields": [_field(column) for column in table.columns], "missingValues": [""]}
    if table.key:
        schema["primaryKey"] = [table.key]
    return {
        "name": table.name,
        "path": f"{table.name}.{form}",
        "format": form,
        "mediatype": _MEDIA[form],
        "encoding": "utf-8",
        "description": table.said,
        "rows": rows,
        "taken_back": [*table.taken_back],
        "schema": schema,
    }


def _field(column: Column) -> dict[str, Any]:
    kind = _KINDS.get(column.kind, column.kind)
    field = {"name": column.name, "type": kind, "description": column.said}
    constraints: dict[str, Any] = {} if column.may_lack or kind == "string" else {"required": True}
    if column.kind == "flag":
        constraints["enum"] = [1, 2, 3, 4, 9]
    unit = {"unit": column.unit} if column.unit else {}
    return {**field, **unit, **({"constraints": constraints} if constraints else {})}
