"""On-delay, off-delay and deadband: when a condition has lasted long enough to count.

The terms are IEC 62682's: the on-delay is the time for which a condition must persist before it is
annunciated, the off-delay the time for which it must be gone before it counts as returned. Only
readings are evidence: a delay has passed when a reading taken after it still shows the condition.
A probe that goes silent in between is judged by its silence instead (see `rules.engine`).

An alarm that comes and goes and comes again within a short time chatters (IEC 62682; three times or more in
a minute is the usual number, from memory). Polled once a minute none can, so that three times in ten such
polls count here. It then stands until it has been quiet for a while: one problem, told once. So is a probe's
trouble that comes and goes over hours.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from rules.alarms.recurrence import Recurrence, of_a_probe

CHATTERS = 3
CHATTERS_WITHIN_MS = 600_000
QUIET_MS = 1_800_000
"""So many times in so long is chattering, over after so long without (project judgement)."""


class Phase(IntEnum):
    """Where a condition stands between absent and annunciated."""

    CLEAR = 0
    PENDING = 1
    ACTIVE = 2
    CLEARING = 3


@dataclass(frozen=True, slots=True)
class Persistence:
    """The carried state of one condition; `since_ms` is the reading that began the phase.

    `active_ms` are the last times that it turned active, each not long after the one before.
    """

    phase: Phase = Phase.CLEAR
    since_ms: int = 0
    active_ms: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Turn:
    """At reading `index` the condition became active, or ceased to be; it began at `since_ms`.

    `times` is how often it has become active lately, where it chatters; `often` is the same in words where it
    comes and goes for hours, and `waits_ms` how long it has to last then to be told.
    """

    index: int
    active: bool
    since_ms: int
    times: int = 0
    often: str = ""
    waits_ms: int = 0

    @property
    def again(self) -> str:
        """Say in words that the condition chatters, or comes and goes; empty where it does neither."""
        if not self.times:
            return self.often
        within, quiet = CHATTERS_WITHIN_MS // 60_000, QUIET_MS // 60_000
        return f"{self.times} times in {within} min, over after {quiet} min of quiet"


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
    showing, clear = beyond.nonzero()[0], inside.nonzero()[0]
    found: list[Turn] = []
    phase, since_ms, position, active_ms = state.phase, state.since_ms, 0, state.active_ms
    while True:
        arming = phase in (Phase.CLEAR, Phase.PENDING)
        wanted, against = (showing, clear) if arming else (clear, showing)
        if phase in _WAITING:
            index = _first(wanted, position)
            if index is None:
                return found, Persistence(phase, since_ms, active_ms)
            phase, since_ms, position = _WAITING[phase], int(time_ms[index]), index
        off_ms = max(delays_ms[1], QUIET_MS) if len(active_ms) >= CHATTERS else delays_ms[1]
        due_ms = since_ms + (delays_ms[0] if arming else off_ms)
        due = max(position, int(time_ms.searchsorted(due_ms)))
        index, contrary = _first(wanted, due), _first(against, position)
        if contrary is not None and (index is None or contrary < index):
            phase, position = _BACK[phase], contrary
        elif index is None:
            return found, Persistence(phase, since_ms, active_ms)
        else:
            phase, position = _CONFIRMED[phase], index + 1
            active_ms = _active_lately(active_ms, int(time_ms[index]), arming)
            times = len(active_ms) if len(active_ms) >= CHATTERS else 0
            found.append(Turn(index, arming, since_ms, times))


def is_clear(standing: dict[str, Persistence], key: str) -> bool:
    """Say whether nothing of a condition is carried on, so that a block without it can be passed over."""
    its = standing.get(key)
    return its is None or its.phase is Phase.CLEAR


def is_active(standing: dict[str, Persistence], key: str) -> bool:
    """Say whether a condition is there, or for a moment is not."""
    return standing.get(key, Persistence()).phase in (Phase.ACTIVE, Phase.CLEARING)


def carried_turns(
    standing: dict[str, Persistence],
    key: str,
    beyond: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    time_ms: NDArray[np.int64],
    delays_ms: tuple[int, int],
    again: dict[str, Recurrence] | None = None,
) -> list[Turn]:
    """Find where a condition turns, and carry its persistence on in `standing` (it is changed).

    `again` is kept of a probe's own trouble, which is one while it comes and goes (changed too).
    """
    active = is_active(standing, key)
    found, after = turns(beyond, inside, time_ms, delays_ms, standing.get(key, Persistence()))
    if after == Persistence(since_ms=after.since_ms):
        standing.pop(key, None)
    else:
        standing[key] = after
    if again is None or not (found or key in again):
        return found
    return list(come_and_go(found, active, time_ms, again.setdefault(key, of_a_probe())))


def come_and_go(
    found: Iterable[Turn], active: bool, time_ms: NDArray[np.int64], again: Recurrence
) -> Iterator[Turn]:
    """Let what is back within hours stand meanwhile, until it has been gone for a regular time.

    `active` is whether the condition was so before these turns; `again` is carried on (it is changed).
    """
    for turn in found:
        yield from _over(active, time_ms[: turn.index], again)
        if turn.active:
            yield turn if active else replace(turn, often=again.lose(turn.since_ms, int(time_ms[turn.index])))
        else:
            again.come_back(again.lost_ms, turn.since_ms)
            if not again.recurs:
                yield turn
        active = turn.active
    yield from _over(active, time_ms, again)


def _over(active: bool, time_ms: NDArray[np.int64], again: Recurrence) -> Iterator[Turn]:
    due = int(time_ms.searchsorted(again.over_ms))
    if again.recurs and not active and due < time_ms.size:
        again.recurs = False
        yield Turn(due, False, again.back_ms)


def _active_lately(active_ms: tuple[int, ...], now_ms: int, active: bool) -> tuple[int, ...]:
    """Carry on when a condition turned active; what chattered and has been quiet begins anew."""
    if not active:
        return () if len(active_ms) >= CHATTERS else active_ms
    return (*(at_ms for at_ms in active_ms if now_ms - at_ms <= CHATTERS_WITHIN_MS), now_ms)


def _first(indices: NDArray[np.intp], position: int) -> int | None:
    at = int(indices.searchsorted(position))
    return int(indices[at]) if at < indices.size else None
