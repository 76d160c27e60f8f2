"""A record as a journal again: the same inputs under the same numbers, with all that came of them then."""

import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from daemon.errors import SourceError
from daemon.journal.inputs import READING_ROW
from daemon.journal.journal import Journal
from daemon.record.arrow import TAKEN_BACK
from daemon.record.judged import ucum
from daemon.record.package import folder_tables
from daemon.record.tables import TABLES
from daemon.tables.values import LATEST_MS
from daemon.tune.incidents import PROPOSED, Mark, mark_of


def record_tables(path: Path) -> Iterator[tuple[str, pa.Table]]:
    """Go through the tables that are taken back; SourceError names what is not as it was written."""
    if path.suffix != ".nc":
        return folder_tables(path, TAKEN_BACK)
    from daemon.record.netcdf import netcdf_tables  # noqa: PLC0415  (only where it is wanted)

    return netcdf_tables(path, TAKEN_BACK)


def into_journal(path: Path, journal: Journal, marks: list[Mark]) -> Iterator[int]:
    """Write a record into a new journal, its incidents into `marks`; give the readings of each step.

    Numbers are given out under a run id of its own from then on. SourceError where the record contradicts
    itself; what has been written by then is for nobody.
    """
    journal.state.forget_runs()
    before, units = np.empty(0, dtype=READING_ROW), dict[int, str]()
    for name, part in record_tables(path):
        _refuse_gaps(path, name, part)
        if name == "source":
            units |= {row["id"]: ucum(row["quantity"]) for row in part.to_pylist()}
        _refuse_other_units(path, name, part, units)
        if name == "incident":
            marks += [_mark(row, path) for row in part.to_pylist()]
            continue
        try:
            if name == "reading":
                before = _put_readings(path, journal, part, before)
            else:
                columns = TABLES[name].taken_back
                rows = zip(*(part[column].to_pylist() for column in columns), strict=True)
                journal.put_rows(name, columns, rows)
        except sqlite3.IntegrityError as error:
            raise SourceError(f"{path}: {name}: {error}; expected rows as an export writes them") from error
        yield part.num_rows if name == "reading" else 0
    if (seq := journal.inputs.contradiction()) is not None:
        raise _out_of_order(path, seq)
    journal.seal_rest()
    journal.begin_run(f"imported from {path.name}")


def _out_of_order(path: Path, seq: int) -> SourceError:
    return SourceError(
        f"{path}: input {seq}: expected numbers that rise from one to the next, and an at_ms that never falls"
    )


def _put_readings(path: Path, journal: Journal, part: pa.Table, before: NDArray[np.void]) -> NDArray[np.void]:
    """Write readings down and return the last of each source, as `before` has them of the parts before."""
    rows = np.empty(part.num_rows, dtype=READING_ROW)
    for column in TABLES["reading"].taken_back:
        rows[column] = part[column].to_numpy()
    rows["value"] += 0.0  # SQLite keeps no negative zero, and sealed is what it keeps
    journal.put_readings(rows)
    both = np.concatenate([before, rows])
    wrong = (both["seq"][1:] <= both["seq"][:-1]) | (both["at_ms"][1:] < both["at_ms"][:-1])
    if wrong.any():
        raise _out_of_order(path, both["seq"][1:][wrong][0])
    order = np.argsort(both["source"], kind="stable")
    source, measured_ms = both["source"][order], (both["at_ms"] - both["lag_ms"])[order]
    same = source[1:] == source[:-1]
    if (falls := same & (measured_ms[1:] <= measured_ms[:-1])).any():
        seq = both["seq"][order][1:][falls][0]
        raise SourceError(f"{path}: reading {seq}: at_ms - lag_ms; expected more than at its source's last")
    last: NDArray[np.void] = both[np.sort(order[np.append(~same, True)])]
    return last


def _refuse_gaps(path: Path, name: str, part: pa.Table) -> None:
    """Raise SourceError for the first cell that is taken back and lacks what must be there, or is no number.

    No time, and no number that is given out one by one, is beyond `LATEST_MS`.
    """
    for column in TABLES[name].columns:
        if not column.taken_back:
            continue
        cells = part[column.name]
        wrong = pc.and_(pc.is_null(cells), not column.may_lack)
        if column.kind in ("integer", "number") and column.name != "tests":  # those are digits
            given_out = column.kind == "integer" and name != "dating"  # a clock may have been set to any year
            bound = LATEST_MS if given_out else np.inf
            held = pc.abs(pc.cast(cells, pa.float64(), safe=False))
            wrong = pc.or_(wrong, pc.fill_null(pc.invert(pc.less(held, bound)), False))
        if (place := pc.index(wrong, True).as_py()) >= 0:
            key, row = part.column_names[0], part.slice(place, 1).to_pylist()[0]
            said = f"{name}, row with {key} {row[key]}, column {column.name}: {row[column.name]}"
            article = "an" if column.kind == "integer" else "a"
            raise SourceError(f"{path}: {said}; expected {article} {column.kind}")


def _refuse_other_units(path: Path, name: str, part: pa.Table, units: Mapping[int, str]) -> None:
    """Raise SourceError where a source's values are said to be in another unit than its quantity has."""
    if "unit" not in part.column_names:
        return
    found = part.group_by(["id" if name == "source" else "source", "unit"]).aggregate([])
    for source, unit in zip(*(column.to_pylist() for column in found.columns), strict=True):
        if unit != units.get(source, unit):
            raise SourceError(f"{path}: {name}, source {source}: unit {unit}; expected {units[source]}")


def _mark(row: dict[str, Any], path: Path) -> Mark:
    said = {column: "" if found is None else str(found) for column, found in row.items()}
    ends = {to: row[key] for to, key in (("from", "begin"), ("to", "end"), ("harm_from", "harm_from"))}
    times = {to: moment.isoformat() if moment else "" for to, moment in ends.items()}
    words = {"call_wanted": "yes" if row["call_wanted"] else "no"}
    if row["state"] == "ask":
        words = {"call_wanted": "ask", "state": PROPOSED}
    return mark_of(said | times | words, f"{path}: incident, row with begin {times['from']}")
