"""The rack as it was at a moment: the journal folded up to it, with the readings that led there."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from daemon.errors import JournalError
from daemon.journal.fold import fold
from daemon.journal.journal import Journal
from rules.engine import Engine
from rules.readings import Action, Outcome, Readings

LED_THERE_MS = 6 * 3_600_000
"""Readings of so long before a moment are converted again for it; all that people did before it counts."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A reading as it came and as it was converted (NaN where it could not be)."""

    seq: int
    time_ms: int
    raw: float
    value: float


@dataclass(slots=True)
class Moment:
    """The engine at a moment, and each channel's readings of the time before, by its name."""

    engine: Engine
    judged: dict[str, list[Judged]] = field(default_factory=dict)


def moment_at(journal: Journal, at_ms: int) -> Moment:
    """Return the rack as it was at a moment of the axis; JournalError where nothing was taken in by then."""
    oldest, engine, found = journal.inputs.last_seq_before(at_ms - LED_THERE_MS), None, None
    for item in _up_to(journal.inputs.after(0, readings_after_seq=oldest), at_ms):
        engine, outcome = fold(engine, item)
        found = found or Moment(engine)
        if isinstance(item, Readings):
            _keep(found, item, outcome)
    if found is None:
        raise JournalError(f"journal {journal.path}: empty; `bellwatch run` has not taken in anything yet")
    found.engine.advance(max(at_ms, found.engine.clock_ms))
    return found


def _up_to(items: Iterator[Readings | Action], at_ms: int) -> Iterator[Readings | Action]:
    for item in items:
        if isinstance(item, Action):
            if item.at_ms > at_ms:
                return
            yield item
        else:
            count = int(np.searchsorted(item.at_ms, at_ms, side="right"))
            yield item.part(0, count)
            if count < len(item):
                return


def _keep(moment: Moment, readings: Readings, outcome: Outcome) -> None:
    raw = dict(zip(readings.seq.tolist(), readings.value.tolist(), strict=True))
    for flags in outcome.flags:
        columns = (flags.seq.tolist(), flags.time_ms.tolist(), flags.value.tolist())
        rows = [Judged(seq, time_ms, raw[seq], value) for seq, time_ms, value in zip(*columns, strict=True)]
        moment.judged.setdefault(flags.channel, []).extend(rows)
