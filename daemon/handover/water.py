"""What the water was like over a time: least, middle and greatest value, and how long outside each band.

What the tests of quality fail does not count. A value holds until the next one, for as long at most as the
stage may go unwatched; after that nothing is known.
"""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from daemon.words import quantity_of
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.rack.stages_over_time import StagesOverTime
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Outcome

LOOK_EVERY_MS = 3_600_000
"""How often the bands are looked at: a ramp of days moves little in between."""


@dataclass(frozen=True, slots=True)
class WaterOf:
    """A channel: values in its unit, shares of the time; `tolerance` is what was tolerated at the end."""

    channel: str
    lowest: float
    middle: float
    highest: float
    advisory_ms: int
    critical_ms: int
    known_ms: int
    tolerance: Tolerance


@dataclass(slots=True)
class _Gathered:
    tolerance: Tolerance
    values: list[NDArray[np.float32]] = field(default_factory=list)
    held_ms: NDArray[np.int64] = field(default_factory=lambda: np.zeros(3, np.int64))
    last_ms: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    last_out: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((3, 0), np.bool_))

    def add(self, time_ms: NDArray[np.int64], out: NDArray[np.bool_]) -> None:
        """Count for how long each value before the last one held: outside either band, and at all."""
        times = np.concatenate([self.last_ms, time_ms])
        outs = np.concatenate([self.last_out, out], axis=1)
        lasted = np.minimum(np.diff(times), self.tolerance.unwatched_after_ms)
        self.held_ms += (outs[:, : lasted.size] * lasted).sum(axis=1)
        self.last_ms, self.last_out = times[-1:], outs[:, -1:]


class Water:
    """Gathers what the channels with limits were like in from_ms <= t < to_ms (of the journal's axis).

    `observe` is the observer of a replay.
    """

    def __init__(self, from_ms: int, to_ms: int) -> None:
        self._from_ms, self._to_ms = from_ms, to_ms
        self._channels: dict[str, _Gathered] = {}
        self._stages = StagesOverTime()

    def observe(self, engine: Engine, outcome: Outcome) -> None:
        """Take a block in."""
        self._stages.note(engine.plan, engine.stages(), engine.clock_ms)
        for flags in outcome.flags:
            here = (self._from_ms <= flags.time_ms) & (flags.time_ms < self._to_ms)
            here &= (flags.summary != Flag.FAIL) & np.isfinite(flags.value)
            time_ms, value = flags.time_ms[here], flags.value[here]
            looks = np.flatnonzero(np.diff(time_ms // LOOK_EVERY_MS, prepend=-1)).tolist()
            for start, stop in pairwise([*looks, time_ms.size]):
                self._add(flags.channel, time_ms[start:stop], value[start:stop])

    def _add(self, channel: str, time_ms: NDArray[np.int64], value: NDArray[np.float64]) -> None:
        vessel = channel.partition("/")[0]
        tolerance = self._stages.limits(vessel, quantity_of(channel), int(time_ms[0]))
        if tolerance is None:
            return
        its = self._channels.setdefault(channel, _Gathered(tolerance))
        its.tolerance = tolerance
        its.values.append(value.astype(np.float32))
        bands = [_outside(band, value) for band in (tolerance.advisory, tolerance.critical)]
        its.add(time_ms, np.array([*bands, np.ones(value.size, np.bool_)]))

    def found(self) -> list[WaterOf]:
        """Return every channel that had limits and a usable value, by name."""
        return [self._found(name) for name in sorted(self._channels)]

    def _found(self, name: str) -> WaterOf:
        its = self._channels[name]
        its.add(np.array([self._to_ms]), np.zeros((3, 1), np.bool_))
        values = np.concatenate(its.values)
        lowest, middle, highest = (float(of(values)) for of in (np.min, np.median, np.max))
        advisory_ms, critical_ms, known_ms = its.held_ms.tolist()
        return WaterOf(name, lowest, middle, highest, advisory_ms, critical_ms, known_ms, its.tolerance)


def _outside(band: Band, value: NDArray[np.float64]) -> NDArray[np.bool_]:
    low = -np.inf if band.low is None else band.low
    high = np.inf if band.high is None else band.high
    return (value < low) | (value > high)
