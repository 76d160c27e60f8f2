"""One block of readings against the limits, channel by channel; what it shows is worked out before (`water`).

What comes out are the few crossings, each in its place in the order of arrival.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from operator import is_

import numpy as np
from numpy.typing import NDArray

from rules.alarms.event import Crossing
from rules.judging.channel import judge_channel
from rules.judging.conversion import convert, raised_by, turns
from rules.judging.disagreement import differences
from rules.judging.drop_outs import DropOuts
from rules.judging.series import Array, AtRest, ChannelState, Edge, Limited, Series, Turning, Verdict
from rules.judging.silence import Silence
from rules.judging.unwatched import Loss
from rules.judging.watch_list import WatchList, after_food
from rules.judging.water import Water
from rules.quality.probe_faults import FaultReason
from rules.quality.settings import HOUR_MS
from rules.quantities import Quantity
from rules.rack.channels import Channel, Need
from rules.rack.limits import Basis, Bounds, Level, distances_to_worst
from rules.rack.tolerance import Tolerance

LAGS_FROM_PER_HOUR = 0.3
LAGS_TIMES = 4.0
"""Where a thermometer moves so much an hour, the water may move so many times as fast: one that lags by an
hour shows a quarter of a change at first. Rates and forecasts of what is made of it allow for that (project
judgement)."""

Speeds = tuple[NDArray[np.intp], Array]
"""Where in a block a channel's readings are, and how fast it moves at each."""

_UNMOVED: Speeds = (np.array([], dtype=np.intp), np.empty(0))


@dataclass(frozen=True, slots=True)
class Due:
    """A crossing in its place: before reading `position` (`timer`), or made by it."""

    position: int
    timer: bool
    at_ms: int
    channel_order: int
    edge_order: int
    crossing: Crossing

    @property
    def order(self) -> tuple[int, bool, int, bool, int, int, int]:
        """At the same moment, returns come first, then the most urgent: it explains the others."""
        active, rank = self.crossing.active, int(self.crossing.priority)
        urgency = (active, -rank if active else rank)
        return (self.position, not self.timer, self.at_ms, *urgency, self.channel_order, self.edge_order)


def due_silences(found: Iterable[Silence], watch_list: WatchList) -> list[Due]:
    """Put silences into their places."""
    return [
        Due(
            silence.position,
            silence.begins,
            silence.at_ms,
            watch_list.place[watch_list.own[silence.source.id].name],
            -1,
            watch_list.silence(silence),
        )
        for silence in found
    ]


def due_drop_outs(found: Iterable[DropOuts], at_ms: NDArray[np.int64], watch_list: WatchList) -> list[Due]:
    """Put missing answers into their places, in a block whose readings came at `at_ms`."""
    return [
        Due(
            its.position,
            False,
            int(at_ms[its.position]),
            watch_list.place[watch_list.own[its.source.id].name],
            -1,
            watch_list.drop_outs(its, int(at_ms[its.position])),
        )
        for its in found
    ]


def due_losses(found: Iterable[Loss], watch_list: WatchList) -> list[Due]:
    """Put dangers that are lost or seen again into their places."""
    return [
        Due(
            loss.position,
            loss.begins,
            loss.at_ms,
            -1,
            watch_list.place[loss.danger.channels[0].name],
            watch_list.loss(loss),
        )
        for loss in found
    ]


