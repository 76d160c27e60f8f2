"""What is wrong with a probe beside what people know already: it is part of that, or told by itself."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from rules.alarms.alarm import Alarm
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import EXCUSES, Condition
from rules.judging.unwatched import Danger
from rules.quality.probe_faults import FaultReason
from rules.rack.limits import Level

_STANDS_STILL = (FaultReason.STUCK, FaultReason.PLAYED)
"""What no longer follows the water, whichever way that goes."""


def _with_its_reason(crossing: Crossing, alarms: Iterable[Alarm]) -> Crossing:
    """Say of what hides a danger what is the matter with it, as its own alarms tell, and how often it did."""
    if crossing.condition is not Condition.UNWATCHED or not crossing.active:
        return crossing
    reasons = {
        alarm.evidence.reason or str(alarm.condition)
        for alarm in alarms
        if alarm.cause == crossing.cause
        and alarm.active.keys() - {Level.GAPS}  # these may be another's on its bus, and hide nothing
        and alarm.condition in EXCUSES[crossing.condition]
    }
    why, _, often = crossing.evidence.reason.partition(", ")
    said = ", ".join(filter(None, (*(sorted(reasons) or (why,)), often)))
    return replace(crossing, evidence=replace(crossing.evidence, reason=said))


def under_what_stands(crossing: Crossing, alarms: Iterable[Alarm], dangers: Iterable[Danger]) -> Crossing:
    """Let what is wrong with a probe be part of what people know already.

    A silence is part of the answers that are missing of it, or of its bus, all the time. What a probe hides
    that still follows its water is part of alarms about just that water, or an input of it (or two probes of
    that, which disagree), the most urgent: whoever goes there for a salinity that falls finds the cell that
    lies. Is it more urgent, it is told as that problem, become worse. The probe's fault goes with it; or, as
    its silence, with what its bus hides.
    """
    crossing = _with_its_reason(crossing, alarms)
    if crossing.cause.partition("/")[0] != "probe" or not crossing.active:
        return crossing
    known = [alarm for alarm in alarms if alarm.active]
    if crossing.condition is Condition.UNWATCHED:
        return replace(crossing, cause=_known_as(crossing, known, dangers) or crossing.cause)
    if crossing.condition is Condition.PROBE_FAULT:
        own = f"{crossing.cause}/{Condition.UNWATCHED}", crossing.cause
        hides = next((it for it in known if it.name == own[0] and it.cause != own[1]), crossing)
        evidence = replace(crossing.evidence, hidden=hides.evidence.hidden)
        asked = replace(crossing, priority=hides.priority, evidence=evidence)
        return replace(crossing, cause=_known_as(asked, known, dangers) or _of_many(crossing, known))
    if crossing.condition is not Condition.SILENT:
        return crossing
    told = (it for it in known if Level.GAPS in it.active)
    bus = f"bus/{crossing.bus}"
    gaps = (it.cause for it in told if it.channel == crossing.channel or it.cause == bus)
    return replace(crossing, cause=next(gaps, "") or _of_many(crossing, known))


def _of_many(trouble: Crossing, known: Sequence[Alarm]) -> str:
    """Return the cause of what the whole bus, or the rack, hides in the vessel of a probe; else its own."""
    shared = {f"{it}/{Condition.UNWATCHED}" for it in (f"bus/{trouble.bus}", "rack/all")}
    hides = (it for it in known if it.name in shared)
    its = (it.cause for it in hides for danger in it.active if danger.partition("/")[0] == trouble.vessel)
    return next(its, trouble.cause)


def _known_as(crossing: Crossing, alarms: Sequence[Alarm], dangers: Iterable[Danger]) -> str:
    """Return the cause of the alarms that tell of all that a probe hides; empty where they do not."""
    troubles: Iterable[Alarm | Crossing] = (*alarms, crossing)
    ill = {it.channel: it for it in troubles if it.condition in EXCUSES[Condition.UNWATCHED]}
    own = [it for it in ill.values() if it.cause == crossing.cause]
    if any(it.condition is Condition.SILENT or it.evidence.reason.startswith(_STANDS_STILL) for it in own):
        return ""
    told = [alarm for alarm in alarms if alarm.announced]
    hides = (it.cause for it in told if it.name == f"{crossing.cause}/{Condition.UNWATCHED}")
    if crossing.condition is Condition.PROBE_FAULT and (cause := next(hides, "")):
        return cause
    worse = crossing.condition is Condition.UNWATCHED  # is told as what people know, become worse
    about = {it.channel: it for it in told if worse or it.priority >= crossing.priority}
    for danger in dangers:
        (first, *_), name = danger.channels, danger.name
        if f"{first.vessel}/{first.source.quantity}" not in ill:
            its = [about[channel] for channel in (name, *first.inputs) if channel in about]
            inputs = (about[it] for need in first.needs for it in need.channels if it in about)
            its += [it for it in inputs if it.condition is Condition.DISAGREEMENT]
            about |= {name: max(its, key=lambda alarm: alarm.priority)} if its else {}
    causes = [about[name].cause for name in (crossing.level, *crossing.evidence.hidden) if name in about]
    return next(iter(causes), "") if about.keys() >= set(crossing.evidence.hidden) else ""
