"""What a block of readings shows, channel by channel: conversion, quality flags, doubts, what may be used.

No limit has a say in it. So engines that judge the same readings by other limits take it from each other.
"""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from functools import cached_property, partial
from operator import attrgetter
from typing import Self

import numpy as np
from numpy.typing import NDArray

from rules.care.probe_care import ProbeCare
from rules.judging.conversion import convert
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
    jumps_within_ms,
    values_in_water,
)
from rules.judging.ranked_inputs import CHANGE_PER_HOUR, USUALLY, Inputs, Known, disputed
from rules.judging.series import (
    NOTHING_READ,
    OF_THE_WATER,
    AtRest,
    ChannelState,
    Others,
    Read,
    Series,
    Shown,
    known_at,
    sample,
)
from rules.judging.silence import OF_DRYNESS, Places, SourceState
from rules.judging.trend import stretches
from rules.judging.trust import Trust
from rules.judging.watch_list import OXYGEN, Feedings, WatchList
from rules.quality.flags import FAIL, SUSPECT
from rules.quality.history import DAY_MS
from rules.quality.probe_faults import Belied
from rules.quality.quality import Judged, judge
from rules.quality.settings import QualitySettings
from rules.rack.channels import Channel
from rules.rack.plan import Source
from rules.rack.work import Work
from rules.readings import Amendment, ChannelFlags, Readings

Bools = NDArray[np.bool_]

Spells = tuple[NDArray[np.int64], NDArray[np.int64]]
"""Places in a block, and the spell of a dry cell that something is told of after each (one more in front)."""


Carried = list[tuple[object, ...]]
"""Of each channel and each source, what is carried of the water."""
_of_channel, _of_source = attrgetter(*OF_THE_WATER), attrgetter(*OF_DRYNESS)


