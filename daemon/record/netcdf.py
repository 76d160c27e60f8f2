"""A record as one NetCDF-4 file: the judged series for whoever draws them, the other tables in groups.

Conventions: CF-1.11 (units for UDUNITS; the name in UCUM beside it where that differs, status flags with
flag_values and flag_meanings as ancillary variables) and ACDD-1.3. Each series has its own time. Of whom a
reading is, its source says: text in every row would make the file ten times as large.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from daemon.errors import SourceError
from daemon.record.arrow import SCHEMAS, grown
from daemon.record.package import Write, refuse_newer
from daemon.record.tables import BANDS, FORMAT, ONCE, TABLES, TESTS
from daemon.words import iso_time
from rules.quality.flags import Flag
from rules.quantities import Quantity

_STANDARD = {
    Quantity.TEMPERATURE: ("sea_water_temperature", "degree_Celsius"),
    Quantity.CONDUCTIVITY: ("sea_water_electrical_conductivity", "mS/cm"),
    Quantity.SALINITY: ("sea_water_practical_salinity", "1"),
    Quantity.OXYGEN: ("mass_concentration_of_oxygen_in_sea_water", "mg/L"),
    Quantity.OXYGEN_SATURATION: ("fractional_saturation_of_oxygen_in_sea_water", "%"),
    Quantity.AIR_PRESSURE: ("air_pressure", "hPa"),
}
"""CF standard name of each quantity, and its unit as UDUNITS reads it."""

_STANDARD_TESTS = {"timing": "gap_test", "attenuated_signal": "attenuated_signal_test"}
_NUMBERS = {
    **dict.fromkeys(("raw", "corrected"), "physicalMeasurement"),
    **dict.fromkeys(BANDS, "referenceInformation"),
}
"""Beside the value itself, in its unit and under its standard name, with ACDD's kind of content."""
_HALF_WIDTH = 3**0.5
"""Standard errors in the half-width of a rectangular distribution (JCGM 100:2008, 4.3.7)."""
_KELVINS = {"degree_Celsius": "temperature: on_scale"}
_FLAGS = ("flag", *TESTS)
_GROUPS = [name for name in TABLES if name != "judged"]
_SINCE_1970 = "milliseconds since 1970-01-01 00:00:00"
_CALENDAR = {"calendar": "proleptic_gregorian", "units_metadata": "leap_seconds: none"}
_CHUNK = 8_192
_PACKED = {"compression": "zlib", "complevel": 2, "chunksizes": (_CHUNK,), "chunk_cache": 8 * _CHUNK}
"""One chunk stays in memory: by default the newest 16 MB of each of some thousand variables would."""
_KEYS = ["probe", "quantity", "vessel", "unit"]
_ROWS_AT_ONCE = 200_000
_NO_PLACE = "No place in it, since a journal holds none: geospatial_lat_min and the like are left out. "


@contextmanager
def netcdf_writer(path: Path, about: Mapping[str, Any], *, runs_back: bool) -> Iterator[Write]:
    """Give a writer of a new file; a series whose times run back has them beside it, not as its axis.

    Judged rows wait in a file beside it until each series is known with its length: to write to a dimension
    without one, the library goes through all variables.
    """
    waiting, lengths = path.with_name("judged"), Counter[tuple[str, ...]]()
    with _new_file(path) as file:
        for name in _GROUPS:
            _make_group(file.createGroup(f"record/{name}"), name)
        with pq.ParquetWriter(waiting, SCHEMAS["judged"], compression="zstd") as judged:

            def write(name: str, part: pa.Table) -> None:
                if name != "judged":
                    _append_group(file[f"record/{name}"], part)
                    return
                judged.write_table(part)
                for *keys, rows in zip(*_counted(part), strict=True):
                    lengths[tuple(keys)] += rows

            yield write
        series: dict[tuple[str, ...], _Series] = {}
        for keys, length in sorted(lengths.items()):
            series[keys] = _Series(file, keys, {its.name for its in series.values()}, runs_back, length)
        for batch in pq.ParquetFile(waiting).iter_batches(_ROWS_AT_ONCE):
            for keys, rows in _by_series(pa.Table.from_batches([batch])):
                series[keys].append(rows)
        for its in series.values():
            its.finish()
        file.setncatts(_global(about, [*series.values()]))


