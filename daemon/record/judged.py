"""What the rules make of a journal's readings, block by block: every value with what stands beside it.

The plans of the time judge, by the rules of this version, so that what comes out is what a replay says.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.errors import BellwatchError
from daemon.journal.dating import Dating
from daemon.journal.fold import fold
from daemon.journal.history import UNUSABLE
from daemon.machine import SERIES
from daemon.record.tables import BANDS, TESTS, UCUM
from daemon.sources.drift_correction import BySource, correct
from rules.engine import Engine
from rules.quality.flags import unpack
from rules.quantities import Quantity, unit_of
from rules.rack.channels import Channel, channels_of
from rules.rack.limits import Basis
from rules.rack.stage_plan import StageNow, bounds
from rules.readings import Action, Amendment, ChannelFlags, Readings

Columns = dict[str, Any]
"""Arrays of one length n by the names of the table's columns; what is the same in all rows stands alone."""


@dataclass(frozen=True, slots=True)
class Piece:
    """What came of some readings of one channel, with the columns that no later reading changes."""

    flags: ChannelFlags
    columns: Columns

    def amended(self, late: Mapping[tuple[str, int], Amendment]) -> Columns:
        """Return all columns, the last flag as it is known now that the next reading is in."""
        summary, tests = self.flags.summary.copy(), self.flags.tests.copy()
        if (found := late.get((self.flags.channel, int(self.flags.seq[-1])))) is not None:
            summary[-1], tests[-1] = found.summary, found.tests
        return {**self.columns, "flag": summary, **dict(zip(TESTS, unpack(tests), strict=True))}


class Judging:
    """Two engines on their way through a journal: as it is and, where probes drifted, corrected.

    `trouble` is why an input could not be judged, the first of them; empty where all could.
    """

    def __init__(self, corrections: BySource, dating: Dating) -> None:
        self._corrections, self._dating, self.trouble = corrections, dating, ""
        self._engine: Engine | None = None
        self._corrected: Engine | None = None
        self._channels: dict[str, Channel] = {}
        self._held: dict[str, Piece] = {}

    def of(self, item: Readings | Action) -> list[Columns]:
        """Judge one more block, or let happen what somebody did; return what is known for good by now."""
        try:
            if isinstance(item, Readings):
                return [columns for part in self._parts(item) for columns in self._take(part)]
            self._engine, _ = fold(self._engine, item)
            if self._corrections:
                self._corrected, _ = fold(self._corrected, item)
            self._channels = {channel.name: channel for channel in channels_of(self._engine.plan)}
        except (*UNUSABLE, BellwatchError) as error:
            self.trouble = self.trouble or str(error)
        return []

    def held_back(self) -> list[Columns]:
        """Return what waited for the next reading, once there is none."""
        return [held.amended({}) for held in self._held.values()]

    def _parts(self, readings: Readings) -> Iterator[Readings]:
        """Cut readings where a planned move of a vessel begins: within a part each has one stage."""
        plan = self._engine.plan if self._engine else None
        moves = sorted({step.at_ms for steps in plan.steps.values() for step in steps}) if plan else []
        places = np.searchsorted(readings.at_ms, np.array(moves, dtype=np.int64)).tolist()
        for start, stop in pairwise([0, *places, len(readings)]):
            if start < stop:
                yield readings.part(start, stop)

    def _take(self, readings: Readings) -> Iterator[Columns]:
        self._engine, outcome = fold(self._engine, readings)
        found: dict[tuple[str, int], ChannelFlags] = {}
        if self._corrections:
            self._corrected, again = fold(self._corrected, correct(readings, self._corrections, {}))
            found = {(its.channel, int(its.seq[0])): its for its in again.flags}  # in an order of its own
        late = {(amended.channel, amended.seq): amended for amended in outcome.amendments}
        stages = self._engine.stages()
        for flags in outcome.flags:
            corrected = found[flags.channel, int(flags.seq[0])] if self._corrections else None
            if flags.channel in self._held:
                yield self._held.pop(flags.channel).amended(late)
            channel = self._channels[flags.channel]
            stage = stages.get(channel.vessel, StageNow("", 0))
            self._held[flags.channel] = self._piece(readings, channel, flags, corrected, stage)

    def _piece(
        self,
        readings: Readings,
        channel: Channel,
        flags: ChannelFlags,
        corrected: ChannelFlags | None,
        stage: StageNow,
    ) -> Piece:
        here = np.searchsorted(readings.seq, flags.seq)
        ahead_ms, known = self._dating.ahead(readings.at_ms[here])
        columns = {
            "seq": flags.seq,
            "time": flags.time_ms + ahead_ms,
            "clock_set": known,
            "probe": channel.source.probe,
            "quantity": str(channel.quantity),
            "vessel": channel.vessel,
            "unit": ucum(channel.quantity),
            "raw": readings.value[here] if channel.measured else None,
            "value": flags.value,
            "corrected": None if corrected is None else corrected.value,
            "plus_minus": 0.0 if flags.error is None else flags.error,
            "stage": stage.stage,
            **self._bands(channel, stage, flags.time_ms),
        }
        return Piece(flags, columns)

    def _bands(self, channel: Channel, stage: StageNow, time_ms: NDArray[np.int64]) -> Columns:
        assert self._engine is not None
        tolerances = self._engine.plan.tolerances_of(channel.vessel)
        limits = bounds(tolerances, stage, channel.quantity, time_ms).limits
        found = {
            f"{limit.level}_{'high' if limit.above else 'low'}": value
            for limit, value in limits
            if limit.basis is Basis.VALUE
        }
        return {band: found.get(band) for band in BANDS}


def ucum(measured: str) -> str:
    """Return the unit of what is measured in UCUM; a count has 1."""
    its = unit_of(Quantity(measured)) if measured in set(Quantity) else SERIES.get(measured, "")
    return UCUM.get(its, its)
