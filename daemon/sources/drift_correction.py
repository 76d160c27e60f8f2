"""A recording with the fouling and the drift of its probes taken off, as far as the visits to them tell.

The visits are the calibrations in the journal; what each found is taken to have grown evenly since the one
before (see `rules.care.drift`). Nothing that was logged is changed: it is for looking back.
"""

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np

from daemon.journal.journal import Journal
from daemon.journal.logbook import calibrations_in
from daemon.sources.recording import Inputs, Recording
from rules.care.calibration import Calibration, key_of
from rules.care.drift import Correction, corrected, corrections_of
from rules.quantities import Quantity
from rules.readings import Readings

BySource = Mapping[int, Sequence[Correction]]


def calibrations_at(path: Path) -> list[Calibration]:
    """Return the calibrations that a journal holds, oldest first; raise JournalError where it is none."""
    with closing(Journal(path, writable=False)) as journal:
        return calibrations_in(journal)


def drift_corrected(recording: Recording, visits: Sequence[Calibration]) -> Recording:
    """Return a recording whose readings are corrected between each two visits to their probe."""
    found = corrections_of(visits)
    by_source = {
        source: found[key]
        for source, (probe, quantity, _) in recording.sources.items()
        if (key := key_of(probe, Quantity(quantity))) in found
    }

    def inputs() -> Inputs:
        for item in recording.inputs():
            yield _corrected(item, by_source) if isinstance(item, Readings) else item

    return replace(recording, name=f"{recording.name}, corrected for drift", inputs=inputs)


def _corrected(readings: Readings, by_source: BySource) -> Readings:
    value = readings.value.copy()
    for source, corrections in by_source.items():
        here = np.flatnonzero(readings.source == source)
        for correction in corrections:
            value[here] = corrected(readings.time_ms[here], value[here], correction)
    return replace(readings, value=value)