@contextmanager
def _new_file(path: Path) -> Iterator[Any]:
    """Give a new file; OSError where the disk will not have it."""
    try:
        with netCDF4.Dataset(path, "w", format="NETCDF4") as file:
            yield file
    except RuntimeError as error:
        if not str(error).startswith("NetCDF: "):
            raise
        raise OSError(str(error)) from error


def netcdf_tables(path: Path, schemas: Mapping[str, pa.Schema]) -> Iterator[tuple[str, pa.Table]]:
    """Go through these columns, but words, of tables block by block; SourceError where it is no record."""
    try:
        file = netCDF4.Dataset(path)
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; expected a NetCDF file") from error
    with file:
        if "bellwatch_format" not in file.ncattrs():
            raise SourceError(f"{path}: a NetCDF file, but no record of bellwatch's")
        refuse_newer(path, file.bellwatch_format)
        if "record" not in file.groups:
            raise SourceError(f"{path}: no group record, which is taken back; expected all that was exported")
        groups: dict[str, Any] = file["record"].groups
        for name, columns in schemas.items():
            schema = pa.schema([it for it in columns if not pa.types.is_dictionary(it.type)])
            there = groups[name].variables if name in groups else {}
            if missing := [it for it in schema.names[: ONCE.get(name)] if it not in there]:
                raise SourceError(f"{path}: {name} has no column {', '.join(missing)}")
            group = groups[name]
            kept = pa.schema([it for it in schema if it.name in there])
            for it in kept:
                there[it.name].set_var_chunk_cache(8 * _CHUNK)
            for start in range(0, group.dimensions["row"].size, _ROWS_AT_ONCE):
                part = slice(start, start + _ROWS_AT_ONCE)
                rows = pa.table([_read(group[it.name], part, it.type) for it in kept], kept)
                yield name, grown(rows, schema)


