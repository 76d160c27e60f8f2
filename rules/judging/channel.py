"""Judging one channel: quality flags first, then the limits on its value, its rate and its course.

Array kernels find the few readings at which something turns; nothing else leaves this module.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import Crossing, Evidence
from rules.alarms.life_cycle import Condition, Priority
from rules.judging.persistence import Persistence, Phase, Turn, turns
from rules.judging.trend import MS_PER_HOUR, Trend, TrendState, trend
from rules.quality.probe_faults import FaultReason, flags_of, reason_of, stuck
from rules.quality.quality import Flag, Judged, QartodTest, QualitySettings, QualityState, judge
from rules.rack.limits import FAULT_KEY, STUCK_KEY, Basis, Bounds, Level, Limit
from rules.rack.tolerance import Tolerance

Array = NDArray[np.float64]

FAULT_DELAYS_MS = (60_000, 60_000)
"""Readings that keep failing for this long are a probe fault (project judgement)."""


@dataclass(frozen=True, slots=True)
class Series:
    """A channel's readings in one block: `index` (into the block), `time_ms`, `value`, shapes m."""

    index: NDArray[np.intp]
    time_ms: NDArray[np.int64]
    value: Array


CrossingOf = Callable[[Condition, Level, Priority | None, Turn, Evidence], Crossing]
"""Makes the crossing of a channel; a priority of None stands for that of what is lost without its probe."""

Edge = tuple[int, Crossing]
"""A crossing, and the reading of the block that made it."""