class Water:
    """What a block shows; `channels` and `sources`, the carried states, are changed by `judge`.

    Afterwards `shown` is what channels show, `judged` what of it may be used, `made_of` what it was made of.
    `at_rest` are vessels in which nothing turned by the limits of an engine; None where only one judges.
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
        work: Work,
    ) -> None:
        self.readings, self.places, self.fed, self.work = readings, places, fed, work
        self._watch_list, self._care = watch_list, care
        self._channels, self._sources = channels, sources
        self._here = [channel for channel in watch_list.channels if channel.source.id in places]
        self.shown: dict[str, Shown] = {}
        self.judged: dict[str, Series] = {}
        self.made_of: dict[str, tuple[Series, list[Known]]] = {}
        self.flags: list[ChannelFlags] = []
        self.amendments: list[Amendment] = []
        self._others: dict[str, Others] = {}
        self._dry: dict[int, Dryness] = {}
        self._told: dict[int, tuple[Spells, Spells]] = {}
        self._beside: tuple[Collection[str], Inputs] | None = None
        self.at_rest: dict[str, list[AtRest]] | None = None

    def piece(self, places: Places, vessels: Collection[str], beside: Inputs) -> "Water":
        """Return what some vessels show at `places`, `beside` what was found of the others in the block."""
        known = self._watch_list, self._channels, self._sources, self._care, self.fed, self.work
        its = Water(self.readings, places, *known)
        its._beside = vessels, beside
        return its

    def may_doubt(self, channels: Iterable[Channel]) -> bool:
        """Return whether a probe of these channels is doubted anywhere in the block; carry nothing on."""
        return any(map(self._trust().may_doubt, {channel.source.id for channel in channels}))

    def _trust(self) -> Trust:
        known = self._watch_list, self._channels, self._sources, self._dry_readings, self._put_in
        return Trust(self._read, int(self.readings.at_ms[0]) // DAY_MS * DAY_MS, self.work, *known)

    @cached_property
    def _read(self) -> dict[int, Read]:
        its, at = self.readings, self.places.items()
        return {it: Read(here, its.at_ms[here], its.time_ms[here], its.value[here]) for it, here in at}

    def judge(self) -> Self:
        """Work out what every channel shows that has readings, once."""
        self.trust, names = self._trust(), [channel.name for channel in self._here]
        self.inputs = Inputs(self._watch_list, self._channels, names, self.trust.counted)
        if self._beside is not None:
            self.inputs.know_of_others(*self._beside)
        self._doubtful = {name: self._channels[name].doubtful for name in names}
        for channel in self._here:
            its = self._read[channel.source.id]
            state, series = self._channels[channel.name], self._series(channel, its)
            belie = partial(self.trust.belied, channel, series)
            may_lie = channel.measured or channel.quantity in CHANGE_PER_HOUR or channel.quantity in OXYGEN
            dry, former_flag = self._out_of_water(channel, its), state.flag
            quality = self._watch_list.quality(channel)
            self.shown[channel.name] = show(series, state, quality, dry, belie if may_lie else None)
            self._note(channel, state)
            self._note_flags(channel, state, former_flag)
        self._note_dry()
        self.trust.note_counts()
        return self

    def _series(self, channel: Channel, its: Read) -> Series:
        """Return a channel's readings: as measured and calibrated, or converted from another channel's."""
        if channel.measured:
            line = self._care.line(channel.source)
            value = its.value if line is None else line.of(its.value)
            doubted, put_in = self._doubted(channel, its.here), self._put_in(channel, its)
            base = self.trust.base(channel)
            base = base if line is None or base is None else line.of(base)
            new = None if put_in is None or not put_in.any() else put_in.astype(np.int64)
            source = Series(its.here, its.time_ms, value, suspect=doubted, elsewhere=new, base=base)
            if not channel.needs:
                return source
        else:
            source = self.judged[self._watch_list.own[channel.source.id].name]
        known = [self.inputs.of(need, channel.vessel, source) for need in channel.needs]
        self.made_of[channel.name] = source, known
        return convert(channel, source, known)

    def _doubted(self, channel: Channel, here: NDArray[np.intp]) -> Bools | None:
        """Return where the temperature is doubtful by which a probe corrects a value; None where nowhere."""
        by = self._watch_list.corrected_by[channel.name]
        if by is None:
            return None
        if (now := self.judged.get(by.name)) is None:
            return np.ones(here.size, dtype=np.bool_) if self._channels[by.name].doubtful else None
        doubtful = np.isnan(now.value) if now.suspect is None else np.isnan(now.value) | now.suspect
        known = np.concatenate(([self._doubtful[by.name]], doubtful))
        found: NDArray[np.bool_] = known[known_at(now.index, here)]
        return found if found.any() else None

    def _note(self, channel: Channel, state: ChannelState) -> None:
        """Keep what became of a channel, for those that are made of it or compared with it."""
        shown = self.shown[channel.name]
        series, usable, suspect = shown.series, shown.usable, shown.judged.causal == SUSPECT
        self.judged[channel.name] = replace(series, value=usable, suspect=suspect)
        now = usable if series.error is None else np.where(series.error > 0, np.nan, usable)
        measured = Series(series.index, series.time_ms, now, suspect=suspect, base=series.base)
        sampled, kept = NOTHING_READ.here, channel.quantity in (*USUALLY, *OXYGEN)
        if kept:
            worked = self.work.at(channel.source, series.index)
            calm = measured if worked is None else replace(measured, value=np.where(worked, np.nan, now))
            sampled, state.sample = sample(calm, state.sample)
        doubts = None if usable is series.value else disputed(series.value, shown.judged.tests)
        self.inputs.note(channel.name, measured, sampled, doubts)

    def _note_flags(self, channel: Channel, state: ChannelState, former_flag: int) -> None:
        series, judged = self.shown[channel.name].series, self.shown[channel.name].judged
        if judged.amended_tests is not None:
            summary = former_flag if judged.amended is None else int(judged.amended)
            self.amendments.append(Amendment(channel.name, state.last_seq, summary, judged.amended_tests))
        every = self.readings.seq
        none_left_out = every[-1] - every[0] == every.size - 1  # then it is where they are that says it
        seq = series.index + every[0] if none_left_out else every[series.index]
        state.last_seq = int(seq[-1])
        flags = seq, series.time_ms, series.value, judged.summary, judged.tests, series.error
        self.flags.append(ChannelFlags(channel.name, *flags))

    # Out of the water

    def _out_of_water(self, channel: Channel, read: Read) -> tuple[Bools, Bools] | None:
        """Return where a probe's own readings are not of the water, and where the whole probe is out.

        None where all are of the water, or nobody knows.
        """
        source = channel.source
        cell = self._watch_list.cells.get(source.probe, self._watch_list.apart.get(source.id))
        if cell is None or not channel.measured:
            return None
        its = self._dryness(cell)
        if its.is_over(read.time_ms):
            return None
        out = believed_out(read.here, read.time_ms, its, *self._spells(cell, source))
        return (out | its.dry if source.id == cell else out), out

    def _dry_readings(self, channel: Channel, read: Read) -> Bools | None:
        """Return where a probe's own readings are not of the water; None where all are, or nobody knows."""
        found = self._out_of_water(channel, read)
        return None if found is None else found[0]

    def _put_in(self, channel: Channel, read: Read) -> Bools | None:
        """Return where a probe has just been put into the water, as its cell says; None where it has none."""
        source = channel.source
        cell = self._watch_list.cells.get(source.probe, self._watch_list.apart.get(source.id))
        if cell is None:
            return None
        return self._dryness(cell).put_in(read.here, read.time_ms, self._sources[cell].time_ms)

    def _dryness(self, cell: int) -> Dryness:
        if cell not in self._dry:
            self._dry[cell] = dryness(self._given(cell), self._sources[cell])
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
        if its.is_over(self.readings.time_ms, max(map(jumps_within_ms, mates), default=JUMPS_WITHIN_MS)):
            return borne_out([], before_ms)
        found = [jumps(self._given(it.id), it, its, self._sources[it.id]) for it in mates]
        worked = self.work.at(self._watch_list.own[cell].source, its.cell.index)
        if worked is not None:
            there = its.dry & worked
            found.append((its.cell.index[there], its.spell_ms[1:][there]))
        return borne_out(found, before_ms)

    def _ended(self, cell: int, mates: list[Source], before_ms: int) -> Spells:
        """Return where a cell ceases to be believed: none of its mates is away any more."""
        its = self._dryness(cell)
        if not its.dry.any():
            return borne_out([], before_ms)
        here = its.cell.index[its.dry]
        still_away = np.zeros(here.size, dtype=np.bool_)
        for mate in mates:
            still_away |= away(here, self._given(mate.id), mate.quantity, its, self._sources[mate.id])
        return borne_out([given_up(its, still_away)], before_ms)

    def _note_dry(self) -> None:
        for cell in self._watch_list.cells.values():
            mates = self._watch_list.mates(cell)
            if self.places.keys().isdisjoint((cell, *(mate.id for mate in mates))):
                continue  # nothing new is known of it
            its, state = self._dryness(cell), self._sources[cell]
            apart = [mate for mate in mates if mate.id in self._watch_list.apart]
            own = (self._watch_list.own[cell].source, *apart) if its.last_ms[-1] >= 0 else ()
            for it, spells in [(it, self._spells(cell, it)) for it in own]:
                kept = self._sources[it.id]
                kept.witness_ms, kept.ended_ms = (int(each[1][-1]) for each in spells)
            for mate in mates:
                read, kept = self._given(mate.id), self._sources[mate.id]
                kept.wet = float(values_in_water(read, its, kept)[-1])
                if read.value.size:
                    kept.raw = float(read.value[-1])
            state.first_ms = its.first_ms
            state.dry_ms, state.spell_ms = int(its.last_ms[-1]), int(its.spell_ms[-1])

    def _given(self, source_id: int) -> Series:
        """Return the readings of a source as its probe gave them."""
        its = self._read.get(source_id, NOTHING_READ)
        return Series(its.here, its.time_ms, its.value)

    def others(self, name: str) -> Others:
        """Return what each reading of a channel is compared with that has others beside it, and of when."""
        if name not in self._others:
            names, series = self._watch_list.redundant[name], self.shown[name].series
            newest_ms = self.inputs.newest_ms((it for it in names if it != name), series)
            self._others[name] = self.inputs.others(names, series), newest_ms
        return self._others[name]

    def carried(self) -> Carried:
        """Return what is carried of the water from block to block, of each channel and each source."""
        return [*map(_of_channel, self._channels.values()), *map(_of_source, self._sources.values())]

    def carry_on(self, its: Carried) -> None:
        """Carry on what another engine found."""
        states = [(state, OF_THE_WATER) for state in self._channels.values()]
        for (state, names), values in zip(
            [*states, *((state, OF_DRYNESS) for state in self._sources.values())], its, strict=True
        ):
            for name, value in zip(names, values, strict=True):
                setattr(state, name, value)

    def judged_by(self) -> tuple[object, ...]:
        """Return what decides about the water beside what is carried."""
        return *self._watch_list.of_the_water(), self.work, dict(self._care.newest)

    def judge_apart(self) -> Self:
        """Judge, and leave what was carried before as it is."""
        for state in self._channels.values():
            state.played, state.rests = replace(state.played), state.rests.apart()
        return self.judge()


