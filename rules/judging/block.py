"""One block of readings, judged channel by channel: conversion, flags, limits.

What comes out are the few crossings, each in its place in the order of arrival.
"""

from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rules.care.probe_care import ProbeCare
from rules.judging.channel import ChannelState, Edge, Verdict, judge_channel
from rules.judging.conversion import convert, raised_by
from rules.judging.disagreement import differences
from rules.judging.due import Due
from rules.judging.out_of_water import (
    JUMPS_WITHIN_MS,
    WITNESSES,
    Dryness,
    away,
    believed_out,
    borne_out,
    dryness,
    given_up,
    jumps,
    values_in_water,
)
from rules.judging.ranked_inputs import CHANGE_PER_HOUR, USUALLY, Inputs, Known, disputed
from rules.judging.series import Series, sample
from rules.judging.silence import Places, SourceState
from rules.judging.trust import Trust
from rules.judging.watch_list import OXYGEN, Feedings, WatchList, after_food
from rules.quality.flags import SUSPECT
from rules.quality.history import DAY_MS
from rules.quality.probe_faults import FaultReason
from rules.quality.settings import HOUR_MS
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.limits import Basis, Bounds, Level, distances_to_worst
from rules.rack.plan import Source
from rules.readings import Amendment, ChannelFlags, Outcome, Readings

_LARGEST_UINT16 = np.iinfo(np.uint16).max
"""Up to here numpy sorts by digits, several times as fast."""


Spells = tuple[NDArray[np.int64], NDArray[np.int64]]
"""Places in a block, and the spell of a dry cell that something is told of after each (one more in front)."""


def places_by_source(readings: Readings, source_ids: Container[int]) -> Places:
    """Return the places of each source's readings in a block, in arrival order; others are passed over."""
    if not len(readings):
        return {}
    small = int(readings.source.max()) <= _LARGEST_UINT16
    order = np.argsort(readings.source.astype(np.uint16) if small else readings.source, kind="stable")
    ranked = readings.source[order]
    starts = [0, *((ranked[1:] != ranked[:-1]).nonzero()[0] + 1).tolist(), ranked.size]
    found = zip(ranked[starts[:-1]].tolist(), pairwise(starts), strict=True)
    return {source_id: order[start:stop] for source_id, (start, stop) in found if source_id in source_ids}


