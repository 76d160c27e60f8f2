"""What redundant probes tell that disagree: a limit that only one crosses is told as their disagreement.

Which of two is right nobody knows. So the disagreement takes the priority of the limit, and the limit's
own alarm is part of it; once another crosses it too, it is told as what it is. Of three or more it is the
one that is away from their median that disagrees; also there nobody sleeps through a limit that it crosses,
as what two have in common may be what is wrong with them.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rules.alarms.alarm import Alarm
from rules.alarms.event import Crossing, Evidence
from rules.alarms.life_cycle import Condition
from rules.alarms.persistence import Phase, carried_turns, is_clear
from rules.judging.channel import CrossingOf
from rules.judging.series import ChannelState, Edge, Others, Verdict, number
from rules.rack.limits import Basis, Bounds, Level

Bools = NDArray[np.bool_]
Times = NDArray[np.int64]

_OF_THE_WATER = frozenset(Condition) - {
    Condition.UNWATCHED,
    Condition.SILENT,
    Condition.PROBE_FAULT,
    Condition.DISAGREEMENT,
}


def differences(
    others: Others, verdict: Verdict, state: ChannelState, bounds: Bounds, crossing: CrossingOf
) -> Iterator[Edge]:
    """Find where a judged channel differs too much from the `others` (shapes m), and where no longer.

    `state` is carried on (it is changed).
    """
    series, (other, newest_ms) = verdict.shown.series, others
    apart = np.abs(verdict.shown.usable - other)
    if series.error is not None:
        apart = np.where(series.error > 0, np.nan, apart)
    for limit, bound in bounds.limits:
        if limit.basis is not Basis.DIFFERENCE:
            continue
        for part, back in verdict.shown.stretches:
            standing, key = state.standing, limit.key
            if back and key in standing and standing[key].phase is Phase.PENDING:
                del standing[key]  # the first moments out of the water, which nobody knew for what they were
            most = bound if isinstance(bound, float) else bound[part]
            beyond, inside = apart[part] > most, apart[part] < most - limit.deadband
            _count_once(beyond, newest_ms[part], state)
            recurs = key in state.again and state.again[key].recurs
            if is_clear(standing, key) and not (beyond.any() or recurs):
                continue
            how = beyond, inside, series.time_ms[part], limit.delays_ms
            for turn in carried_turns(standing, key, *how, state.again):
                index = part.start + turn.index
                least = bound if isinstance(bound, float) else float(bound[index])
                told = number(apart[index]), least, limit.origin, number(verdict.rate_per_hour()[index])
                evidence = Evidence(*told, reason=turn.again)
                made = crossing(limit.condition, limit.level, limit.priority, turn, evidence)
                yield int(series.index[index]), made


def _count_once(beyond: Bools, newest_ms: Times, state: ChannelState) -> None:
    """Let each reading of another probe bear witness once: a stray one that is read seldom stays one."""
    at = beyond.nonzero()[0]
    if at.size:
        its_ms = newest_ms[at]
        beyond[at] = its_ms != np.concatenate(([state.compared_ms], its_ms[:-1]))
        state.compared_ms = int(its_ms[-1])


def with_disagreement(
    crossing: Crossing, alarms: Iterable[Alarm], redundant: Mapping[str, tuple[str, ...]]
) -> Iterator[Crossing]:
    """Go through what a crossing comes to, in order; `redundant` are the channels that are compared, by name.

    A level of a disagreement that a limit gave it has the limit's name, such as
    k1/temperature/b/high_high:critical.
    """
    by_name = {alarm.name: alarm for alarm in alarms}
    if crossing.condition is Condition.DISAGREEMENT:
        yield from _begins_or_ends(crossing, by_name, redundant.get(crossing.channel, (crossing.channel,)))
        return
    level, ended = f"{crossing.alarm}:{crossing.level}", []
    for its in by_name.values():
        if its.condition is not Condition.DISAGREEMENT or crossing.condition not in _OF_THE_WATER:
            continue
        of_it = replace(crossing, channel=its.channel, condition=its.condition, level=level, cause=its.cause)
        if not crossing.active and level in its.active:
            ended.append(of_it)
        elif (
            crossing.active
            and Level.ADVISORY in its.active
            and _is_alone(crossing, redundant.get(its.channel, ()), by_name)
        ):
            said = f"{crossing.channel} alone is {crossing.condition}".replace("_", " ")
            yield replace(of_it, evidence=replace(crossing.evidence, reason=said))
            crossing = replace(crossing, cause=its.cause)
    yield from (crossing, *ended)


def _is_alone(crossing: Crossing, compared: tuple[str, ...], alarms: Mapping[str, Alarm]) -> bool:
    """Return whether of the channels that are compared only that of a crossing is beyond its limit."""
    others = (alarms.get(f"{name}/{crossing.condition}") for name in compared if name != crossing.channel)
    return crossing.channel in compared and not any(it is not None and it.active for it in others)


def _begins_or_ends(
    crossing: Crossing, alarms: Mapping[str, Alarm], compared: tuple[str, ...]
) -> Iterator[Crossing]:
    """Let a disagreement be part of what is told already, a limit's alarm or a probe's fault; end it whole.

    Of two probes one of which is known to be ill nobody has to find out which is right; of more, the others
    may disagree all the same.
    """
    told = [
        alarm
        for alarm in alarms.values()
        if alarm.channel in compared and alarm.condition in _OF_THE_WATER and alarm.announced
    ]
    ills = compared if len(compared) == 2 else (crossing.channel,)
    ill = [alarms[it] for it in (f"{name}/{Condition.PROBE_FAULT}" for name in ills) if it in alarms]
    known = next((it for it in ill if Level.ADVISORY in it.active), None)
    if crossing.active and known is not None and not told:
        yield replace(crossing, cause=known.cause, priority=known.priority)
        return
    if crossing.active:
        leader = max(told, key=lambda alarm: alarm.priority, default=None)
        yield crossing if leader is None else replace(crossing, cause=leader.cause)
        return
    given = alarms[crossing.alarm].active if crossing.alarm in alarms else {}
    for level in sorted(given):
        if level != crossing.level:
            yield replace(crossing, level=level)
    yield crossing
