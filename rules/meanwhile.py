"""What happens in the course of a block of readings without cutting it, and what is known at its place."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from rules import BLIND_REFUSED
from rules.alarms.book import AlarmBook
from rules.care.hand_checks import COMPARED_WITHIN_MS
from rules.care.probe_care import Newest, ProbeCare
from rules.deeds import FORESEEN, Deeds
from rules.errors import RulesError
from rules.judging.series import ChannelState, Series
from rules.judging.watch_list import NEVER_MS, Feedings, WatchList
from rules.quality.leaps import Leap
from rules.quality.swift import PER_KELVIN, Swift
from rules.quantities import Quantity
from rules.rack.channels import FORMULAS
from rules.rack.work import NO_WORK, Work
from rules.readings import Action, Notice, Readings


def foreseen(readings: Readings, deeds: Deeds) -> tuple[dict[str, Feedings], Work]:
    """Return when the animals of each vessel were last fed before each place of a block, and who works where.

    So it will be as `deeds` carry out what people did meanwhile; a refusal is told when its turn comes.
    """
    if not (readings.acts or deeds.rack.maintenance):
        known = deeds.rack.fed_ms.items()
        return {vessel: (np.array([-1]), np.array([at_ms])) for vessel, at_ms in known}, NO_WORK
    rack = replace(deeds.rack, fed_ms=dict(deeds.rack.fed_ms), maintenance=dict(deeds.rack.maintenance))
    ahead = replace(deeds, rack=rack, book=AlarmBook(deeds.plan.alarm_rules), notices=[])
    fed = {vessel: ([-1], [at_ms]) for vessel, at_ms in rack.fed_ms.items()}
    work = [(-1, frozenset(rack.maintenance))]
    last = Action(int(readings.at_ms[-1]), "", "", {})
    for place, action in (*readings.acts, (len(readings), last)):
        for over_ms in rack.let_end(action.at_ms):
            work.append((int(readings.at_ms.searchsorted(over_ms)), frozenset(rack.maintenance)))
        if action.kind not in FORESEEN:
            continue
        try:
            ahead.do(action)
        except RulesError:
            continue
        if action.kind == "log":
            for vessel in rack.fed_ms:
                places, times_ms = fed.setdefault(vessel, ([-1], [NEVER_MS]))
                places.append(place)
                times_ms.append(rack.fed_ms[vessel])
        else:
            work.append((place, frozenset(rack.maintenance)))
    meals = {vessel: (np.array(places), np.array(times_ms)) for vessel, (places, times_ms) in fed.items()}
    return meals, Work(*zip(*work, strict=True))


def meanwhile(
    readings: Readings, moment_up_to: Callable[[int], int | None]
) -> Iterator[tuple[int, int, Action | None]]:
    """Go through what happens in the course of a block: its place, its time, and what people did.

    None stands for a moment of the plan that comes by itself; the next is asked for when the last is over.
    """
    for place, action in (*readings.acts, (len(readings), None)):
        at_ms = int(readings.at_ms[-1]) if action is None else action.at_ms
        while (moment_ms := moment_up_to(at_ms)) is not None:
            yield int(readings.at_ms.searchsorted(moment_ms)), moment_ms, None
        if action is not None:
            yield place, at_ms, action


def newest_values(watch_list: WatchList, channels: Mapping[str, ChannelState], rules: int) -> Newest:
    """Return each channel's newest usable value with its time before it; NaN while its probe is doubted.

    What a probe said before it leapt, as in a bottle, is of another water than the one that a hand measures.
    """
    newest = {name: (state.good_time_ms, state.good_value) for name, state in channels.items()}
    for channel in watch_list.channels if rules >= BLIND_REFUSED else ():
        its = channels[watch_list.own[channel.source.id].name]
        if its.leap.since_ms >= 0 or its.swift.since_ms >= 0:
            newest[channel.name] = (its.good_time_ms, np.nan)
    return newest


def newest_before(place: int, judged: Mapping[str, Series], before: Newest) -> Newest:
    """Return the same at a place of a block without doubts, of which `judged` is what may be used."""
    newest = dict(before)
    for name, series in judged.items():
        value = series.value[: series.index.searchsorted(place)]
        good = ~np.isnan(value)
        if series.error is not None:
            good &= series.error[: value.size] == 0
        if good.any():
            at = int(good.nonzero()[0][-1])
            newest[name] = int(series.time_ms[at]), float(value[at])
    return newest


def bear_out(
    checked: Notice, watch_list: WatchList, channels: Mapping[str, ChannelState], care: ProbeCare
) -> None:
    """End the doubt of each probe that a hand measurement (`checked`) bears out; `channels` are changed.

    It does so where it lies as near as another probe would have to, and nearer than what the probe leapt off.
    """
    for channel in watch_list.channels:
        own, near = watch_list.own[channel.source.id], (watch_list.quality(channel).max_jump or 0.0) / 2
        its, fresh_ms = channels[own.name], checked.at_ms - COMPARED_WITHIN_MS
        doubts = [it.base for it in (its.leap, its.swift) if it.since_ms >= 0]
        mine = f"{channel.vessel}/{channel.quantity}" == checked.vessel
        if not mine or not doubts or len(channel.inputs) < len(channel.needs):
            continue
        line, base = care.line(channel.source), np.array(doubts[:1])
        if its.leap.since_ms < 0 and own.quantity is Quantity.CONDUCTIVITY:
            base = np.exp(base * PER_KELVIN)
        value = np.concatenate(([its.value], base if line is None else line.of(base)))
        if not channel.measured:
            inputs = [np.array(channels[name].good_value) for name in channel.inputs]
            value = FORMULAS[channel.quantity](value, *inputs)
        told, before = np.abs(value - checked.details["hand"])
        if its.time_ms >= fresh_ms and told <= near and told < before:
            its.leap, its.swift, its.base = Leap(), Swift(), np.nan
