"""A probe so fine that it hardly ever reads the same twice, and that then repeats itself, is frozen.

Its own noise is the witness, long before its longest calm is known: twenty readings in a row that each equal
the one before by a chance of one in twenty do not come in the life of a probe. Of a new probe that chance is
bounded by the rule of three (with k equal ones among n it is below (3 + 2 k)/n with 95 %; Hanley and
Lippman-Hand, JAMA 249, 1743, 1983; from memory), and its readings must go up and down as noise does: one that
still comes to the water's temperature reads another value each time, too, and is calm afterwards.

What says the same few numbers over and over (a gateway that has ceased to hear its probe) is told in the same
way: by how seldom its readings equalled those so far before, in bits.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import isqrt
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rules.quality.calm import LEAST_MS, LEAST_READINGS, MOVING
from rules.quality.hour_statistics import BUCKET_MS, all_since

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SELDOM, KNOWN_FROM = 20, 200
"""Seldom is one in so many of at least so many readings (project judgement)."""
ALONG_MS = 1_200_000
"""So long what repeats itself beside a frozen one of its probe is believed (project judgement)."""
RULE_OF_THREE, SELDOM_NEW = 3, 10
"""Of a new probe it is a chance that is surely below one in so many: twenty in a row are one in 10^20."""

LONGEST_ROUND: Final = 20
ENOUGH_OF_ROUND: Final = 100
"""Half bits that a round, of so many readings at most, must come to (project judgement)."""
_AT_MOST: Final = ((20, 8), (8, 6), (4, 4), (3, 3), (2, 2))
"""Where one in so many readings equalled the one so far before, or fewer, another one is worth so many half
bits. What cycles in step with the polls, or rests, does that always."""
ONE_IN: Final = 4
"""Of so many readings one is looked at for that."""
_KEPT: Final = LONGEST_ROUND + 1


@dataclass(frozen=True, slots=True)
class Repeats:
    """How many readings came before the newest run of equal ones, and how many equalled the one before.

    `turns` is how often they went down after up or up after down, `step` (-1, 0, 1) the newest. `value` is
    the newest, which came again `times` since `since_ms`; `frozen` is whether it counts as frozen.
    """

    before: int = 0
    equal: int = 0
    value: float = np.nan
    times: int = 0
    since_ms: int = 0
    frozen: bool = False
    turns: int = 0
    step: int = 0


def repeats_after(count: NDArray[np.float64], before: float, repeats: int) -> NDArray[np.int64]:
    """Return how often the newest of `count` has come again after each of its n readings, shape n + 1.

    `before` is the one before them, which had come again `repeats` times.
    """
    row = np.concatenate(([before], count))
    at = np.arange(row.size)
    changed = np.concatenate(([-repeats], np.where(row[1:] != row[:-1], at[1:], -repeats)))
    return at - np.maximum.accumulate(changed)


def repeated(
    at_ms: NDArray[np.int64], value: NDArray[np.float64], past: Repeats
) -> tuple[NDArray[np.int64], Repeats]:
    """Return since when each reading (shapes n, not empty) of a fine probe is frozen, and what to carry.

    What was frozen is no part of what is known of it.
    """
    if value.size == 1 and past.times < LEAST_READINGS - 1:
        return np.full(1, MOVING), _one_more(int(at_ms[0]), float(value[0]), past)
    carried = past.times + 1 if value[0] == past.value else 0
    before, equal = past.before, past.equal
    if not carried and past.since_ms and not past.frozen:
        before, equal = before + past.times + 1, equal + past.times
    starts = np.concatenate(([0], (value[1:] != value[:-1]).nonzero()[0] + 1))
    stops = np.concatenate((starts[1:], [value.size]))
    sizes = stops - starts
    sizes[0] += carried
    turned, step = _turned(value[starts], past, goes_on=carried > 0)
    found, last = all_since(MOVING, value.size), sizes.size - 1
    for run in (sizes > LEAST_READINGS).nonzero()[0].tolist():
        here, since_ms = slice(starts[run], stops[run]), _since(run, at_ms, starts, carried, past)
        known = starts[run] + carried * (run > 0)
        turns = past.turns + int(np.count_nonzero(turned[: run + 1]))
        times = sizes[run] - np.arange(stops[run] - starts[run], 0, -1)
        long = (times >= LEAST_READINGS) & (at_ms[here] - since_ms >= LEAST_MS)
        if long.any() and _fine(before + known, equal + known - run, turns):
            found[here] = np.where(long, since_ms, MOVING)
            if run < last:
                before, equal = before - sizes[run], equal - sizes[run] + 1
    known = starts[-1] + carried * (last > 0)
    since_ms, frozen = _since(last, at_ms, starts, carried, past), bool(found[-1] != MOVING)
    newest = float(value[-1]), int(sizes[-1]) - 1, since_ms, frozen
    turns = past.turns + int(np.count_nonzero(turned))
    return found, Repeats(int(before + known), int(equal + known - last), *newest, turns, step)


def frozen_along(
    at_ms: NDArray[np.int64], value: NDArray[np.float64], past: Repeats, beside_ms: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return since when each reading (shapes n) is frozen as its whole probe is, `MOVING` where it is not.

    `beside_ms` is since when something else of the probe is (`MOVING`: nothing is), and by what that showed;
    what has not changed since then either repeats itself with it. The coarsest of a gateway that repeats
    everything shows that by nothing of its own.
    """
    again = repeats_after(value, past.value, past.times)[1:]
    start = np.arange(value.size) - again
    since_ms = np.where(start < 0, past.since_ms, at_ms[np.maximum(start, 0)])
    found = (again >= LEAST_READINGS) & (beside_ms != MOVING)
    found &= (since_ms - BUCKET_MS <= beside_ms) & (at_ms - ALONG_MS >= np.where(found, beside_ms, 0))
    return np.where(found, np.maximum(since_ms, beside_ms), MOVING)


