"""A recording with the fouling and the drift of its probes taken off, as far as the visits to them tell.

The visits are the calibrations in the journal; what each found is taken to have grown evenly since the one
before, with time or with use (see `rules.care.drift`). Nothing that was logged is changed: it is for looking
back.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from daemon.as_read import shown, shown_unit
from daemon.journal.dating import Dating
from daemon.journal.journal import reading
from daemon.journal.logbook import calibrations_in
from daemon.sources.recording import Inputs, Recording, SourceKey
from rules.care.calibration import Calibration
from rules.care.drift import Correction, Ints, corrected, corrections_of, uncertainty_between, visits_in_pairs
from rules.readings import Readings

BySource = Mapping[int, Sequence[Correction]]


def calibrations_at(path: Path) -> list[Calibration]:
    """Return the calibrations that a journal holds, oldest first; raise JournalError where it is none."""
    with reading(path) as journal:
        return calibrations_in(journal)


def dating_of(path: Path) -> Dating:
    """Return how the times of a journal's calibrations are dated; raise JournalError where it is none."""
    with reading(path) as journal:
        return journal.state.dating()


def drift_corrected(
    recording: Recording, visits: Sequence[Calibration], *, by_readings: bool = False
) -> Recording:
    """Return a recording whose readings are corrected between each two visits to their probe.

    What was found grew evenly with time, or from reading to reading where the probe wears by use.
    """
    by_source = corrections_by_source(recording.sources, visits)
    times = _times(recording, by_source) if by_readings else {}
    if by_readings:
        by_source = {source: _counted(its, times[source]) for source, its in by_source.items()}

    def inputs() -> Inputs:
        for item in recording.inputs():
            yield correct(item, by_source, times) if isinstance(item, Readings) else item

    return replace(recording, name=f"{recording.name}, corrected for drift", inputs=inputs)


def corrections_by_source(sources: Mapping[int, SourceKey], visits: Sequence[Calibration]) -> BySource:
    """Return the corrections of each source between two visits to its probe; of the others none."""
    found = corrections_of(visits)
    keys = {source: f"{probe}/{quantity}" for source, (probe, quantity, _) in sources.items()}
    return {source: found[key] for source, key in keys.items() if key in found}


def how_sure(visits: Sequence[Calibration], dating: Dating, zone: ZoneInfo) -> Iterator[str]:
    """Say how far the standards of each two visits may put the values between them off, at most."""
    for before, visit in visits_in_pairs(visits):
        true, its = visit.as_found[-1].true, visit.quantity
        off = max(uncertainty_between(before, visit, at.at_ms, true) for at in (before, visit))
        sure = (
            f"± {shown(off, its, difference=True):.2g} at {shown(true, its):.4g} {shown_unit(its)}".rstrip()
        )
        ends_ms = (dating.utc_ms(it.at_ms) for it in (before, visit))
        since, until = (f"{datetime.fromtimestamp(it / 1000, zone):%Y-%m-%d}" for it in ends_ms)
        by = (
            f"corrected, by the standards to {sure}"
            if off
            else "corrected; how sure its standards are is not stated"
        )
        yield f"{visit.key} from {since} to {until}: {by}"


def _times(recording: Recording, sources: Iterable[int]) -> dict[int, Ints]:
    """Return when each reading of the sources was measured."""
    blocks = [item for item in recording.inputs() if isinstance(item, Readings)]
    return {
        source: np.concatenate([block.time_ms[block.source == source] for block in blocks])
        for source in sources
    }


def _counted(corrections: Iterable[Correction], times: Ints) -> list[Correction]:
    """Return corrections from reading to reading, by their numbers, without those over none."""
    ends = [(its, *np.searchsorted(times, (its.from_ms, its.to_ms)).tolist()) for its in corrections]
    return [replace(its, from_ms=first, to_ms=last) for its, first, last in ends if first < last]


def correct(readings: Readings, by_source: BySource, times: Mapping[int, Ints]) -> Readings:
    """Return readings corrected by their times, or by their numbers among all `times` of a source."""
    value = readings.value.copy()
    for source, corrections in by_source.items():
        here = np.flatnonzero(readings.source == source)
        at = readings.time_ms[here]
        position = np.searchsorted(times[source], at) if source in times else at
        for correction in corrections:
            value[here] = corrected(position, value[here], correction)
    return replace(readings, value=value)
