"""Where the water itself was in danger, whatever the settings said: the yardstick is the stages' own.

So an incident can be found that no alarm was raised for. What is built in for a stage counts, and the
settings only for a stage that is the nursery's own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.care.rationale import Record, record_of
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.rack.stages_over_time import StagesOverTime
from rules.rack.tolerance import Band
from rules.readings import ChannelFlags, Outcome

MINUTE_MS = 60_000
SHORTEST_MS = 10 * MINUTE_MS
"""What is beyond a critical limit for less than ten minutes is no incident (project judgement)."""


@dataclass(frozen=True, slots=True)
class Excursion:
    """Water of a vessel beyond a critical limit: `farthest` in the quantity's unit, `why` what that means."""

    vessel: str
    quantity: Quantity
    stage: str
    start_ms: int
    end_ms: int
    farthest: float
    why: Record

    @property
    def harm_ms(self) -> int | None:
        """Return from when on animals are harmed: the time to respond after its beginning, if it lasts."""
        harm_ms = self.start_ms + round(self.why.respond_min * MINUTE_MS)
        return harm_ms if harm_ms <= self.end_ms else None


class Excursions:
    """Gathers them from a replay; `observe` is its observer."""

    def __init__(self) -> None:
        self._stages = StagesOverTime()
        self._open: dict[str, Excursion] = {}
        self._done: list[Excursion] = []

    def observe(self, engine: Engine, outcome: Outcome) -> None:
        """Take a block in."""
        self._stages.note(engine.plan, engine.stages(), engine.clock_ms, outcome.moved)
        for flags in outcome.flags:
            vessel, quantity, *_ = flags.channel.split("/")
            self._take(vessel, Quantity(quantity), flags)

    def found(self) -> list[Excursion]:
        """Return those that lasted, by time."""
        every = [*self._done, *self._open.values()]
        lasting = [each for each in every if each.end_ms - each.start_ms >= SHORTEST_MS]
        return sorted(lasting, key=lambda each: (each.start_ms, each.vessel, each.quantity))

    def band(self, vessel: str, quantity: Quantity, at_ms: int) -> tuple[str, Band] | None:
        """Return the stage in a vessel at a moment and between what its water had to be; None: not known."""
        found = self._stages.stage(vessel, at_ms)
        own = found and DEFAULT_TOLERANCES.get(found[1].stage, {}).get(quantity)
        tolerance = own or self._stages.limits(vessel, quantity, at_ms)
        return (found[1].stage, tolerance.critical) if found and tolerance else None

    def _take(self, vessel: str, quantity: Quantity, flags: ChannelFlags) -> None:
        good = np.flatnonzero(np.isfinite(flags.value) & (flags.summary != Flag.FAIL))
        value, time_ms = flags.value[good], flags.time_ms[good]
        for _, now, start, stop in self._stages.parts(vessel, time_ms):
            its_value, its_ms = value[start:stop], time_ms[start:stop]
            low, high = self._critical(vessel, quantity, now.stage, its_ms)
            side = (its_value > high).astype(np.int8) - (its_value < low)
            turns = np.concatenate([[0], np.flatnonzero(np.diff(side)) + 1, [side.size]])
            for begun, over in zip(turns[:-1].tolist(), turns[1:].tolist(), strict=True):
                run = slice(begun, over)
                self._run(flags.channel, now.stage, int(side[begun]), its_ms[run], its_value[run])

    def _critical(
        self, vessel: str, quantity: Quantity, stage: str, time_ms: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Return the critical limits at times (shape 2, n), as a ramp moves them; nothing is beyond NaN."""
        if own := DEFAULT_TOLERANCES.get(stage, {}).get(quantity):
            ends = np.array([[own.critical.low], [own.critical.high]], dtype=np.float64)
            return ends.repeat(time_ms.size, axis=1)
        return self._stages.bands(vessel, quantity, time_ms)[0][2:]

    def _run(
        self, channel: str, stage: str, side: int, time_ms: NDArray[np.int64], value: NDArray[np.float64]
    ) -> None:
        """Take values in that are all on one side of the band, or in it (0)."""
        before = self._open.pop(channel, None)
        vessel, name, *_ = channel.split("/")
        why = record_of(stage, name, "high_high" if side > 0 else "low_low", {}) if side else None
        if before is not None and before.why != why:
            self._done.append(before)
            before = None
        if why is not None:
            start_ms = int(time_ms[0]) if before is None else before.start_ms
            reached = [*value.tolist(), *([] if before is None else [before.farthest])]
            far, end_ms = max(reached) if side > 0 else min(reached), int(time_ms[-1])
            self._open[channel] = Excursion(vessel, Quantity(name), stage, start_ms, end_ms, far, why)
