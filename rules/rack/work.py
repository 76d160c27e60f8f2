"""Where somebody is at work (maintenance), from place to place of a block of readings."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.rack.plan import Source
from rules.rack.state import Target, targets_of

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Work:
    """What is under maintenance from each of `places` of a block on; the first is before all readings."""

    places: Sequence[int]
    under: Sequence[frozenset[Target]]

    def at(self, source: Source, here: NDArray[np.intp]) -> Bools | None:
        """Return at which places `here` (rising, shape m) somebody is at work on a source; None: nowhere."""
        if not any(self.under):
            return None
        targets = targets_of(source.vessel, source.bus)
        worked = [not under.isdisjoint(targets) for under in self.under]
        if not any(worked):
            return None
        found: Bools = np.array(worked)[np.searchsorted(self.places, here, side="right") - 1]
        return found if found.any() else None


NO_WORK = Work((-1,), (frozenset(),))
