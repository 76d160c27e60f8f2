"""On-delay, off-delay and deadband: when a condition has lasted long enough to count.

The terms are IEC 62682's: the on-delay is the time for which a condition must persist before it is
annunciated, the off-delay the time for which it must be gone before it counts as returned. Only
readings are evidence: a delay has passed when a reading taken after it still shows the condition.
A probe that goes silent in between is judged by its silence instead (see `rules.engine`).
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class Phase(IntEnum):
    """Where a condition stands between absent and annunciated."""

    CLEAR = 0
    PENDING = 1
    ACTIVE = 2
    CLEARING = 3


@dataclass(frozen=True, slots=True)
class Persistence:
    """The carried state of one condition; `since_ms` is the reading that began the phase."""

    phase: Phase = Phase.CLEAR
    since_ms: int = 0


@dataclass(frozen=True, slots=True)
class Turn:
    """At reading `index` the condition became active, or ceased to be; it began at `since_ms`."""

    index: int
    active: bool
    since_ms: int


_CONFIRMED = {Phase.PENDING: Phase.ACTIVE, Phase.CLEARING: Phase.CLEAR}
_WAITING = {Phase.CLEAR: Phase.PENDING, Phase.ACTIVE: Phase.CLEARING}
_BACK = {Phase.PENDING: Phase.CLEAR, Phase.CLEARING: Phase.ACTIVE}


def turns(
    beyond: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    time_ms: NDArray[np.int64],
    delays_ms: tuple[int, int],
    state: Persistence,
) -> tuple[list[Turn], Persistence]:
    """Find where a condition turns active or returns, and the state to carry on with.

    `beyond` and `inside` (shape n) say which readings show the condition and which are clear of it
    by the deadband; a reading that is neither keeps things as they are. `time_ms` rises strictly,
    `delays_ms` is (on-delay, off-delay). The result does not depend on how the readings are cut.
    """
    showing, clear = np.flatnonzero(beyond), np.flatnonzero(inside)
    found: list[Turn] = []
    phase, since_ms, position = state.phase, state.since_ms, 0
    while True:
        arming = phase in (Phase.CLEAR, Phase.PENDING)
        wanted, against = (showing, clear) if arming else (clear, showing)
        if phase in _WAITING:
            index = _first(wanted, position)
            if index is None:
                return found, Persistence(phase, since_ms)
            phase, since_ms, position = _WAITING[phase], int(time_ms[index]), index
        due_ms = since_ms + delays_ms[0 if arming else 1]
        due = max(position, int(np.searchsorted(time_ms, due_ms)))
        index, contrary = _first(wanted, due), _first(against, position)
        if contrary is not None and (index is None or contrary < index):
            phase, position = _BACK[phase], contrary
        elif index is None:
            return found, Persistence(phase, since_ms)
        else:
            phase, position = _CONFIRMED[phase], index + 1
            found.append(Turn(index, arming, since_ms))


def _first(indices: NDArray[np.intp], position: int) -> int | None:
    at = int(np.searchsorted(indices, position))
    return int(indices[at]) if at < indices.size else None
