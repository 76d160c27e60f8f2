"""Which stage lived in each vessel under which plan, and so what was tolerated at any moment that is past."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rules.quantities import Quantity
from rules.rack.limits import Basis, Level
from rules.rack.plan import RackPlan
from rules.rack.stage_plan import Moved, StageNow, bounds, tolerance_at
from rules.rack.tolerance import Tolerance

_ENDS = [(level, above) for level in (Level.ADVISORY, Level.CRITICAL) for above in (False, True)]
_Known = list[tuple[int, RackPlan, StageNow]]


class StagesOverTime:
    """Gathered from what stands after each input: `note` it in the order of time."""

    def __init__(self) -> None:
        self._known: dict[str, _Known] = defaultdict(list)

    def note(
        self, plan: RackPlan, stages: Mapping[str, StageNow], clock_ms: int, moved: Iterable[Moved] = ()
    ) -> None:
        """Take in the stages as they stand at `clock_ms`, and those that have begun since the last time.

        They began under the plan of that time: `plan` may have come into force after them.
        """
        for vessel, before, now in moved:
            known = self._known[vessel]
            then = known[-1][1] if known else plan
            self._note(vessel, then, before, before.since_ms)
            known.append((now.since_ms, then, now))
        for vessel, now in stages.items():
            self._note(vessel, plan, now, clock_ms)

    def _note(self, vessel: str, plan: RackPlan, now: StageNow, at_ms: int) -> None:
        known = self._known[vessel]
        if not known:
            known += [(each.since_ms, plan, each) for each in (now.before, now) if each]
        elif known[-1][2] != now:
            known.append((now.since_ms, plan, now))
        elif known[-1][1] is not plan:
            known.append((at_ms, plan, now))

    def limits(self, vessel: str, quantity: Quantity, at_ms: int) -> Tolerance | None:
        """Return what was tolerated at a moment, moved by stage and plan; None where that is not known."""
        found = self.stage(vessel, at_ms)
        return found and tolerance_at(found[0].tolerances_of(vessel), found[1], quantity, at_ms)

    def stage(self, vessel: str, at_ms: int) -> tuple[RackPlan, StageNow] | None:
        """Return the plan of a moment and the stage in a vessel then; None where that is not known."""
        known = self._known.get(vessel, [])
        place = bisect_right(known, at_ms, key=lambda entry: entry[0])
        return known[place - 1][1:] if place else None

    def bands(
        self, vessel: str, quantity: Quantity, time_ms: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Return the bands in force at times (shape n, ascending), and how long each may go unwatched [ms].

        Shape (4, n): advisory low and high, critical low and high, infinite where there is none; shape n: 0
        where nothing is tolerated or known.
        """
        ends = np.array([[-np.inf], [np.inf], [-np.inf], [np.inf]]).repeat(time_ms.size, axis=1)
        holds_ms = np.zeros(time_ms.size, np.int64)
        for plan, now, start, stop in self.parts(vessel, time_ms):
            its = bounds(plan.tolerances_of(vessel), now, quantity, time_ms[start:stop])
            holds_ms[start:stop] = its.tolerance.unwatched_after_ms if its.tolerance else 0
            for limit, value in its.limits:
                if limit.basis is Basis.VALUE:
                    ends[_ENDS.index((limit.level, limit.above)), start:stop] = value
        return ends, holds_ms

    def parts(self, vessel: str, time_ms: NDArray[np.int64]) -> Iterator[tuple[RackPlan, StageNow, int, int]]:
        """Go through times (shape n, ascending) by what lived in a vessel under which plan: from, up to."""
        known = self._known.get(vessel, [])
        starts = np.searchsorted(time_ms, [entry[0] for entry in known]).tolist()
        for (_, plan, now), (start, stop) in zip(known, pairwise([*starts, time_ms.size]), strict=True):
            if start < stop:
                yield plan, now, start, stop
