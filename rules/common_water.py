"""The water of blocks that several engines judge by other limits: each takes it from who had it first."""

from dataclasses import dataclass
from itertools import chain

from rules.judging.series import Samples
from rules.judging.water import Carried, Water
from rules.quality.history import History
from rules.quality.leaps import Leap
from rules.quality.repeats import Repeats, Rounds
from rules.quality.replayed import Played, Rests
from rules.quality.scatter import Scatter
from rules.quality.swift import Swift

_MADE_ANEW = (History, Leap, Played, Repeats, Rests, Rounds, Samples, Scatter, Swift)
"""Of what is carried, what each engine makes by itself as it begins, and as people let it begin anew."""


@dataclass(frozen=True, slots=True)
class _Found:
    """A block that has been judged, and what was carried before and after."""

    water: Water
    judged_by: tuple[object, ...]
    before: Carried
    after: Carried

    def holds_for(self, own: Water, before: Carried) -> bool:
        """Return whether an engine that carries `before` would find the very same."""
        its = zip(chain(*self.before), chain(*before), strict=True)
        carried = all(one is other or (isinstance(one, _MADE_ANEW) and one == other) for one, other in its)
        return carried and self.judged_by == own.judged_by()


class CommonWater:
    """The water of blocks that several engines judge by other limits: the first works it out for all.

    They must be fed the same, each piece (of a day at most) before the next; `forget` what all have judged.
    """

    def __init__(self) -> None:
        self._found: dict[tuple[object, ...], list[_Found]] = {}

    def forget(self) -> None:
        """Forget the blocks so far."""
        self._found.clear()

    def judged(self, own: Water, piece: tuple[object, ...]) -> Water:
        """Return a `piece` of an engine's block, judged: another one's if that began the very same."""
        known = self._found.setdefault((int(own.readings.seq[0]), len(own.readings), piece), [])
        before = own.carried()
        found = next((it for it in known if it.holds_for(own, before)), None)
        if found is None:
            judged_by = own.judged_by()
            own.judge_apart().at_rest = {}
            found = _Found(own, judged_by, before, own.carried())
            known.append(found)
        else:
            own.carry_on(found.after)
        return found.water
