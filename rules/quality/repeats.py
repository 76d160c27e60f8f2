"""A probe so fine that it hardly ever reads the same twice, and that then repeats itself, is frozen.

Its own noise is the witness, long before its longest calm is known: twenty readings in a row that each equal
the one before by a chance of one in twenty do not come in the life of a probe.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.quality.calm import LEAST_MS, LEAST_READINGS, MOVING, repeats_after

KNOWN_FROM, SELDOM = 200, 20
"""Known after so many readings; seldom is one in so many (project judgement)."""


@dataclass(frozen=True, slots=True)
class Repeats:
    """How many readings came before the newest run of equal ones, and how many equalled the one before.

    `value` is the newest, which came again `times` since `since_ms`; `frozen` is whether it counts as frozen.
    """

    before: int = 0
    equal: int = 0
    value: float = np.nan
    times: int = 0
    since_ms: int = 0
    frozen: bool = False


def repeated(
    at_ms: NDArray[np.int64], value: NDArray[np.float64], past: Repeats
) -> tuple[NDArray[np.int64], Repeats]:
    """Return since when each reading (shapes n, not empty) of a fine probe is frozen, and what to carry.

    What was frozen is no part of what is known of it.
    """
    times = repeats_after(value, past.value, past.times)[1:]
    starts = (np.concatenate(([True], times[1:] == 0))).nonzero()[0]
    stops = np.append(starts[1:], value.size)
    since_ms = at_ms[starts]
    before, equal = past.before, past.equal
    if times[0]:
        since_ms[0] = past.since_ms
    elif past.since_ms and not past.frozen:
        before, equal = before + past.times + 1, equal + past.times
    sizes = times[stops - 1] + 1
    known = before + np.cumsum(sizes) - sizes  # before each run, shape runs
    same = equal + np.cumsum(sizes - 1) - (sizes - 1)
    found = np.full(value.size, MOVING)
    for run in (sizes > LEAST_READINGS).nonzero()[0].tolist():
        here = slice(starts[run], stops[run])
        long = (times[here] >= LEAST_READINGS) & (at_ms[here] - since_ms[run] >= LEAST_MS)
        if known[run] >= KNOWN_FROM and same[run] * SELDOM <= known[run] and long.any():
            found[here] = np.where(long, since_ms[run], MOVING)
            known[run + 1 :] -= sizes[run]
            same[run + 1 :] -= sizes[run] - 1
    newest = float(value[-1]), int(times[-1]), int(since_ms[-1]), bool(found[-1] != MOVING)
    return found, Repeats(int(known[-1]), int(same[-1]), *newest)
