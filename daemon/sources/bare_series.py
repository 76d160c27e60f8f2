"""A series of another logger with no settings file beside it: the settings that its columns imply."""

from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from daemon.errors import SourceError
from daemon.sources.csv_readings import CsvColumn, CsvLayout, column_of, read_csv
from rules.rack.plan import RACK_WIDE

_MISSED_AFTER = 5
"""So many intervals without a reading are silence."""


def implied_settings(path: Path, layout: CsvLayout, stage: str) -> dict[str, Any]:
    """Return settings, as a file would hold them, under which `stage` lives in each vessel of the columns.

    What a vessel's columns hold counts as one probe, read as often as the times are apart in the median.
    Raises SourceError where the CSV cannot be read or no column is named.
    """
    if not layout.columns:
        raise SourceError(f"{path}: no column named; say what each holds with --column")
    by_vessel: dict[str, list[CsvColumn]] = defaultdict(list)
    for text in layout.columns:
        column = column_of(text)
        by_vessel[column.vessel].append(column)
    every_s = _interval_s(path, layout)
    probes = {name: _probe(name, columns, every_s) for name, columns in by_vessel.items()}
    return {
        "rack": {"name": "series", "time_zone": str(layout.zone or "UTC")},
        "journal": {"path": f"{path}.sqlite"},
        "buses": {"columns": {"kind": "mqtt"}},
        "vessels": {name: {"kind": "tank", "stage": stage} for name in by_vessel if name != RACK_WIDE},
        "probes": probes,
    }


def _interval_s(path: Path, layout: CsvLayout) -> float:
    apart_ms = np.diff(np.unique(read_csv(path, layout, []).time_ms))
    if not apart_ms.size:
        raise SourceError(f"{path}: fewer than two times; a series has many")
    return float(np.median(apart_ms)) / 1000


def _probe(vessel: str, columns: list[CsvColumn], every_s: float) -> dict[str, Any]:
    where = {} if vessel == RACK_WIDE else {"vessel": vessel}
    return where | {
        "bus": "columns",
        "topic": f"columns/{vessel}",
        "format": "json",
        "every_s": every_s,
        "silent_after_s": _MISSED_AFTER * every_s,
        "fields": [{"quantity": each.quantity.value, "pointer": f"/{each.quantity}"} for each in columns],
    }
