"""A record in a notebook: `frame("journal.sqlite", "k1", "temperature").value.plot()`.

A NetCDF record needs none of this: `xarray.open_dataset("record.nc").k1_temperature.plot()`.
"""

from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import xarray as xr

from daemon.errors import SourceError
from daemon.journal.journal import reading
from daemon.record.arrow import SCHEMAS
from daemon.record.from_journal import JournalTables, Part
from daemon.record.package import folder_tables
from daemon.record.tables import TABLES


def frame(path: str | Path, vessel: str, quantity: str, probe: str = "") -> pd.DataFrame:
    """Return one series in the order of its times in UTC, out of a journal or the folder of a record.

    Columns are those of the table `judged`; without `probe` all that measure it there. SourceError where
    there is no such series.
    """
    wanted = {"vessel": vessel, "quantity": quantity} | ({"probe": probe} if probe else {})
    found = []
    for part in _judged(Path(path), vessel):
        keep = [pc.equal(part[key].cast(pa.string()), name) for key, name in wanted.items()]
        found.append(part.filter(pc.and_(pc.and_(keep[0], keep[1]), keep[-1])).to_pandas())
    whole = pd.concat(found).set_index("time").sort_index(kind="stable") if found else pd.DataFrame()
    if whole.empty:
        raise SourceError(f"{path}: no {quantity} of vessel {vessel} {f'by {probe} ' * bool(probe)}in it")
    return whole


def dataset(path: str | Path, vessel: str, quantity: str, probe: str = "") -> xr.Dataset:
    """Return what `frame` does as a data set along `time`, with units and meanings as attributes."""
    whole = frame(path, vessel, quantity, probe)
    whole = whole.astype(dict.fromkeys(whole.select_dtypes("category"), object))  # NetCDF has no others
    found: xr.Dataset = whole.tz_localize(None).to_xarray()  # in UTC, as xarray has all times
    for column in TABLES["judged"].columns:
        found[column.name].attrs["long_name"] = column.said
        if column.kind == "number":
            found[column.name].attrs["units"] = whole["unit"].iloc[0]
    return found


def _judged(path: Path, vessel: str) -> Iterator[pa.Table]:
    if path.is_dir():
        yield from (part for _, part in folder_tables(path, {"judged": SCHEMAS["judged"]}))
        return
    if path.suffix == ".nc":
        raise SourceError(
            f"{path}: open it with xarray.open_dataset; expected a journal or a record's folder"
        )
    with reading(path) as journal, journal.standing_still():
        yield from (
            part for name, part in JournalTables(journal, Part(vessels=(vessel,))).all() if name == "judged"
        )