class Block:
    """A block under judgement; `channels`, the carried states, are changed by `judge`.

    `seen` says afterwards where each channel's readings are that show the water, `unmoved` where each source
    is found to stand still, and since when.
    """

    def __init__(self, water: Water, watch_list: WatchList, channels: Mapping[str, ChannelState]) -> None:
        self._water, self._watch_list, self._channels = water, watch_list, channels
        self._rates: dict[str, Speeds] = {}
        self._moves: dict[str, Speeds] = {}
        self._before = {name: (it.rate_per_hour, it.moves_per_hour) for name, it in channels.items()}
        self._stirred: set[str] = set()
        self.seen: dict[str, NDArray[np.intp]] = {}
        self.unmoved: dict[int, list[tuple[int, int]]] = {}

    def judge(self) -> Iterator[Due]:
        """Judge every channel that shows anything; crossings come back in places.

        A vessel that another engine judged by the same, and found calm, is so.
        """
        at_rest = self._water.at_rest
        if at_rest is None:
            yield from self._judge_but(())
            return
        vessels = self._vessels()
        begun = {it: [Limited.of(self._channels[each.name]) for each in its] for it, its in vessels.items()}
        calm = {it for it, its in vessels.items() if self._carried_on(its, at_rest.setdefault(it, []))}
        yield from self._judge_but(calm)
        for vessel in vessels.keys() - calm - self._stirred:
            its = vessels[vessel]
            after = [Limited.of(self._channels[channel.name]) for channel in its]
            seen = {channel.name: self.seen[channel.name] for channel in its}
            at_rest[vessel].append(AtRest(list(map(self._settled, its)), begun[vessel], after, seen))

    def _vessels(self) -> dict[str, list[Channel]]:
        """Return the channels of each vessel of which all show something."""
        found: dict[str, list[Channel]] = {}
        for channel in self._watch_list.channels:
            found.setdefault(channel.vessel, []).append(channel)
        shown = self._water.shown.keys()
        return {vessel: its for vessel, its in found.items() if shown >= {channel.name for channel in its}}

    def _settled(self, channel: Channel) -> Bounds:
        return self._watch_list.bounds(channel, self._water.shown[channel.name].series.time_ms)

    def _carried_on(self, channels: list[Channel], at_rest: list[AtRest]) -> bool:
        """Carry on what an engine found of a vessel that judged it by the same; return whether one did."""
        states, bounds = [self._channels[it.name] for it in channels], list(map(self._settled, channels))
        for known in at_rest:
            if all(map(is_, known.bounds, bounds)) and all(map(Limited.is_of, known.before, states)):
                for state, after in zip(states, known.after, strict=True):
                    after.carry_on(state)
                self.seen |= known.seen
                return True
        return False

    def _judge_but(self, calm: Collection[str]) -> Iterator[Due]:
        to_compare: list[tuple[Channel, Verdict, Bounds]] = []
        for channel in self._watch_list.channels:
            if channel.name not in self._water.shown or channel.vessel in calm:
                continue
            state = self._channels[channel.name]
            was_calm, bounds = state.is_calm, self._bounds(channel, self._water.shown[channel.name].series)
            verdict = self._judge(channel, bounds)
            if not (was_calm and state.is_calm):
                self._stirred.add(channel.vessel)
            self._note(channel, verdict)
            if channel.name in self._watch_list.redundant:
                to_compare.append((channel, verdict, bounds))
            self._note_unmoved(channel, verdict.edges)
            yield from self._placed(channel, verdict.edges)
        for channel, verdict, bounds in to_compare:
            crossing, state = partial(self._watch_list.crossing, channel), self._channels[channel.name]
            apart = [*differences(self._water.others(channel.name), verdict, state, bounds, crossing)]
            if apart or not state.is_calm:
                self._stirred.add(channel.vessel)
            yield from self._placed(channel, apart, len(verdict.edges))
            state.keep_order()

    def _bounds(self, channel: Channel, series: Series) -> Bounds:
        """Return what a channel is judged by; supersaturation that too much salt makes is the salt's.

        Only its high limits give way, by what salinity beyond its own makes: a drifting cell is one problem,
        and oxygen that is lost is never part of anything else.
        """
        bounds = self._watch_list.bounds(channel, series.time_ms)
        bounds = after_food(channel, series, bounds, self._water.fed.get(channel.vessel))
        if (worked := self._water.work.at(channel.source, series.index)) is not None:
            bounds = replace(bounds, maintained=worked)
        more = self._made_by_salt(channel, series, bounds.tolerance)
        if not more:
            return bounds
        limits = [
            (limit, value + more[limit.basis] if limit.above and limit.basis in more else value)
            for limit, value in bounds.limits
        ]
        return replace(bounds, limits=limits)

    def _made_by_salt(self, channel: Channel, series: Series, own: Tolerance | None) -> dict[Basis, Array]:
        """Return by how much salinity beyond its high limit raises what is compared; empty: by nothing."""
        inputs = [need.channels for need in channel.needs if need.quantity is Quantity.SALINITY]
        if channel.quantity is not Quantity.OXYGEN_SATURATION or not any(inputs) or own is None:
            return {}
        salinity = self._watch_list.channels[self._watch_list.place[inputs[0][0]]]
        tolerance, (source, known) = self._watch_list.tolerance(salinity), self._water.made_of[channel.name]
        if tolerance is None or tolerance.advisory.high is None:
            return {}
        above = raised_by(Quantity.SALINITY, tolerance.advisory.high, channel, source, known)
        if above is None:
            return {}
        raised, excess = above
        here, rates = self._rates.get(salinity.name, (series.index[:0], np.empty(0)))
        rates = np.nan_to_num(np.concatenate(([self._before[salinity.name][0]], rates)))
        ahead = 1.0 + rates[here.searchsorted(series.index, side="right")] * own.lead_time_ms / (
            HOUR_MS * np.where(excess > 0.0, excess, 1.0)
        )
        soon = raised * np.maximum(ahead, 1.0)
        return {Basis.VALUE: raised, Basis.LIKELY_VALUE: raised, Basis.PROJECTION: soon}

    def _hardly(self, channel: Channel, error: NDArray[np.float64], tells: float) -> NDArray[np.bool_]:
        """Return where a value may be off by too much to tell a limit: not where it ever is by the settings.

        What is too wide by the settings is shown, never a call.
        """
        wide = ~(error < tells)
        if channel.name in self._watch_list.given or not wide.any():
            return wide
        source, known = self._water.made_of[channel.name]
        best = convert(channel, source, list(map(self._water.inputs.at_best, channel.needs, known))).error
        return wide if best is None else wide & ~(best >= tells)

    def _judge(self, channel: Channel, bounds: Bounds) -> Verdict:
        shown, state = self._water.shown[channel.name], self._channels[channel.name]
        crossing = partial(self._watch_list.crossing, channel)
        noise = partial(self._water.trust.noise, channel)
        return judge_channel(shown, state, bounds, crossing, noise, self._turns(channel))

    def _turns(self, channel: Channel) -> Array | None:
        """Return by how much an hour a derived value may move as its thermometer lags; None: nothing.

        Where an engine with other limits found the thermometer to move the same, it is the very array.
        """
        if channel.name not in self._water.made_of:
            return None
        shown, moves = self._water.shown[channel.name], [self._moved(need) for need in channel.needs]
        before, rates = tuple(its for its, _ in moves), [its for _, (_, its) in moves]
        for known in shown.turns:
            if known.before == before and all(map(is_, known.rates, rates)):
                return known.turns
        source, inputs = self._water.made_of[channel.name]
        found = turns(channel, source, inputs, [_unseen(*its, source) for its in moves])
        shown.turns.append(Turning(before, rates, found))
        return found

    def _moved(self, need: Need) -> tuple[float, Speeds]:
        """Return how fast the thermometer that a need is met by moved before the block, and in it."""
        if need.quantity is not Quantity.TEMPERATURE or not need.channels:
            return np.nan, _UNMOVED
        name = need.channels[0]
        return self._before[name][1], self._moves.get(name, _UNMOVED)

    def _note(self, channel: Channel, verdict: Verdict) -> None:
        """Keep how a channel moves for those that are made of it, and where it is seen."""
        series, state = verdict.shown.series, self._channels[channel.name]
        state.moves_per_hour = np.nan
        if channel.quantity is Quantity.TEMPERATURE:
            self._moves[channel.name] = series.index, (moves := verdict.moves_per_hour())
            state.moves_per_hour = float(moves[-1])
        if channel.quantity is Quantity.SALINITY:
            self._rates[channel.name] = series.index, verdict.rate_per_hour()
        seen = verdict.shown.seen
        if series.error is not None and (tolerance := self._watch_list.tolerance(channel)) is not None:
            tells = min(distances_to_worst(tolerance), default=np.inf)
            hardly = self._hardly(channel, series.error, tells)
            seen = series.index[~(hardly | np.isnan(verdict.shown.usable))]
        if (its := self._water.readings).latest_ms > channel.source.silent_after_ms:
            late_ms = its.at_ms[seen] - its.time_ms[seen]
            seen = seen[late_ms <= channel.source.silent_after_ms]  # else it shows how the water was, not is
        self.seen[channel.name] = seen

    def _note_unmoved(self, channel: Channel, edges: list[Edge]) -> None:
        found = [
            (index, its.since_ms)
            for index, its in edges
            if its.level is Level.ADVISORY
            and its.active
            and its.evidence.reason.startswith(FaultReason.STUCK)
        ]
        if found:
            self.unmoved[channel.source.id] = found

    def _placed(self, channel: Channel, edges: Iterable[Edge], after: int = 0) -> Iterator[Due]:
        """Put edges into their places, `after` so many others of the channel at the same reading."""
        place = self._watch_list.place[channel.name]
        for order, (index, crossing) in enumerate(edges, after):
            yield Due(index, False, int(self._water.readings.at_ms[index]), place, order, crossing)


def _unseen(before: float, moves: Speeds, at: Series) -> Array | None:
    """Return how much an hour a temperature may move unseen, its thermometer lagging; None: nothing."""
    index, rates = moves[0], np.concatenate(([before], moves[1]))
    if not np.fmax.reduce(np.abs(rates), initial=0.0) > LAGS_FROM_PER_HOUR:
        return None
    newest = np.nan_to_num(np.abs(rates[index.searchsorted(at.index, side="right")]))
    found: Array = LAGS_TIMES * np.maximum(newest - LAGS_FROM_PER_HOUR, 0.0)
    return found if found.any() else None