def _since(run: int, at_ms: NDArray[np.int64], starts: NDArray[np.intp], carried: int, past: Repeats) -> int:
    """Return when a run of equal readings began; the first may go on from before the block."""
    return past.since_ms if carried and not run else int(at_ms[starts[run]])


def _one_more(at_ms: int, value: float, past: Repeats) -> Repeats:
    """Return what to carry after a reading that ends no run and makes none long enough to count."""
    if value == past.value:
        return replace(past, value=value, times=past.times + 1)
    before, equal = past.before, past.equal
    if past.since_ms and not past.frozen:
        before, equal = before + past.times + 1, equal + past.times
    step = (value > past.value) - (value < past.value)
    turns = past.turns + (step * past.step < 0)
    return Repeats(before, equal, value, 0, at_ms, False, turns, step)


def _fine(known: int, same: int, turns: int) -> bool:
    if known >= KNOWN_FROM and same * SELDOM <= known:
        return True
    return (RULE_OF_THREE + 2 * same) * SELDOM_NEW <= known and 2 * turns > known


def _turned(value: NDArray[np.float64], past: Repeats, *, goes_on: bool) -> tuple[NDArray[np.bool_], int]:
    """Return which runs (of these values, shape runs) turn back as they begin, and the newest step."""
    row = np.concatenate(((past.value,), value))
    step = np.sign(row[1:] - row[:-1])
    step[0] = past.step if goes_on else step[0]
    turned = step * np.concatenate(((past.step,), step[:-1])) < 0  # beside a missing one nothing has
    turned[0] &= not goes_on
    return turned, 0 if np.isnan(step[-1]) else int(step[-1])


@dataclass(frozen=True, slots=True)
class Run:
    """So many readings equalled the one `lag` before, since a moment; what each is worth, in half bits."""

    lag: int
    times: int
    since_ms: int
    worth: int


@dataclass(frozen=True, slots=True)
class Rounds:
    """What is carried of a source that may say the same few numbers over and over: the newest `value`s, how
    many it read (`known`), how many of those looked at equalled the one 20, 19, ... before (`same`), the runs
    that its newest reading goes on with, and since when it goes round (`MOVING`: it does not).
    """

    value: tuple[float, ...] = ()
    known: int = 0
    same: tuple[int, ...] = (0,) * LONGEST_ROUND
    runs: tuple[Run, ...] = ()
    since_ms: int = MOVING


def going_round(at_ms: Ints, value: Floats, past: Rounds) -> tuple[Ints, Bools, Rounds]:
    """Return since when readings (shapes n) surely go round, before and after each (n + 1).

    Also whether they go round after each at all (n), and what to carry.
    """
    if not value.size:
        return np.array((past.since_ms,)), np.zeros(0, dtype=np.bool_), past
    if value.size == 1 and value.item() not in past.value[-LONGEST_ROUND:]:  # as of fine ones nearly all
        newest = (*past.value, value.item())[-_KEPT:]
        now = replace(past, value=newest, known=past.known + 1, runs=(), since_ms=MOVING)
        return np.array((past.since_ms, MOVING)), np.zeros(1, dtype=np.bool_), now
    none = (np.nan,) * (_KEPT - len(past.value))
    its = _Row(np.concatenate((none, past.value, value)), at_ms, past)
    found, free = all_since(MOVING, value.size + 1), np.ones(value.size, dtype=np.bool_)
    found[0], goes = past.since_ms, np.zeros(value.size, dtype=np.bool_)
    for lag in its.lags():
        times, began = its.runs(lag)
        long = (times >= LEAST_READINGS) & free
        free &= ~long
        for start, stop in _stretches(long):
            row, run = its.row[_KEPT + start - lag : _KEPT + start + 1], its.run(lag, times, began, start)
            changes = np.count_nonzero(row[1:] != row[:-1])
            goes[start:stop] = changes > 0
            sure = times[start:stop] * changes // lag * run.worth >= ENOUGH_OF_ROUND
            sure &= at_ms[start:stop] - run.since_ms >= LEAST_MS
            found[1 + start : 1 + stop][sure] = run.since_ms
    return found, goes, its.carried(int(found[-1]))


