"""What a report draws of a replay: each channel's extent over time, its bands as they were, its flags.

A year has a million readings a channel and a page a thousand columns: each column holds the least
and the greatest value in its time, so that not one spike is lost in the drawing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.engine import Engine
from rules.quality.flags import Flag
from rules.rack.plan import RACK_WIDE
from rules.rack.stages_over_time import StagesOverTime
from rules.rack.tolerance import Tolerance
from rules.readings import ChannelFlags, Outcome

COLUMNS = 1000
LOOKS = 400
"""How often the bands are looked at, at equal times: the step of a ramp as it is drawn."""


@dataclass(slots=True)
class ChannelTrace:
    """One channel over `COLUMNS` columns: least and greatest value (NaN where none), worst flag (0: good).

    `bands` holds (from_ms, tolerance) wherever the tolerance became another.
    """

    vessel: str
    low: NDArray[np.float64] = field(default_factory=lambda: np.full(COLUMNS, np.nan))
    high: NDArray[np.float64] = field(default_factory=lambda: np.full(COLUMNS, np.nan))
    flag: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(COLUMNS, dtype=np.uint8))
    bands: list[tuple[int, Tolerance | None]] = field(default_factory=list)


class Trace:
    """Gathers the traces of a replay between `start_ms` and `stop_ms`; `observe` is its observer."""

    def __init__(self, start_ms: int, stop_ms: int) -> None:
        self.start_ms, self.stop_ms = start_ms, stop_ms
        self.channels: dict[str, ChannelTrace] = {}
        self._edges = start_ms + np.arange(COLUMNS + 1) * (stop_ms - start_ms) // COLUMNS
        self._looks = np.linspace(start_ms, stop_ms, LOOKS + 1).astype(np.int64)
        self._stages, self._upto_ms = StagesOverTime(), start_ms - 1
        self._last: dict[str, tuple[int, slice]] = {}

    def observe(self, engine: Engine, outcome: Outcome) -> None:
        """Take a block in."""
        self._stages.note(engine.plan, engine.stages(), engine.clock_ms, outcome.moved)
        if not self.start_ms <= engine.clock_ms:
            return
        new = (self._upto_ms < self._looks) & (self._looks <= engine.clock_ms)
        moments = [*self._looks[new].tolist(), *(its.now.since_ms for its in outcome.moved), engine.clock_ms]
        moments = sorted(it for it in moments if self.start_ms <= it <= self.stop_ms)
        self._upto_ms = engine.clock_ms
        for now in engine.channels():
            vessel, quantity = now.channel.vessel, now.channel.quantity
            trace = self.channels.setdefault(now.channel.name, ChannelTrace(vessel or RACK_WIDE))
            for moment_ms in moments:
                tolerance = self._stages.limits(vessel, quantity, moment_ms)
                if not trace.bands or trace.bands[-1][1] != tolerance:
                    trace.bands.append((moment_ms, tolerance))
        for amended in outcome.amendments:
            seq, column = self._last.get(amended.channel, (0, slice(0)))
            if seq == amended.seq:  # one more test can only make it worse
                drawn = self.channels[amended.channel].flag[column]
                np.maximum(drawn, _drawn(np.array(amended.summary)), out=drawn)
        for flags in outcome.flags:
            self._fill(self.channels[flags.channel], flags)
            place = int(np.searchsorted(self._edges, flags.time_ms[-1], side="right"))
            self._last[flags.channel] = int(flags.seq[-1]), slice(max(0, place - 1), place)

    def _fill(self, trace: ChannelTrace, flags: ChannelFlags) -> None:
        bounds = np.searchsorted(flags.time_ms, self._edges)
        filled = np.flatnonzero(np.diff(bounds))
        if not filled.size:
            return
        cut = slice(0, int(bounds[filled[-1] + 1]))
        starts = bounds[filled]
        worse = _drawn(flags.summary[cut])
        trace.low[filled] = np.fmin(trace.low[filled], np.fmin.reduceat(flags.value[cut], starts))
        trace.high[filled] = np.fmax(trace.high[filled], np.fmax.reduceat(flags.value[cut], starts))
        trace.flag[filled] = np.maximum(trace.flag[filled], np.maximum.reduceat(worse, starts))


def _drawn(summary: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return flags as they are drawn: 0 where they are no worse than good."""
    return np.where(np.isin(summary, (Flag.SUSPECT, Flag.FAIL, Flag.MISSING)), summary, 0).astype(np.uint8)


def worth_drawing(traces: Sequence[Trace], alarmed: Sequence[str], vessels: Sequence[str]) -> list[str]:
    """Return the channels to draw: of the vessels named; else those that alarmed; else all with limits."""
    names = list(dict.fromkeys(name for trace in traces for name in trace.channels))
    first = traces[0].channels
    if vessels:
        return [name for name in names if name in first and first[name].vessel in vessels]
    return [name for name in names if name in set(alarmed)] or [
        name for name in names if any(band for _, band in first[name].bands)
    ]
