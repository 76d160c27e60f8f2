"""What the quality tests remember of a channel between two blocks."""

from dataclasses import dataclass, field

import numpy as np

from rules.quality.flags import NOT_EVALUATED, Flags, QartodTest
from rules.quality.flat_line import FlatRun
from rules.quality.hour_statistics import Floats, HourStatistics, Ints
from rules.quality.settings import Range


@dataclass(frozen=True, slots=True)
class QualityState:
    """A channel's past, as far as a later reading's flags depend on it; the default is no past at all.

    time_ms, value: the last two readings, NaN where not usable, shape (up to 2,). tests: flags of
    the last reading, shape (8, 1). sensor_range: that of the hours' quanta; hours start anew with another.
    """

    time_ms: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    value: Floats = field(default_factory=lambda: np.empty(0, dtype=np.float64))
    tests: Flags = field(default_factory=lambda: np.full((len(QartodTest), 1), NOT_EVALUATED, np.uint8))
    run: FlatRun = field(default_factory=FlatRun)
    hours: HourStatistics = field(default_factory=HourStatistics)
    sensor_range: Range | None = None
