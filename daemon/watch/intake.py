"""The door: raw readings of the drivers become numbered inputs, or counted rejections."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping

from drivers.readings import Reading

FUTURE_TOLERANCE_MS = 60_000

Row = tuple[int, int, int, float]
"""at_ms, source, time_ms, value, as the journal writes it."""


class Intake:
    """Puts readings into the order of their arrival and refuses what the journal must not hold.

    `sources` maps probe and quantity to the number of their source, `last_time_ms` each source to
    the time of its newest reading. `rejected` counts, by probe and reason, what was refused.
    """

    def __init__(
        self,
        sources: Mapping[tuple[str, str], int],
        last_time_ms: Mapping[int, int],
        rejected: Mapping[tuple[str, str], int] | None = None,
    ) -> None:
        self._sources = dict(sources)
        self._last_time_ms = dict(last_time_ms)
        self.rejected: Counter[tuple[str, str]] = Counter(rejected)

    def rows(self, readings: Iterable[Reading], floor_ms: int, now_ms: int) -> list[Row]:
        """Return what is accepted, by time of measurement; nothing is taken in before `floor_ms`.

        A reading that was measured before `floor_ms`, while an older block was being judged, keeps
        its own time and is taken in at `floor_ms`.
        """
        rows: list[Row] = []
        at_ms = floor_ms
        for reading in sorted(readings, key=lambda reading: reading.time_ms):
            source = self._sources.get((reading.probe, reading.quantity))
            if source is None:
                self.rejected[reading.probe, "not in the settings"] += 1
            elif not math.isfinite(reading.value):
                self.rejected[reading.probe, "not a finite number"] += 1
            elif reading.time_ms > now_ms + FUTURE_TOLERANCE_MS:
                # It would hold up its source: everything up to then would count as older than it.
                self.rejected[reading.probe, "of the future"] += 1
            elif reading.time_ms <= self._last_time_ms.get(source, -1):
                self.rejected[reading.probe, "not newer than the last reading"] += 1
            else:
                self._last_time_ms[source] = reading.time_ms
                at_ms = max(at_ms, reading.time_ms)
                # SQLite keeps no sign of a zero; what is judged must be what is written down.
                rows.append((at_ms, source, reading.time_ms, reading.value + 0.0))
        return rows
