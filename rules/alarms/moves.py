"""How a move of the water is told that comes again, or that no water makes.

A probe whose drift is reset again and again moves to and fro as water may; but its resets are leaps, from one
reading to the next. A move that leapt each time is told twice a day, and then if it lasts or is worse; one
that went smoothly is told each time. And what came in one leap is not over as it moves no more: the probe may
be in other water. It stands, a day at most: by then somebody has looked at the labels.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf

import numpy as np
from numpy.typing import NDArray

from rules.alarms.persistence import Turn
from rules.alarms.recurrence import AGAIN_MS, LONGEST_GAPS, MOST_MS, Recurrence

Bools = NDArray[np.bool_]

TOLD, LASTS = 2, 1.5
"""Told so many times, and then when it lasts so many times the longest before, or is worse (project
judgement)."""

BACK = 0.25
STANDS_MS = MOST_MS
"""What leapt stands until the water is back, to within that part of the leap, or for so long."""

MORE_ARE_TOLD, THIS_IS_WORSE = "more are told if they last, or are worse", "this one is worse"
IN_A_LEAP = "in one leap between two readings: the probe, or another vessel's water"


@dataclass(frozen=True, slots=True)
class Move:
    """How far the water went at each of n readings: `level` is turned so that more is further.

    It is further than before by `further_by`; where it is `close` the worst limit is near. `leap` is the
    level before and after the leap that the move at a reading is, None where it is none; without it all count
    alike, smooth or not.
    """

    time_ms: NDArray[np.int64]
    level: NDArray[np.float64]
    further_by: float
    close: Bools
    leap: Callable[[int], tuple[float, float] | None] | None

    def worse_than(self, furthest: float) -> Bools:
        """Return where it is worse than what went so far."""
        worse: Bools = self.close | (self.level > furthest + self.further_by)
        return worse


def spells(worked_at: Bools | None, size: int) -> Iterator[tuple[slice, bool]]:
    """Go through the stretches of `size` readings in which somebody is at work, or nobody is."""
    turns = [] if worked_at is None else (np.diff(worked_at).nonzero()[0] + 1).tolist()
    for start, stop in pairwise([0, *turns, size]):
        yield slice(start, stop), worked_at is not None and bool(worked_at[start])


def told(
    found: list[Turn], active: bool, move: Move, again: Recurrence, worked_at: Bools | None, stays: bool
) -> Iterator[Turn]:
    """Return of a move's turns those that are told, and carry `again` on (it is changed).

    `active` is whether the condition was so before these turns. Where it is `worked_at` (shape n; None:
    nowhere) people move the water; `stays` is whether what came in a leap does.
    """
    for part, worked in spells(worked_at, move.time_ms.size):
        here = [turn for turn in found if part.start <= turn.index < part.stop]
        if worked and (active or here):
            again.leap = None
        stops = [*(turn.index for turn in here), part.stop]
        for its, start, stop in zip([None, *here], [part.start, *stops], stops, strict=False):
            if its is not None:
                turn = its if worked else _counted(its, move, again)
                active, stands = turn.active, None if turn.active else again.leap
                again.stands, again.stands_ms = stands, again.lost_ms
                yield from () if stays and stands else (turn,)
            if active and again.lost_ms > again.back_ms and not worked:  # else it began uncounted
                yield from _worse(move, start, stop, again)
            yield from _back(move, start, stop, again, worked, stays)


def of_limit(again: dict[str, Recurrence], key: str, limit: float) -> Recurrence | None:
    """Return how often a move came, as far as it counts: one beyond another limit is another matter."""
    its = again.get(key)
    if its is not None and its.limit != limit:
        its = again[key] = replace(its.anew(), limit=limit)
    return its


def _counted(turn: Turn, move: Move, again: Recurrence) -> Turn:
    at_ms, leap = int(move.time_ms[turn.index]), move.leap and move.leap(turn.index)
    if not turn.active:
        if again.lost_ms > again.back_ms:
            again.come_back(again.lost_ms, turn.since_ms)
            again.smooth |= bool(move.leap) and not (again.leap or leap)
        return replace(turn, often=IN_A_LEAP if again.leap else "")  # a milder level of it may stand
    if at_ms - again.first_ms > MOST_MS:
        again.times = 0
    longest_ms = again.needs_ms // LONGEST_GAPS
    often = again.lose(turn.since_ms, at_ms)
    again.leap = leap if leap and leap[0] < leap[1] else None  # one the other way is what it came back by
    again.smooth = again.smooth and bool(often)
    again.needs_ms = LONGEST_GAPS * longest_ms if often else 0  # how long it was gone does not count here
    again.furthest = again.furthest if often else -inf
    again.waits = again.times > TOLD and not again.smooth and not move.worse_than(again.furthest)[turn.index]
    if often and not again.smooth:
        often += f"; {THIS_IS_WORSE if again.times > TOLD and not again.waits else MORE_ARE_TOLD}"
    often = "; ".join(filter(None, (often, again.leap and IN_A_LEAP)))
    waits_ms = min(round(LASTS * longest_ms), AGAIN_MS)  # what lasts for hours does not come and go
    return replace(turn, often=often, waits_ms=waits_ms if again.waits else 0)


def _worse(move: Move, start: int, stop: int, again: Recurrence) -> Iterator[Turn]:
    """Tell at once of a move that waits when it becomes worse than those before; note how far it goes."""
    if again.waits:
        worse = move.worse_than(again.furthest)[start:stop].nonzero()[0]
        if not worse.size:
            return
        start, again.waits = start + int(worse[0]), False
        often = f"{again.so_often(int(move.time_ms[start]))}; {THIS_IS_WORSE}"
        yield Turn(start, True, again.lost_ms, often=often)
    again.furthest = float(np.fmax.reduce(move.level[start:stop], initial=again.furthest))


def _back(
    move: Move, start: int, stop: int, again: Recurrence, worked_at: bool, stays: bool
) -> Iterator[Turn]:
    """Let what leapt be over where the water is back, or after its time; it lasted until then."""
    if again.stands is None:
        return
    before, after = again.stands
    over = np.abs(move.level[start:stop] - before) <= BACK * abs(after - before)
    over |= move.time_ms[start:stop] - again.stands_ms > STANDS_MS
    over |= worked_at
    if over.any():
        again.stands, at = None, start + int(np.argmax(over))
        at_ms = int(move.time_ms[at])
        again.needs_ms = max(again.needs_ms, LONGEST_GAPS * (at_ms - again.lost_ms))
        yield from (Turn(at, False, at_ms),) if stays else ()