@dataclass(slots=True)
class _Series:
    """The variables of one channel; stages become numbers in the order in which they come."""

    file: Any
    keys: tuple[str, ...]
    taken: set[str]
    runs_back: bool
    length: int
    name: str = ""
    written: int = 0
    stages: list[str] = field(default_factory=list)
    span_ms: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        probe, quantity, vessel, unit = self.keys
        plain, number = _plain(f"{vessel}_{quantity}"), 1
        self.name = plain
        while self.name in self.taken:
            number += 1
            self.name = f"{plain}_{number}"
        self._make(f"{quantity} in {vessel} by {probe}".replace("_", " "), Quantity(quantity), unit)

    def _make(self, said: str, quantity: Quantity, ucum: str) -> None:
        standard, units = _STANDARD[quantity]
        time = f"{self.name}_time"
        axis = f"{self.name}_row" if self.runs_back else time
        self.file.createDimension(axis, self.length)
        fill = _FILL["i8"] if self.runs_back else None  # an axis has none missing
        variable = self._stored(time, "i8", axis, fill)
        variable.setncatts(
            {"units": _SINCE_1970, "standard_name": "time", "long_name": f"time of {said}", **_CALENDAR}
            | ({} if self.runs_back else {"axis": "T"})
        )
        beside = {"coordinates": time} if self.runs_back else {}
        common = {"units": units, **beside, **({} if ucum == units else {"ucum_unit": ucum})}
        scale = {"units_metadata": _KELVINS[units]} if units in _KELVINS else {}
        for name, content in {"": "physicalMeasurement", **_NUMBERS}.items():
            kind = {"standard_name": standard, "coverage_content_type": content, **scale}
            self._variable(name, "f8", axis, axis_said=said, **common, **kind)
        self._variable(
            "plus_minus", "f8", axis, axis_said=said, **common, standard_name=f"{standard} standard_error",
            standard_error_multiplier=_HALF_WIDTH, coverage_content_type="qualityInformation",
            **({"units_metadata": "temperature: difference"} if scale else {}),
        )  # fmt: skip
        for name in _FLAGS:
            test = _STANDARD_TESTS.get(name, f"{name}_test")
            its = "aggregate" if name == "flag" else test
            values = np.array([*Flag], dtype=np.int8)
            meanings = " ".join(flag.name.lower() for flag in Flag)
            self._variable(
                name, "i1", axis, axis_said=said, **beside,
                standard_name=f"{its}_quality_flag", flag_values=values, flag_meanings=meanings,
            )  # fmt: skip
        flags = {"flag_values": np.array([0, 1], dtype=np.int8), "flag_meanings": "guessed certain"}
        self._variable("clock_set", "i1", axis, axis_said=said, **beside, **flags)
        self._variable("stage", "i2", axis, axis_said=said, **beside)
        beside_it = (*_FLAGS, "plus_minus", "clock_set")
        self.file[self.name].ancillary_variables = " ".join(f"{self.name}_{it}" for it in beside_it)

    def _variable(self, name: str, kind: str, axis: str, *, axis_said: str, **attributes: Any) -> Any:  # noqa: ANN401
        fill = np.nan if kind == "f8" else None
        called = f"{self.name}_{name}" if name else self.name
        variable = self._stored(called, kind, axis, fill)
        said = {column.name: column.said for column in TABLES["judged"].columns}[name or "value"]
        variable.setncatts({"long_name": f"{axis_said}: {said}" if name else axis_said, **attributes})
        return variable

    def _stored(self, name: str, kind: str, axis: str, fill: float | None) -> Any:  # noqa: ANN401
        packed = _PACKED | {"chunksizes": (min(_CHUNK, self.length),)}
        return self.file.createVariable(name, kind, (axis,), fill_value=fill, **packed)

    def append(self, rows: pa.Table) -> None:
        """Append rows of the judged table."""
        start, self.written = self.written, self.written + rows.num_rows
        stop = self.written
        time_ms = rows["time"].cast(pa.int64())
        self.span_ms += [its.as_py() for its in pc.min_max(time_ms).values() if its.is_valid]
        self.file[f"{self.name}_time"][start:stop] = time_ms.fill_null(_FILL["i8"]).to_numpy()
        self.file[self.name][start:stop] = rows["value"].to_numpy()
        for name in (*_NUMBERS, "plus_minus"):
            if rows[name].null_count < rows.num_rows:
                self.file[f"{self.name}_{name}"][start:stop] = rows[name].to_numpy()
        for name in (*_FLAGS, "clock_set"):
            self.file[f"{self.name}_{name}"][start:stop] = rows[name].to_numpy().astype(np.int8)
        stages = rows["stage"].combine_chunks()
        used, places = np.unique(stages.indices.to_numpy(), return_inverse=True)
        here = [stages.dictionary[int(place)].as_py() for place in used]
        self.stages += [stage for stage in here if stage not in self.stages]
        numbers = np.array([self.stages.index(stage) for stage in here], dtype=np.int16)
        self.file[f"{self.name}_stage"][start:stop] = numbers[places]

    def finish(self) -> None:
        """Say what the numbers of the stages mean."""
        variable = self.file[f"{self.name}_stage"]
        variable.flag_values = np.arange(len(self.stages), dtype=np.int16)
        variable.flag_meanings = " ".join(_plain(stage) or "none" for stage in self.stages)


def _counted(part: pa.Table) -> list[list[Any]]:
    """Return the keys of the series in a part, and how many rows of each there are."""
    found = part.group_by(_KEYS).aggregate([([], "count_all")])
    return [found[column].to_pylist() for column in (*_KEYS, "count_all")]


def _by_series(part: pa.Table) -> Iterator[tuple[tuple[str, ...], pa.Table]]:
    """Sort rows of the judged table by their series, each in its order, and cut them there."""
    columns = [part[key].combine_chunks() for key in _KEYS]
    places = np.stack([column.indices.to_numpy() for column in columns])
    order = np.lexsort(places)
    places, part, columns = places[:, order], part.take(order), [column.take(order) for column in columns]
    starts = np.flatnonzero(np.diff(places, axis=1).any(axis=0)) + 1
    bounds = [0, *starts.tolist(), part.num_rows]
    for start, stop in pairwise(bounds):
        yield tuple(column[start].as_py() for column in columns), part.slice(start, stop - start)


