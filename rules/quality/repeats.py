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
    times = repeats_after(value, past.value, past.times)[1:]
    starts = np.concatenate(([True], times[1:] == 0)).nonzero()[0]
    stops = np.concatenate((starts[1:], [value.size]))
    since_ms = at_ms[starts]
    before, equal = past.before, past.equal
    if times[0]:
        since_ms[0] = past.since_ms
    elif past.since_ms and not past.frozen:
        before, equal = before + past.times + 1, equal + past.times
    sizes = times[stops - 1] + 1
    known = before + sizes.cumsum() - sizes  # before each run, shape runs
    same = known - before + equal - np.arange(sizes.size)
    turns, step = _turns(value[starts], past, goes_on=bool(times[0]))
    found = np.full(value.size, MOVING)
    for run in (sizes > LEAST_READINGS).nonzero()[0].tolist():
        here = slice(starts[run], stops[run])
        long = (times[here] >= LEAST_READINGS) & (at_ms[here] - since_ms[run] >= LEAST_MS)
        if long.any() and _fine(known[run], same[run], turns[run]):
            found[here] = np.where(long, since_ms[run], MOVING)
            known[run + 1 :] -= sizes[run]
            same[run + 1 :] -= sizes[run] - 1
    newest = float(value[-1]), int(times[-1]), int(since_ms[-1]), bool(found[-1] != MOVING)
    return found, Repeats(int(known[-1]), int(same[-1]), *newest, int(turns[-1]), step)


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


def _turns(value: NDArray[np.float64], past: Repeats, *, goes_on: bool) -> tuple[NDArray[np.int64], int]:
    """Return how often the values of runs (shape runs) had turned when each began, and the newest step."""
    row = np.concatenate(((past.value,), value))
    step = np.sign(row[1:] - row[:-1])
    step[0] = past.step if goes_on else step[0]
    turned = np.zeros(value.size, dtype=np.int64)  # what comes after or before a missing one has not
    turned[0] = not goes_on and step[0] * past.step < 0
    turned[1:] = step[1:] * step[:-1] < 0
    return past.turns + turned.cumsum(), 0 if np.isnan(step[-1]) else int(step[-1])
