"""A probe so fine that it hardly ever reads the same twice, and that then repeats itself, is frozen.

Its own noise is the witness, long before its longest calm is known: twenty readings in a row that each equal
the one before by a chance of one in twenty do not come in the life of a probe. Of a new probe that chance is
bounded by the rule of three (with k equal ones among n it is below (3 + 2 k)/n with 95 %; Hanley and
Lippman-Hand, JAMA 249, 1743, 1983; from memory), and its readings must go up and down as noise does: one that
still comes to the water's temperature reads another value each time, too, and is calm afterwards.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.quality.calm import LEAST_MS, LEAST_READINGS, MOVING
from rules.quality.hour_statistics import all_since

SELDOM, KNOWN_FROM = 20, 200
"""Seldom is one in so many of at least so many readings (project judgement)."""
RULE_OF_THREE, SELDOM_NEW = 3, 10
"""Of a new probe it is a chance that is surely below one in so many: twenty in a row are one in 10^20."""


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