class _Row:
    """A row of the readings kept and new ones, beside what was known before these."""

    def __init__(self, row: Floats, at_ms: Ints, past: Rounds) -> None:
        self.row, self._at_ms, self._past = row, at_ms, past
        self._known = {run.lag: run for run in past.runs}
        first = (ONE_IN - 1 - past.known) % ONE_IN
        looked_at = sliding_window_view(row, _KEPT)[1 + first :: ONE_IN]
        self._alike: Bools = looked_at[:, :-1] == looked_at[:, -1:]

    def lags(self) -> list[int]:
        """Return by how many readings the row may come again for long."""
        rests = self._alike.all(axis=1, keepdims=True)  # what rests goes round in nothing
        moves: Bools = self._alike[:, :-1] & ~rests
        long = moves[: max(moves.shape[0] - LEAST_READINGS // ONE_IN + 1, 0)].copy()
        for later in range(1, LEAST_READINGS // ONE_IN):
            long &= moves[later : later + long.shape[0]]
        lags = {LONGEST_ROUND - int(place) for place in np.flatnonzero(long.any(axis=0))}
        return sorted(lags.union(lag for lag in self._known if self.row[_KEPT] == self.row[_KEPT - lag]))

    def runs(self, lag: int) -> tuple[Ints, Ints]:
        """Return how many in a row equalled the reading `lag` before, and where that began (-1: before)."""
        alike = self.row[_KEPT:] == self.row[_KEPT - lag : -lag]
        at, before = np.arange(alike.size), self._known[lag].times if lag in self._known else 0
        broke = np.maximum.accumulate(np.where(alike, -1, at))
        times = np.where(broke < 0, at + 1 + before, at - broke)
        return times, np.where((broke < 0) & (before > 0), -1, broke + 1)

    def _newest(self, lag: int) -> tuple[Ints, Ints]:
        """Return the same of the newest reading; nearly all runs are short."""
        size = self._at_ms.size
        few = min(size, LEAST_READINGS)
        differ = np.flatnonzero(self.row[-few:] != self.row[-few - lag : -lag])
        if not differ.size:
            return self.runs(lag)
        times = few - 1 - differ[-1:]
        return times, size - times

    def run(self, lag: int, times: Ints, began: Ints, at: int) -> Run:
        """Return the run that goes on at a reading; what it is worth is by what was known as it began."""
        place = int(began[at])
        if place < 0:
            return replace(self._known[lag], times=int(times[at]))
        known = (self._past.known + place) // ONE_IN
        new = self._alike[: known - self._past.known // ONE_IN, LONGEST_ROUND - lag]
        same = self._past.same[LONGEST_ROUND - lag] + int(np.count_nonzero(new))
        surely = RULE_OF_THREE + same + 2 * isqrt(same)
        worth = next((its for most, its in _AT_MOST if known >= most * surely), 0)
        return Run(lag, int(times[at]), int(self._at_ms[place]), worth)

    def carried(self, since_ms: int) -> Rounds:
        """Return what to carry."""
        lags = () if (self.row[-_KEPT:] == self.row[-1]).all() else range(2, LONGEST_ROUND + 1)
        runs = [self.run(lag, *self._newest(lag), -1) for lag in lags if self.row[-1] == self.row[-1 - lag]]
        same = (np.array(self._past.same) + self._alike.sum(axis=0)).tolist()
        known = self._past.known + self._at_ms.size
        newest = self.row[-min(known, _KEPT) :].tolist()
        return Rounds(tuple(newest), known, tuple(same), tuple(runs), since_ms)


def _stretches(where: Bools) -> Iterator[tuple[int, int]]:
    edges = np.diff(np.concatenate(([False], where, [False])).astype(np.int8))
    yield from zip(np.flatnonzero(edges > 0).tolist(), np.flatnonzero(edges < 0).tolist(), strict=True)
