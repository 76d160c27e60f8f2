"""What two probes tell that disagree: a limit that only one of them crosses is told as their disagreement.

Which of the two is right nobody knows. So the disagreement takes the priority of the limit, and the limit's
own alarm is part of it; once the other crosses it too, it is told as what it is.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from rules.alarms.alarm import Alarm
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition
from rules.rack.limits import Level

_OF_THE_WATER = frozenset(Condition) - {
    Condition.UNWATCHED,
    Condition.SILENT,
    Condition.PROBE_FAULT,
    Condition.DISAGREEMENT,
}


def with_disagreement(
    crossing: Crossing, alarms: Iterable[Alarm], twins: Mapping[str, str]
) -> Iterator[Crossing]:
    """Go through what a crossing comes to, in order; `twins` are the channels that are compared, by name.

    A level of a disagreement that a limit gave it has the limit's name, such as
    k1/temperature/b/high_high:critical.
    """
    by_name = {alarm.name: alarm for alarm in alarms}
    if crossing.condition is Condition.DISAGREEMENT:
        yield from _begins_or_ends(crossing, by_name, twins)
        return
    level, ended = f"{crossing.alarm}:{crossing.level}", []
    for its in by_name.values():
        if its.condition is not Condition.DISAGREEMENT or crossing.condition not in _OF_THE_WATER:
            continue
        pair = (its.channel, twins.get(its.channel, ""))
        of_it = replace(crossing, channel=its.channel, condition=its.condition, level=level, cause=its.cause)
        if not crossing.active and level in its.active:
            ended.append(of_it)
        elif crossing.active and Level.ADVISORY in its.active and _is_alone(crossing, pair, by_name, twins):
            said = f"{crossing.channel} alone is {crossing.condition}".replace("_", " ")
            yield replace(of_it, evidence=replace(crossing.evidence, reason=said))
            crossing = replace(crossing, cause=its.cause)
    yield from (crossing, *ended)


def _is_alone(
    crossing: Crossing, pair: tuple[str, str], alarms: Mapping[str, Alarm], twins: Mapping[str, str]
) -> bool:
    """Return whether of a pair of channels, and all compared with its first, only that of a crossing is
    beyond its limit.
    """
    if crossing.channel not in pair:
        return False
    others = {*pair, *(name for name, first in twins.items() if first == pair[1])} - {crossing.channel}
    beyond = [alarms.get(f"{other}/{crossing.condition}") for other in others]
    return not any(alarm is not None and alarm.active for alarm in beyond)


def _begins_or_ends(
    crossing: Crossing, alarms: Mapping[str, Alarm], twins: Mapping[str, str]
) -> Iterator[Crossing]:
    """Let a disagreement be part of what is told already, a limit's alarm or a probe's fault; end it whole.

    Of two probes one of which is known to be ill nobody has to find out which is right.
    """
    pair = (crossing.channel, twins.get(crossing.channel, ""))
    told = [
        alarm
        for alarm in alarms.values()
        if alarm.channel in pair and alarm.condition in _OF_THE_WATER and alarm.announced
    ]
    ill = [alarms[it] for it in (f"{name}/{Condition.PROBE_FAULT}" for name in pair) if it in alarms]
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