def show(
    series: Series,
    state: ChannelState,
    quality: QualitySettings,
    out_of_water: tuple[NDArray[np.bool_], NDArray[np.bool_]] | None = None,
    belie: Callable[[Judged], Belied | None] | None = None,
) -> Shown:
    """Flag the readings of one channel in one block and carry `state` on (it is changed).

    `out_of_water` is what is not of the water (shape m), and where the whole probe is out, `belie` finds what
    else speaks against them. What other probes say is compared later.
    """
    dry, out = out_of_water or (None, None)
    judged = judge(series.time_ms, series.value, quality, state.quality, dry).with_inputs(series.suspect)
    usable, alone = series.value, judged.causal == FAIL
    if (belied := belie(judged) if belie else None) is not None:
        judged = judged.with_belied(belied)
        series = replace(series, doubted=belied.maybe_water(series.value, judged.tests))
    if belied is not None or np.count_nonzero(alone):  # else none fails, so that none is disputed either
        usable = np.where(judged.causal == FAIL, np.nan, usable)
    before, state.quality = (state.dry, state.elsewhere), judged.state
    begun, (state.dry, state.elsewhere) = stretches(usable.size, dry, series.elsewhere, before)
    good = ~np.isnan(usable)
    seen = series.index if np.count_nonzero(good) == good.size else series.index[good]
    found = Shown(series, judged, usable, alone, out, belied, begun, seen)
    state.remember(found, good)
    return found
