"""The water of the vessels as it was judged, in series that exposures are summed over."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np

from daemon.replay.replay import replay
from daemon.settings.rack import Settings
from daemon.sources.journal import journal_recording
from daemon.words import quantity_of
from rules.culture.exposure import Series
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.rack.stages_over_time import StagesOverTime
from rules.readings import ChannelFlags, Outcome


@dataclass(frozen=True, slots=True)
class Judged:
    """The series of channels by their names, and which stage was where, on the journal's axis."""

    series: Mapping[str, Series]
    stages: StagesOverTime = field(default_factory=StagesOverTime)


class Water:
    """The usable values of channels with limits, on the journal's axis; `wanted` names channels (None: all).

    It keeps about 40 bytes for each of them.
    """

    def __init__(self, wanted: Collection[str] | None = None) -> None:
        self._wanted, self._stages = wanted, StagesOverTime()
        self._parts: dict[str, list[ChannelFlags]] = defaultdict(list)
        self._late: dict[str, dict[int, int]] = defaultdict(dict)

    def observe(self, engine: Engine, outcome: Outcome) -> None:
        """Take a block of a replay in."""
        self._stages.note(engine.plan, engine.stages(), engine.clock_ms, outcome.moved)
        for late in outcome.amendments:
            self._late[late.channel][late.seq] = late.summary
        for flags in outcome.flags:
            if self._wanted is None or flags.channel in self._wanted:
                self._parts[flags.channel].append(flags)

    def judged(self, end_ms: int) -> "Judged":
        """Return what held up to a moment."""
        series = {name: self._series(name, end_ms) for name in sorted(self._parts)}
        return Judged({name: its for name, its in series.items() if its.time_ms.size}, self._stages)

    def _series(self, name: str, end_ms: int) -> Series:
        vessel, quantity = name.split("/", maxsplit=1)[0], quantity_of(name)
        late, parts = self._late[name], self._parts[name]
        columns = ("time_ms", "value", "seq", "summary")
        time_ms, value, seq, summary = (np.concatenate([getattr(it, key) for it in parts]) for key in columns)
        amended = np.isin(seq, list(late))
        summary[amended] = [late[number] for number in seq[amended].tolist()]
        bands, holds_ms = self._stages.bands(vessel, quantity, time_ms)
        good = (summary != Flag.FAIL) & np.isfinite(value) & (holds_ms > 0) & (time_ms < end_ms)
        held_ms = np.minimum(np.diff(time_ms[good], append=end_ms), holds_ms[good])
        return Series(time_ms[good], held_ms, value[good], bands[:, good])


def water_of(
    settings: Settings, wanted: Collection[str] | None, numbers: tuple[int, int], end_ms: int
) -> Judged:
    """Judge again the readings between two numbers, and return what held up to a moment of the axis."""
    water = Water(wanted)
    recording = journal_recording(settings.journal.path, after=numbers[0], upto=numbers[1])
    replay(recording, [None], observers=[water.observe])
    return water.judged(end_ms)