@dataclass(slots=True)
class ChannelState:
    """What is carried from block to block for one channel.

    `good_*` is the last reading that may be used, `dry` whether the last one was out of the water.
    """

    quality: QualityState = field(default_factory=QualityState)
    trend: TrendState = field(default_factory=TrendState)
    standing: dict[str, Persistence] = field(default_factory=dict)
    last_seq: int = -1
    time_ms: int = 0
    value: float = np.nan
    flag: int = Flag.NOT_EVALUATED
    rate_per_hour: float = np.nan
    good_time_ms: int = 0
    good_value: float = np.nan
    dry: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of one block: the values that may be used (NaN elsewhere), flags and crossings."""

    usable: Array
    judged: Judged
    edges: list[Edge]


def judge_channel(
    series: Series,
    twin: Array | None,
    state: ChannelState,
    bounds: Bounds,
    quality: QualitySettings,
    crossing: CrossingOf,
    out_of_water: tuple[NDArray[np.bool_], NDArray[np.bool_]] | None = None,
) -> Verdict:
    """Judge the readings of one channel in one block and carry `state` on (it is changed).

    `twin` is what a redundant probe says at each reading (shape m), `out_of_water` whether a reading
    there is not of the water, and whether its whole probe is out; None where there is none, and where
    it never is.
    """
    dry, out = out_of_water or (None, None)
    judged = judge(series.time_ms, series.value, quality, state.quality, dry)
    failed = judged.causal == Flag.FAIL
    usable = np.where(failed, np.nan, series.value) if failed.any() else series.value
    state.quality = judged.state
    edges = [
        *_fault_edges(series, judged, failed, out, state, crossing),
        *_stuck_edges(series, judged, state, crossing),
    ]
    rate = np.full(usable.size, np.nan)
    for part, fresh in _stretches(usable.size, dry, state):
        if fresh:
            _forget_what_was_before(state)
        if bounds.tolerance is not None:
            ramp = None if bounds.ramp is None else bounds.ramp[part]
            judgement = _judgement(series, usable, twin, bounds.tolerance, ramp, state, part)
            rate[part] = judgement.course.rate_per_hour
            for limit, value in bounds.limits:
                bound = value if isinstance(value, float) else value[part]
                edges += judgement.edges(limit, bound, crossing)
    _remember(series, usable, judged, rate, state)
    return Verdict(usable, judged, edges)


def _stretches(size: int, dry: NDArray[np.bool_] | None, state: ChannelState) -> Iterator[tuple[slice, bool]]:
    """Go through a block from one return into the water to the next; each says whether it begins with one."""
    if dry is None:
        dry = np.zeros(size, dtype=np.bool_)
    before = np.concatenate([[state.dry], dry[:-1]])
    state.dry = bool(dry[-1])
    returns = np.flatnonzero(before & ~dry).tolist()
    starts = returns if returns[:1] == [0] else [0, *returns]
    for start, stop in pairwise([*starts, size]):
        yield slice(start, stop), start in returns


def _forget_what_was_before(state: ChannelState) -> None:
    """Begin anew after a time out of the water, whose first moments nobody could know for what they were."""
    state.trend = TrendState()
    for key, kept in list(state.standing.items()):
        if kept.phase is Phase.PENDING and key not in (FAULT_KEY, STUCK_KEY):
            del state.standing[key]


def _judgement(
    series: Series,
    usable: Array,
    twin: Array | None,
    tolerance: Tolerance,
    ramp: NDArray[np.bool_] | None,
    state: ChannelState,
    part: slice,
) -> "_Judgement":
    course, state.trend = trend(series.time_ms[part], usable[part], tolerance.rate_window_ms, state.trend)
    here = Series(series.index[part], series.time_ms[part], series.value[part])
    twin = None if twin is None else twin[part]
    return _Judgement(here, usable[part], twin, course, tolerance, ramp, state)


@dataclass(frozen=True, slots=True)
class _Judgement:
    """One block of one channel, ready to be compared with limits."""

    series: Series
    usable: Array
    twin: Array | None
    course: Trend
    tolerance: Tolerance
    ramp: NDArray[np.bool_] | None
    state: ChannelState

    def edges(self, limit: Limit, bound: float | Array, crossing: CrossingOf) -> Iterator[Edge]:
        """Find where the readings cross one limit, and carry its persistence on."""
        compared = self._compared(limit.basis)
        if compared is None:
            return
        beyond = compared > bound if limit.above else compared < bound
        if _is_clear(self.state, limit.key) and not beyond.any():
            return
        if limit.past is not None:
            level = self.course.level
            away = level > limit.past if limit.above else level < limit.past
            beyond &= away if self.ramp is None else away | self.ramp
        if limit.basis is Basis.PROJECTION:
            beyond = self._sure(beyond, bound, limit.above)
        inside = compared < bound - limit.deadband if limit.above else compared > bound + limit.deadband
        time_ms = self.series.time_ms
        for turn in _turns(self.state, limit.key, beyond, inside, time_ms, limit.delays_ms):
            here = bound if isinstance(bound, float) else float(bound[turn.index])
            evidence = self._evidence(limit, compared, turn, here)
            made = crossing(limit.condition, limit.level, limit.priority, turn, evidence)
            yield int(self.series.index[turn.index]), made

    def _compared(self, basis: Basis) -> Array | None:
        if basis is Basis.VALUE:
            return self.usable
        if basis is Basis.RATE:
            return self.course.rate_per_hour
        if basis is Basis.DIFFERENCE:
            return None if self.twin is None else np.abs(self.usable - self.twin)
        return self.course.level + self.course.rate_per_hour * (self.tolerance.lead_time_ms / MS_PER_HOUR)

    def _sure(self, beyond: NDArray[np.bool_], bound: float | Array, above: bool) -> NDArray[np.bool_]:
        """Keep those forecasts of what is not past yet that the flatter half of the trend would reach too."""
        index = np.flatnonzero(beyond)
        lead_h = self.tolerance.lead_time_ms / MS_PER_HOUR
        level = self.course.level[index]
        reached = level + self.course.steady_rate(index) * lead_h
        limit = bound if isinstance(bound, float) else bound[index]
        sure = np.zeros_like(beyond)
        sure[index] = (level <= limit) & (reached > limit) if above else (level >= limit) & (reached < limit)
        return sure

    def _evidence(self, limit: Limit, compared: Array, turn: Turn, bound: float) -> Evidence:
        index = turn.index
        rate = _number(self.course.rate_per_hour[index])
        if limit.basis is not Basis.PROJECTION:
            return Evidence(_number(compared[index]), bound, limit.origin, rate)
        level = _number(self.course.level[index])
        reached_ms = None
        if turn.active and rate and level is not None and (bound - level) / rate >= 0:
            reached_ms = int(self.series.time_ms[index]) + round((bound - level) / rate * MS_PER_HOUR)
        return Evidence(level, bound, limit.origin, rate, reached_ms)


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _fault_edges(
    series: Series,
    judged: Judged,
    failed: NDArray[np.bool_],
    out: NDArray[np.bool_] | None,
    state: ChannelState,
    crossing: CrossingOf,
) -> Iterator[Edge]:
    """Find where readings keep failing, and where they are sound again."""
    if _is_clear(state, FAULT_KEY) and not failed.any():
        return
    sound = (judged.causal == Flag.PASS) | (judged.causal == Flag.SUSPECT)
    for turn in _turns(state, FAULT_KEY, failed, sound, series.time_ms, FAULT_DELAYS_MS):
        reason = reason_of(judged.tests[turn.index]) if turn.active else ""
        if reason == FaultReason.IN_AIR and out is not None and not out[turn.index]:
            reason = FaultReason.IMPOSSIBLE  # a dry cell that nothing else bears out is broken
        evidence = Evidence(_number(series.value[turn.index]), reason=reason)
        made = crossing(Condition.PROBE_FAULT, Level.ADVISORY, None, turn, evidence)
        yield int(series.index[turn.index]), made


def _stuck_edges(series: Series, judged: Judged, state: ChannelState, crossing: CrossingOf) -> Iterator[Edge]:
    """Find where readings stop moving, and where they move again."""
    if _is_clear(state, STUCK_KEY) and not (judged.causal >= Flag.SUSPECT).any():
        return
    flat = stuck(judged.tests)
    moving = flags_of(judged.tests, QartodTest.FLAT_LINE) == Flag.PASS
    for turn in _turns(state, STUCK_KEY, flat, moving, series.time_ms, FAULT_DELAYS_MS):
        reason = FaultReason.STUCK if turn.active else ""
        evidence = Evidence(_number(series.value[turn.index]), reason=reason)
        made = crossing(Condition.PROBE_FAULT, Level.DOUBTFUL, Priority.LOW, turn, evidence)
        yield int(series.index[turn.index]), made


def _is_clear(state: ChannelState, key: str) -> bool:
    """Say whether nothing of a condition is carried on, so that a block without it can be passed over."""
    return state.standing.get(key, Persistence()).phase is Phase.CLEAR


def _turns(
    state: ChannelState,
    key: str,
    beyond: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    time_ms: NDArray[np.int64],
    delays_ms: tuple[int, int],
) -> list[Turn]:
    """Find where a condition turns, and carry its persistence on in `state` (it is changed)."""
    found, after = turns(beyond, inside, time_ms, delays_ms, state.standing.get(key, Persistence()))
    if after.phase is Phase.CLEAR:
        state.standing.pop(key, None)
    else:
        state.standing[key] = after
    return found


def _remember(
    series: Series,
    usable: Array,
    judged: Judged,
    rate: Array,
    state: ChannelState,
) -> None:
    state.time_ms = int(series.time_ms[-1])
    state.value = float(series.value[-1])
    state.flag = int(judged.summary[-1])
    state.rate_per_hour = float(rate[-1])
    good = np.flatnonzero(~np.isnan(usable))
    if good.size:
        state.good_time_ms = int(series.time_ms[good[-1]])
        state.good_value = float(usable[good[-1]])