def by_day(readings: Readings) -> Iterator[Readings]:
    """Go through readings day by day (UTC): what was learned of a channel changes at midnight."""
    if readings.at_ms[0] // DAY_MS == readings.at_ms[-1] // DAY_MS:
        yield readings
        return
    midnights = np.diff(readings.at_ms // DAY_MS).nonzero()[0] + 1
    for start, stop in pairwise([0, *midnights.tolist(), len(readings)]):
        yield readings.part(start, stop)


class Block:
    """A block under judgement; `channels`, the carried states, are changed by `judge`.

    `seen` says afterwards where each channel's readings are that show the water, `unmoved` where each source
    is found to stand still, and since when; `judged` holds what of the readings may be used.
    """

    def __init__(
        self,
        readings: Readings,
        places: Places,
        watch_list: WatchList,
        channels: Mapping[str, ChannelState],
        sources: Mapping[int, SourceState],
        care: ProbeCare,
        fed: Mapping[str, Feedings],
    ) -> None:
        self._readings = readings
        self.places = places
        self._watch_list = watch_list
        self._channels, self._sources = channels, sources
        self._care, self._fed = care, fed
        self._here = [channel for channel in watch_list.channels if channel.source.id in places]
        its = readings, places, watch_list, channels, sources
        self._trust = Trust(*its, self._dry_readings, self._put_in)
        self._inputs = Inputs(watch_list, channels, [it.name for it in self._here], self._trust.counted)
        self.judged: dict[str, Series] = {}
        self._made_of: dict[str, tuple[Series, list[Known]]] = {}
        self._rates: dict[str, tuple[NDArray[np.intp], NDArray[np.float64]]] = {}
        self._rates_before = {it.name: channels[it.name].rate_per_hour for it in self._here}
        self.seen: dict[str, NDArray[np.intp]] = {}
        self.unmoved: dict[int, list[tuple[int, int]]] = {}
        self._doubtful = {it.name: channels[it.name].doubtful for it in self._here}
        self._dry: dict[int, Dryness] = {}
        self._told: dict[int, tuple[Spells, Spells]] = {}

    def may_doubt(self, channels: Iterable[Channel]) -> bool:
        """Return whether a probe of these channels is doubted anywhere in the block; carry nothing on."""
        return any(map(self._trust.may_doubt, {channel.source.id for channel in channels}))

    def judge(self, outcome: Outcome) -> Iterator[Due]:
        """Judge every channel that has readings; flags go into `outcome`, crossings come back in places."""
        to_compare: list[tuple[Channel, Series, Verdict, Bounds]] = []
        for channel in self._here:
            here = self.places[channel.source.id]
            series = self._series(channel, here)
            former_flag = self._channels[channel.name].flag
            bounds = self._bounds(channel, series)
            verdict = self._judge(channel, series, bounds, self._out_of_water(channel, here))
            self._note(channel, series, verdict)
            if channel.name in self._watch_list.redundant:
                to_compare.append((channel, series, verdict, bounds))
            self._note_flags(channel, here, series, verdict, former_flag, outcome)
            self._note_unmoved(channel, verdict.edges)
            yield from self._placed(channel, verdict.edges)
        for channel, series, verdict, bounds in to_compare:
            others = self._inputs.others(self._watch_list.redundant[channel.name], series)
            crossing, state = partial(self._watch_list.crossing, channel), self._channels[channel.name]
            apart = differences(series, others, verdict, state, bounds, crossing)
            yield from self._placed(channel, apart, len(verdict.edges))
            state.keep_order()
        self._note_dry()
        self._trust.note_counts()

    def _series(self, channel: Channel, here: NDArray[np.intp]) -> Series:
        """Return a channel's readings: as measured and calibrated, or converted from another channel's."""
        if channel.measured:
            line = self._care.line(channel.source)
            read = self._readings.value[here]
            value, doubted = read if line is None else line.of(read), self._doubted(channel, here)
            base = self._trust.base(channel)
            base = base if line is None or base is None else line.of(base)
            time_ms, put_in = self._readings.time_ms[here], self._put_in(channel, here)
            new = None if put_in is None or not put_in.any() else put_in.astype(np.int64)
            source = Series(here, time_ms, value, suspect=doubted, elsewhere=new, base=base)
            if not channel.needs:
                return source
        else:
            source = self.judged[self._watch_list.own[channel.source.id].name]
        known = [self._inputs.of(need, channel.vessel, source) for need in channel.needs]
        self._made_of[channel.name] = source, known
        return convert(channel, source, known)

    def _bounds(self, channel: Channel, series: Series) -> Bounds:
        """Return what a channel is judged by; supersaturation that too much salt makes is the salt's.

        Only its high limits give way, by what salinity beyond its own makes: a drifting cell is one problem,
        and oxygen that is lost is never part of anything else.
        """
        bounds = self._watch_list.bounds(channel, series.time_ms)
        bounds = after_food(channel, series, bounds, self._fed.get(channel.vessel))
        inputs = [need.channels for need in channel.needs if need.quantity is Quantity.SALINITY]
        if channel.quantity is not Quantity.OXYGEN_SATURATION or not any(inputs) or bounds.tolerance is None:
            return bounds
        salinity = self._watch_list.channels[self._watch_list.place[inputs[0][0]]]
        tolerance, (source, known) = self._watch_list.tolerance(salinity), self._made_of[channel.name]
        if tolerance is None or tolerance.advisory.high is None:
            return bounds
        above = raised_by(Quantity.SALINITY, tolerance.advisory.high, channel, source, known)
        if above is None:
            return bounds
        raised, excess = above
        here, rates = self._rates.get(salinity.name, (series.index[:0], np.empty(0)))
        before = self._rates_before.get(salinity.name, self._channels[salinity.name].rate_per_hour)
        rates = np.nan_to_num(np.concatenate(([before], rates)))
        ahead = 1.0 + rates[here.searchsorted(series.index, side="right")] * bounds.tolerance.lead_time_ms / (
            HOUR_MS * np.where(excess > 0.0, excess, 1.0)
        )
        more = {
            Basis.VALUE: raised,
            Basis.LIKELY_VALUE: raised,
            Basis.PROJECTION: raised * np.maximum(ahead, 1.0),
        }
        limits = [
            (limit, value + more[limit.basis] if limit.above and limit.basis in more else value)
            for limit, value in bounds.limits
        ]
        return replace(bounds, limits=limits)

    def _hardly(self, channel: Channel, error: NDArray[np.float64], tells: float) -> NDArray[np.bool_]:
        """Return where a value may be off by too much to tell a limit: not where it ever is by the settings.

        What is too wide by the settings is shown, never a call.
        """
        wide = ~(error < tells)
        if channel.name in self._watch_list.given or not wide.any():
            return wide
        source, known = self._made_of[channel.name]
        best = convert(channel, source, list(map(self._inputs.at_best, channel.needs, known))).error
        return wide if best is None else wide & ~(best >= tells)

    def _doubted(self, channel: Channel, here: NDArray[np.intp]) -> NDArray[np.bool_] | None:
        """Return where the temperature is doubtful by which a probe corrects a value; None where nowhere."""
        by = self._watch_list.corrected_by[channel.name]
        if by is None:
            return None
        now = self.judged.get(by.name)
        if now is None:
            return np.ones(here.size, dtype=np.bool_) if self._channels[by.name].doubtful else None
        doubtful = np.isnan(now.value) if now.suspect is None else np.isnan(now.value) | now.suspect
        known = np.concatenate(([self._doubtful[by.name]], doubtful))
        found: NDArray[np.bool_] = known[now.index.searchsorted(here, "right")]
        return found if found.any() else None

    def _note(self, channel: Channel, series: Series, verdict: Verdict) -> None:
        """Keep what became of a channel, for those that are made of it or compared with it."""
        suspect = verdict.judged.causal == SUSPECT
        self.judged[channel.name] = replace(series, value=verdict.usable, suspect=suspect)
        now = verdict.usable if series.error is None else np.where(series.error > 0, np.nan, verdict.usable)
        measured = Series(series.index, series.time_ms, now, suspect=suspect, base=series.base)
        kept = channel.quantity in (*USUALLY, *OXYGEN)
        usual = kept and not self._watch_list.is_maintained(channel.source.id)
        sampled, state = np.array([], dtype=np.intp), self._channels[channel.name]
        if usual:
            sampled, state.sample = sample(measured, state.sample)
        doubts = disputed(series.value, verdict.judged.tests)
        moves = verdict.moves_per_hour() if channel.quantity is Quantity.TEMPERATURE else None
        state.moves_per_hour = np.nan if moves is None else float(moves[-1])
        self._inputs.note(channel.name, measured, sampled, doubts, moves)
        if channel.quantity is Quantity.SALINITY:
            self._rates[channel.name] = series.index, verdict.rate_per_hour()
        sure = ~np.isnan(verdict.usable)
        tolerance = self._watch_list.tolerance(channel)
        if series.error is not None and tolerance is not None:
            tells = min(distances_to_worst(tolerance), default=np.inf)
            sure &= ~self._hardly(channel, series.error, tells)
        self.seen[channel.name] = series.index[sure]

    def _judge(
        self,
        channel: Channel,
        series: Series,
        bounds: Bounds,
        dry: tuple[NDArray[np.bool_], NDArray[np.bool_]] | None,
    ) -> Verdict:
        return judge_channel(
            series,
            self._channels[channel.name],
            bounds,
            self._watch_list.quality(channel),
            partial(self._watch_list.crossing, channel),
            dry,
            partial(self._trust.belied, channel, series)
            if channel.measured or channel.quantity in CHANGE_PER_HOUR or channel.quantity in OXYGEN
            else None,
            partial(self._trust.noise, channel),
        )

    def _note_flags(
        self,
        channel: Channel,
        here: NDArray[np.intp],
        series: Series,
        verdict: Verdict,
        former_flag: int,
        outcome: Outcome,
    ) -> None:
        state, judged, seq = self._channels[channel.name], verdict.judged, self._readings.seq[here]
        if judged.amended_tests is not None:
            summary = former_flag if judged.amended is None else int(judged.amended)
            outcome.amendments.append(Amendment(channel.name, state.last_seq, summary, judged.amended_tests))
        state.last_seq = int(seq[-1])
        outcome.flags.append(
            ChannelFlags(
                channel.name, seq, series.time_ms, series.value, judged.summary, judged.tests, series.error
            )
        )

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
            yield Due(index, False, int(self._readings.at_ms[index]), place, order, crossing)

    # Out of the water

    def _out_of_water(
        self, channel: Channel, here: NDArray[np.intp]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
        """Return where a probe's own readings are not of the water, and where the whole probe is out.

        None where all are of the water, or nobody knows.
        """
        source = channel.source
        cell = self._watch_list.cells.get(source.probe, self._watch_list.apart.get(source.id))
        if cell is None or not channel.measured:
            return None
        its, time_ms = self._dryness(cell), self._readings.time_ms[here]
        if its.is_over(time_ms):
            return None
        out = believed_out(here, time_ms, its, *self._spells(cell, source))
        return (out | its.dry if source.id == cell else out), out

    def _dry_readings(self, channel: Channel, here: NDArray[np.intp]) -> NDArray[np.bool_] | None:
        """Return where a probe's own readings are not of the water; None where all are, or nobody knows."""
        found = self._out_of_water(channel, here)
        return None if found is None else found[0]

    def _put_in(self, channel: Channel, here: NDArray[np.intp]) -> NDArray[np.bool_] | None:
        """Return where a probe has just been put into the water, as its cell says; None where it has none."""
        source = channel.source
        cell = self._watch_list.cells.get(source.probe, self._watch_list.apart.get(source.id))
        if cell is None:
            return None
        return self._dryness(cell).put_in(here, self._readings.time_ms[here], self._sources[cell].time_ms)

    def _dryness(self, cell: int) -> Dryness:
        if cell not in self._dry:
            self._dry[cell] = dryness(self._read(cell), self._sources[cell])
        return self._dry[cell]

    def _spells(self, cell: int, source: Source) -> tuple[Spells, Spells]:
        """Return what bears a cell out for a source, and where it ceases to be believed.

        What stands apart from the cell knows only of itself, and is believed for minutes at most.
        """
        apart = source.id in self._watch_list.apart
        key = source.id if apart else cell
        if key not in self._told:
            mates = [it for it in self._watch_list.mates(cell) if it.quantity in WITNESSES]
            jumping, staying = ([source], []) if apart else (mates, mates)
            state = self._sources[key]
            witness = self._witness(cell, jumping, state.witness_ms)
            self._told[key] = witness, self._ended(cell, staying, state.ended_ms)
        return self._told[key]

    def _witness(self, cell: int, mates: list[Source], before_ms: int) -> Spells:
        """Return what bears a cell out: a jump of one of its mates, or maintenance."""
        its = self._dryness(cell)
        if not its.dry.any() and its.is_over(self._readings.time_ms, JUMPS_WITHIN_MS):
            return borne_out([], before_ms)
        found = [jumps(self._read(it.id), it.quantity, its, self._sources[it.id]) for it in mates]
        if self._watch_list.is_maintained(cell):
            found.append((its.cell.index[its.dry], its.spell_ms[1:][its.dry]))
        return borne_out(found, before_ms)

    def _ended(self, cell: int, mates: list[Source], before_ms: int) -> Spells:
        """Return where a cell ceases to be believed: none of its mates is away any more."""
        its = self._dryness(cell)
        if not its.dry.any():
            return borne_out([], before_ms)
        here = its.cell.index[its.dry]
        still_away = np.zeros(here.size, dtype=np.bool_)
        for mate in mates:
            still_away |= away(here, self._read(mate.id), mate.quantity, its, self._sources[mate.id])
        return borne_out([given_up(its, still_away)], before_ms)

    def _note_dry(self) -> None:
        for cell in self._watch_list.cells.values():
            mates = self._watch_list.mates(cell)
            if self.places.keys().isdisjoint((cell, *(mate.id for mate in mates))):
                continue  # nothing new is known of it
            its, state = self._dryness(cell), self._sources[cell]
            apart = [mate for mate in mates if mate.id in self._watch_list.apart]
            own = (self._watch_list.own[cell].source, *apart) if its.last_ms[-1] >= 0 else ()
            told = [(it, self._spells(cell, it)) for it in own]
            for it, spells in told:
                kept = self._sources[it.id]
                kept.witness_ms, kept.ended_ms = (int(each[1][-1]) for each in spells)
            for mate in mates:
                read, kept = self._read(mate.id), self._sources[mate.id]
                kept.wet = float(values_in_water(read, its, kept)[-1])
                if read.value.size:
                    kept.raw = float(read.value[-1])
            state.first_ms = its.first_ms
            state.dry_ms, state.spell_ms = int(its.last_ms[-1]), int(its.spell_ms[-1])

    def _read(self, source_id: int) -> Series:
        """Return the readings of a source as its probe gave them."""
        here = self.places.get(source_id, np.array([], dtype=np.intp))
        return Series(here, self._readings.time_ms[here], self._readings.value[here])
