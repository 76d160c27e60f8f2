"""A critical alarm on the shelf is back at once when its water has worsened by a set step.

The step is half the way from the advisory to the critical limit, so that it follows stage and quantity
(project judgement); without an advisory limit it is the deadband.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from rules.alarms.alarm import Alarm, HoldKind
from rules.alarms.book import AlarmBook
from rules.alarms.event import Crossing, Evidence
from rules.alarms.life_cycle import MILDER, Priority, State
from rules.judging.block import Due
from rules.judging.series import Series
from rules.judging.watch_list import WatchList
from rules.rack.limits import Bounds, Level, Limit
from rules.readings import Readings

STEP = 0.5
"""Share of the way from the advisory to the critical limit."""

_LAST = 2**63 - 1
"""Its place among what a reading makes of a channel: after every other crossing that is as urgent, however
many of these its block has."""


def worse_on_the_shelf(
    alarms: Iterable[Alarm],
    judged: Mapping[str, Series],
    watch_list: WatchList,
    readings: Readings,
    place: int,
) -> Iterator[Due]:
    """Find in a block that has been judged what brings alarms of critical limits back from the shelf.

    Only readings from `place` on count.
    """
    for alarm in alarms:
        if alarm.state is not State.SHELVED or alarm.condition not in MILDER or alarm.channel not in judged:
            continue
        series, order = judged[alarm.channel], watch_list.place[alarm.channel]
        series = series.part(slice(int(series.index.searchsorted(place)), series.index.size))
        if not series.index.size:
            continue
        bounds = watch_list.bounds(watch_list.by_name[alarm.channel], series.time_ms)
        for index, evidence in _first_worse(alarm, series, bounds):
            at_ms = int(readings.at_ms[index])
            yield Due(index, False, at_ms, order, _LAST, _worse_crossing(alarm, evidence))


def _first_worse(alarm: Alarm, series: Series, bounds: Bounds) -> Iterator[tuple[int, Evidence]]:
    """Find the first reading (place in the block) of a channel that is worse by the step; none or one.

    `series` holds what may be used (NaN elsewhere). Each reading is judged alone, wherever a block was cut;
    where it may be off, its end on the safe side counts.
    """
    # a limit that is likely crossed has the same value and deadband
    limits = {limit.condition: (limit, bound) for limit, bound in bounds.limits}
    if alarm.condition not in limits:
        return
    limit, critical = limits[alarm.condition]
    milder = limits.get(MILDER[alarm.condition])
    step = limit.deadband if milder is None else np.abs(critical - milder[1]) * STEP
    sign, was = (1.0 if limit.above else -1.0), alarm.holds[HoldKind.SHELF].value
    start = sign * critical if was is None else np.maximum(sign * was, sign * critical)
    off = 0.0 if series.error is None else series.error
    worse = (sign * series.value - off >= start + step).nonzero()[0]
    if worse.size:
        at = int(worse[0])
        from_, here = (float(np.broadcast_to(it, series.value.shape)[at]) for it in (start, critical))
        yield int(series.index[at]), _evidence(limit, float(series.value[at]), here, sign * from_)


def _evidence(limit: Limit, value: float, critical: float, since: float) -> Evidence:
    by = f"back from the shelf: worse by {abs(value - since):.3g} since it was shelved"
    return Evidence(value, critical, limit.origin, reason=by)


def _worse_crossing(alarm: Alarm, evidence: Evidence) -> Crossing:
    return Crossing(
        alarm.vessel,
        alarm.bus,
        alarm.channel,
        alarm.condition,
        alarm.cause,
        Level.WORSE,
        Priority.CRITICAL,
        active=True,
        since_ms=alarm.since_ms,
        reach=alarm.reach,
        evidence=evidence,
    )


def bring_back(book: AlarmBook, crossing: Crossing, at_ms: int) -> bool:
    """Take an alarm off the shelf, if it is there still, and tell it with the numbers it came back for.

    Returns whether the crossing is of that kind. The alarm is taken as it is by now: its block may have begun
    before it stood. Where its on-delay has not passed yet, it is told after that like any other.
    """
    if crossing.level is not Level.WORSE:
        return False
    held = next((alarm for alarm in book if alarm.name == crossing.alarm), None)
    if held is not None and held.state is State.SHELVED:
        if held.active:
            level = max(held.active, key=lambda it: held.active[it])
            now = replace(crossing, level=level, cause=held.cause, reach=held.reach)
            book.cross(replace(now, priority=held.priority, since_ms=held.since_ms), at_ms, None)
        book.release(crossing.alarm, HoldKind.SHELF, at_ms, "")
    return True