def _plain(text: str) -> str:
    """Return text as a name of CF: letters, digits and underscores, a letter first."""
    name = "".join(c if c.isascii() and c.isalnum() else "_" for c in text)
    return name if name[:1].isalpha() or not name else f"v_{name}"


# Tables in groups


def _make_group(group: Any, name: str) -> None:  # noqa: ANN401
    group.setncatts({"long_name": TABLES[name].said})
    group.createDimension("row", None)
    for column in TABLES[name].columns:
        if column.kind == "word":
            continue
        kind: Any = _STORED.get(column.kind, str)
        options = {} if kind is str else _PACKED
        variable = group.createVariable(column.name, kind, ("row",), fill_value=_FILL.get(kind), **options)
        variable.long_name = column.said
        if column.kind == "datetime":
            variable.setncatts({"units": _SINCE_1970, **_CALENDAR})
        elif column.unit:
            variable.units = column.unit


_STORED = {"integer": "i8", "number": "f8", "boolean": "i1", "datetime": "i8"}
_FILL = {"i8": -(2**63), "f8": np.nan}


def _append_group(group: Any, part: pa.Table) -> None:  # noqa: ANN401
    start = group.dimensions["row"].size
    for name in group.variables:
        column = part[name]
        if pa.types.is_floating(column.type):
            values = column.to_numpy()
        elif pa.types.is_string(column.type):
            values = np.array(column.fill_null("").to_pylist(), dtype=object)
            if any("\0" in text for text in values):
                raise SourceError(
                    f"{group.name}, column {name}: text with a NUL, which NetCDF cuts; CSV and Parquet do not"
                )
        elif pa.types.is_boolean(column.type):
            values = column.to_numpy().astype(np.int8)
        else:
            values = column.cast(pa.int64()).fill_null(_FILL["i8"]).to_numpy()
        group[name][start : start + part.num_rows] = values


def _read(variable: Any, part: slice, kind: pa.DataType) -> pa.Array:  # noqa: ANN401
    try:
        variable.set_auto_mask(False)
        values = variable[part]
        if pa.types.is_string(kind):
            return pa.array(values.tolist(), kind)
        missing = np.isnan(values) if values.dtype.kind == "f" else values == _FILL["i8"]
        return pa.array(values, mask=missing).cast(kind)
    except (RuntimeError, ValueError, TypeError) as error:  # torn inside, no text, or of another kind
        group, why = variable.group(), " ".join(str(error).split())
        place = f"{group.filepath()}: {group.name}, column {variable.name}"
        raise SourceError(f"{place}: {why}; expected it as an export writes it") from error


def _global(about: Mapping[str, Any], series: list[_Series]) -> dict[str, Any]:
    span_ms = [moment_ms for it in series for moment_ms in it.span_ms] or [0]
    quantities = sorted({it.keys[1] for it in series})
    return {
        "Conventions": "CF-1.11, ACDD-1.3",
        "title": f"Water of jellyfish rack {about['rack']}",
        "summary": "What probes in the vessels of a nursery rack measured, with calibrated, derived and "
        "drift-corrected values, quality flags and limits; in groups what was done, alarmed and noted.",
        "keywords": ", ".join(_STANDARD[Quantity(it)][0] for it in quantities) or "none",
        "keywords_vocabulary": "CF Standard Names",
        "standard_name_vocabulary": "CF Standard Name Table v93",
        "id": f"{about['journal']}/{about['run']}",
        "source": f"journal {about['journal']} of rack {about['rack']}, run {about['run']}",
        "history": f"{about['created']} exported by {about['made_by']}",
        "processing_level": "raw, calibrated, derived and corrected for drift; QARTOD quality flags",
        "comment": _NO_PLACE + " ".join(about["notes"]),
        "cdm_data_type": "Station",
        "date_created": about["created"],
        "time_coverage_start": iso_time(min(span_ms)),
        "time_coverage_end": iso_time(max(span_ms)),
        "product_version": str(FORMAT),
        "bellwatch_format": np.int32(FORMAT),
    }
