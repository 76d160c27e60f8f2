"""Replaying a finished export: its rows in the order in which they were taken in."""

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from daemon.errors import SourceError
from daemon.export.rows import Row
from daemon.sources.recording import Recording, SourceKey, in_memory
from rules.readings import Readings


def export_recording(path: Path, rows: Iterable[Row]) -> Recording:
    """Return the readings of an export; raise SourceError where it holds none.

    Where the clock of the time ran back, the axis of arrival waits; a reading that is then no newer
    than its source's last is counted, not replayed, as at the daemon's own door.
    """
    sources: dict[SourceKey, int] = {}
    newest: dict[int, int] = {}
    taken: list[tuple[int, int, int]] = []
    values: list[float] = []
    at_ms, refused = 0, 0
    for row in rows:
        at_ms = max(at_ms, row.taken_in_ms)
        for quantity, value in row.values.items():
            source = sources.setdefault((row.probe, str(quantity), row.vessel), len(sources) + 1)
            if row.time_ms <= newest.get(source, -1):
                refused += 1
                continue
            newest[source] = row.time_ms
            taken.append((at_ms, source, row.time_ms))
            values.append(value)
    if not taken:
        raise SourceError(f"{path}: an export without a single reading, so there is nothing to replay")
    at, source_of, time = np.array(taken, dtype=np.int64).T.copy()
    readings = Readings(np.arange(1, at.size + 1, dtype=np.int64), at, source_of, time, np.array(values))
    keys = {number: key for key, number in sources.items()}
    return in_memory(str(path), keys, readings, {"not newer than the last reading": refused})
