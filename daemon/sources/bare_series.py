"""A series of another logger with no settings file beside it: the settings that its columns imply."""

from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from daemon.buses import of_columns
from daemon.errors import SourceError
from daemon.sources.csv_readings import CsvLayout, column_of, read_csv
from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE


def implied_settings(path: Path, layout: CsvLayout, stage: str) -> dict[str, Any]:
    """Return settings, as a file would hold them, under which `stage` lives in each vessel of the columns.

    What a vessel's columns hold counts as one probe, read as often as the times are apart in the median.
    Raises SourceError where the CSV cannot be read or no column is named.
    """
    if not layout.columns:
        raise SourceError(f"{path}: no column named; say what each holds with --column")
    by_vessel: dict[str, list[Quantity]] = defaultdict(list)
    named: dict[tuple[str, Quantity], str] = {}
    for text in layout.columns:
        column = column_of(text)
        if other := named.get(key := (column.vessel, column.quantity)):
            both = f"columns {other}, {column.name}: each is the {column.quantity} of {column.vessel}"
            raise SourceError(f"{both}; replay one, or name another vessel")
        named[key] = column.name
        by_vessel[column.vessel].append(column.quantity)
    every_s = _interval_s(path, layout)
    return {
        "rack": {"name": "series", "time_zone": str(layout.zone or "UTC")},
        "journal": {"path": f"{path}.sqlite"},
        "buses": of_columns.SETTINGS,
        "vessels": {name: {"kind": "tank", "stage": stage} for name in by_vessel if name != RACK_WIDE},
        "probes": {
            name: of_columns.probe_of(name, quantities, every_s)
            | ({} if name == RACK_WIDE else {"vessel": name})
            for name, quantities in by_vessel.items()
        },
    }


def _interval_s(path: Path, layout: CsvLayout) -> float:
    apart_ms = np.diff(np.unique(read_csv(path, layout, []).time_ms))
    if not apart_ms.size:
        raise SourceError(f"{path}: fewer than two times; a series has many")
    return float(np.median(apart_ms)) / 1000
