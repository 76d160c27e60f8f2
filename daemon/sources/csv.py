"""Replaying what another logger wrote: the columns of a CSV stand for probes of the settings."""

from pathlib import Path

import numpy as np

from daemon.errors import SourceError
from daemon.settings.rack import Settings
from daemon.sources.csv_readings import CsvColumn, CsvLayout, column_of, read_csv
from daemon.sources.recording import Recording, SourceKey, in_memory, merged
from rules.rack.plan import RACK_WIDE


def csv_recording(path: Path, layout: CsvLayout, settings: Settings) -> Recording:
    """Return the readings of a CSV in order of time; raise SourceError where it cannot be read.

    A column names a probe of the settings and a quantity, or a vessel in which one probe measures it.
    """
    columns = [column_of(text) for text in layout.columns]
    if not columns:
        raise SourceError(f"{path}: no column named; say what each holds with --column")
    keys = [_source_key(column, settings) for column in columns]
    table = read_csv(path, layout, [column.name for column in columns])
    series = {
        number: (table.time_ms, table.values[column.name] * column.factor + column.offset)
        for number, column in enumerate(columns, 1)
    }
    readings, repeated = merged(series)
    if not len(readings):
        raise SourceError(f"{path}: not one reading in column {', '.join(table.values)}")
    empty = sum(int(np.isnan(column).sum()) for column in table.values.values())
    left_out = {"time already taken": repeated, "cell empty or NaN": empty}
    return in_memory(str(path), dict(enumerate(keys, 1)), readings, left_out)


def _source_key(column: CsvColumn, settings: Settings) -> SourceKey:
    """Find the probe that a column stands for: it is named, or the only one that measures this there."""
    found = [
        (name, column.quantity.value, probe.vessel or RACK_WIDE)
        for name, probe in settings.probes.items()
        if column.vessel in (name, probe.vessel or RACK_WIDE) and column.quantity in probe.quantities
    ]
    if len(found) != 1:
        what = f"probes {', '.join(probe for probe, _, _ in found)} do" if found else "no probe does"
        raise SourceError(
            f"column {column.name}: which probe of the settings measures {column.quantity} in "
            f"{column.vessel}? {what}; name one as PROBE/{column.quantity}"
        )
    return found[0]
