"""Judging one channel: quality flags first, then the limits on its value and on its rate.

Array kernels find the few readings at which something turns; nothing else leaves this module.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rules.alarms import Condition, Priority
from rules.limits import Level, Limit, limits_of
from rules.persistence import Persistence, Phase, turns
from rules.quality import Flag, Judged, QualitySettings, QualityState, judge
from rules.tolerance import Tolerance
from rules.trend import TrendState, rates_per_hour, trend_state_from_json

FAULT_DELAYS_MS = (60_000, 60_000)
"""Readings that keep failing for this long are a probe fault (project judgement)."""

_FAULT_KEY = f"{Condition.PROBE_FAULT}:{Level.ADVISORY}"


@dataclass(frozen=True, slots=True)
class Series:
    """A channel's readings in one block: `index` (into the block), `time_ms`, `value`, shapes m."""

    index: NDArray[np.intp]
    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Edge:
    """At reading `index` of the block one level of a condition became active, or ceased to be."""

    index: int
    condition: Condition
    level: Level
    priority: Priority
    active: bool
    since_ms: int
    value: float
    limit: float | None
    rate_per_hour: float


@dataclass(slots=True)
class ChannelState:
    """What is carried from block to block for one channel; `good_*` is the last reading that may be used."""

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


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of one block: the values that may be used (NaN elsewhere), flags and edges."""

    usable: NDArray[np.float64]
    judged: Judged
    edges: list[Edge]


def judge_channel(
    series: Series,
    state: ChannelState,
    tolerance: Tolerance | None,
    quality: QualitySettings,
    fault_priority: Priority,
) -> Verdict:
    """Judge the readings of one channel in one block and carry `state` on (it is changed)."""
    judged = judge(series.time_ms, series.value, quality, state.quality)
    usable = np.where(judged.causal == Flag.FAIL, np.nan, series.value)
    state.quality = judged.state
    edges = list(_fault_edges(series, judged, state, fault_priority))
    if tolerance is None:
        rates = np.full(series.value.size, np.nan)
    else:
        rates, state.trend = rates_per_hour(series.time_ms, usable, tolerance.rate_window_ms, state.trend)
        for limit in limits_of(tolerance):
            edges += _limit_edges(Series(series.index, series.time_ms, usable), rates, limit, state)
    _remember(series, usable, judged, rates, state)
    return Verdict(usable, judged, edges)


def _limit_edges(
    usable: Series, rates: NDArray[np.float64], limit: Limit, state: ChannelState
) -> Iterator[Edge]:
    judged = rates if limit.of_rate else usable.value
    before = state.standing.get(limit.key, Persistence())
    beyond = judged > limit.value if limit.above else judged < limit.value
    if before.phase is Phase.CLEAR and not beyond.any():
        return
    inside = judged < limit.value - limit.deadband if limit.above else judged > limit.value + limit.deadband
    found, after = turns(beyond, inside, usable.time_ms, limit.delays_ms, before)
    _stand(state, limit.key, after)
    for turn in found:
        yield Edge(
            int(usable.index[turn.index]),
            limit.condition,
            limit.level,
            limit.priority,
            turn.active,
            turn.since_ms,
            float(judged[turn.index]),
            limit.value,
            float(rates[turn.index]),
        )


def _fault_edges(series: Series, judged: Judged, state: ChannelState, priority: Priority) -> Iterator[Edge]:
    before = state.standing.get(_FAULT_KEY, Persistence())
    failed = judged.causal == Flag.FAIL
    if before.phase is Phase.CLEAR and not failed.any():
        return
    sound = (judged.causal == Flag.PASS) | (judged.causal == Flag.SUSPECT)
    found, after = turns(failed, sound, series.time_ms, FAULT_DELAYS_MS, before)
    _stand(state, _FAULT_KEY, after)
    for turn in found:
        yield Edge(
            int(series.index[turn.index]),
            Condition.PROBE_FAULT,
            Level.ADVISORY,
            priority,
            turn.active,
            turn.since_ms,
            float(series.value[turn.index]),
            None,
            np.nan,
        )


def _stand(state: ChannelState, key: str, after: Persistence) -> None:
    if after.phase is Phase.CLEAR:
        state.standing.pop(key, None)
    else:
        state.standing[key] = after


def _remember(
    series: Series,
    usable: NDArray[np.float64],
    judged: Judged,
    rates: NDArray[np.float64],
    state: ChannelState,
) -> None:
    state.time_ms = int(series.time_ms[-1])
    state.value = float(series.value[-1])
    state.flag = int(judged.summary[-1])
    state.rate_per_hour = float(rates[-1])
    good = np.flatnonzero(~np.isnan(usable))
    if good.size:
        state.good_time_ms = int(series.time_ms[good[-1]])
        state.good_value = float(usable[good[-1]])


def channel_state_to_json(state: ChannelState) -> dict[str, Any]:
    """Return the carried state as plain JSON values (NaN as JSON's extension NaN)."""
    return {
        "quality": state.quality.to_json(),
        "trend": state.trend.to_json(),
        "standing": {key: [kept.phase, kept.since_ms] for key, kept in sorted(state.standing.items())},
        "last_seq": state.last_seq,
        "time_ms": state.time_ms,
        "value": state.value,
        "flag": state.flag,
        "rate_per_hour": state.rate_per_hour,
        "good_time_ms": state.good_time_ms,
        "good_value": state.good_value,
    }


def channel_state_from_json(data: dict[str, Any]) -> ChannelState:
    """Return the state that `channel_state_to_json` wrote down."""
    return ChannelState(
        **{
            **data,
            "quality": QualityState.from_json(data["quality"]),
            "trend": trend_state_from_json(data["trend"]),
            "standing": {
                key: Persistence(Phase(phase), since_ms)
                for key, (phase, since_ms) in data["standing"].items()
            },
        }
    )
