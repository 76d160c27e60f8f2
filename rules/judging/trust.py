"""Whether a probe can be believed, by its own past and by witnesses; and what is learned of that past.

A block lies within one day (UTC): what was learned of a channel changes at midnight only.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import partial, reduce
from operator import or_

import numpy as np
from numpy.typing import NDArray

from rules.alarms.moves import spells
from rules.judging.series import NOTHING_READ, ChannelState, Read, Series, known_at
from rules.judging.silence import SourceState
from rules.judging.watch_list import WatchList
from rules.quality.calm import MOVING, STALE_POLLS, Usual, Witness, frozen
from rules.quality.flags import PASS
from rules.quality.history import Learned, learn, learned
from rules.quality.hour_statistics import Buckets
from rules.quality.leaps import Beside, Leap, Leapt, leaps
from rules.quality.probe_faults import Belied
from rules.quality.quality import Judged
from rules.quality.repeats import Repeats, frozen_along, going_round, repeated, repeats_after
from rules.quality.replayed import COARSE_MS, Again, played, rested
from rules.quality.scatter import Pair, Scatter, bend_limit, erratic
from rules.quality.settings import DEFAULT_QUALITY
from rules.quality.swift import PER_KELVIN, Swift, in_kelvin, swift
from rules.quantities import Quantity
from rules.rack.channels import Channel
from rules.rack.plan import Source
from rules.rack.work import Work

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]


class Trust:
    """Judges the probes of one block; `channels`, the carried states, are changed."""

    def __init__(
        self,
        read: Mapping[int, Read],
        day_ms: int,
        work: Work,
        watch_list: WatchList,
        channels: Mapping[str, ChannelState],
        sources: Mapping[int, SourceState],
        dry: Callable[[Channel, Read], Bools | None],
        put_in: Callable[[Channel, Read], Bools | None],
    ) -> None:
        self._read, self._day_ms, self._work, self._watch_list = read, day_ms, work, watch_list
        self._dry, self._put_in = dry, put_in
        self._channels, self._sources = channels, sources
        self._buckets: dict[int, tuple[Buckets, NDArray[np.intp]]] = {}
        self._leaps: dict[int, tuple[Leapt, Leap]] = {}
        own = watch_list.own.items()
        self._leap_before = {it: channels[its.name].leap for it, its in own if it in read}
        self._of_water: dict[int, tuple[Bools, Read]] = {}
        self._by_others: dict[int, tuple[Bools | None, Beside | None, NDArray[np.int64]]] = {}
        self._sounds: dict[int, Floats] = {}
        self._rows: dict[int, tuple[NDArray[np.intp], Floats, NDArray[np.int64]]] = {}
        self._still: dict[int, tuple[NDArray[np.int64], int, Repeats]] = {}
        self._played: dict[int, tuple[NDArray[np.intp], Again]] = {}
        self._bases: dict[int, Floats | None] = {}

    def usual(self, channel: Channel) -> Learned | None:
        """Return what a channel showed before the day of the block; None where nothing."""
        state, by = self._channels[channel.name], (self._day_ms, channel.source.silent_after_ms)
        if state.usual is None or state.usual[0] != by:
            state.usual = by, learned(state.history, by[0], channel.quantity, by[1])
        return state.usual[1]

    def counted(self, channel: Channel) -> Learned | None:
        """Return the same where thresholds may rest on it."""
        usual = self.usual(channel)
        return usual if usual is not None and usual.counts(self._day_ms) else None

    def noise(self, channel: Channel) -> float:
        """Return the usual noise of a channel, 0 where nobody knows yet."""
        usual = self.counted(channel)
        return 0.0 if usual is None else usual.noise

    def belied(self, channel: Channel, series: Series, judged: Judged) -> Belied | None:
        """Return which readings of a channel are belied, None where none is, and learn from the others."""
        state, its = self._channels[channel.name], self._read[channel.source.id]
        doubtful = judged.causal != PASS
        if series.error is not None:
            doubtful |= series.error > 0
        if series.base is not None:
            doubtful |= ~np.isnan(series.base)
        if (worked := self._work.at(channel.source, its.here)) is not None:
            doubtful |= worked
        found, value = None, series.value
        if channel.measured:
            found, value = self._disbelieved(channel, its), its.value
        if found is not None:
            doubtful |= found.frozen | found.jumped | found.erratic
        wait_ms = channel.source.silent_after_ms
        state.history = learn(state.history, its.at_ms, value, doubtful, channel.quantity, wait_ms)
        return found

    def _disbelieved(self, channel: Channel, its: Read) -> Belied | None:
        """Return which of its readings a probe is belied in, None where in none."""
        leapt, self._channels[channel.name].leap = self._leaps_of(channel.source.id)
        again_ms = self._played_since(channel.source, its)
        since_ms = np.minimum(self._frozen_since(channel, its), again_ms)
        erratic, frozen = self._erratic(channel), since_ms != MOVING
        if not np.count_nonzero(frozen | leapt.jumped | erratic | leapt.loose):
            return None
        shown = self._watch_list.beside[channel.name] or self._watch_list.borne_out_by[channel.name]
        alone = np.bool_(not (shown or channel.needs))
        doubted = alone & leapt.jumped & ~(leapt.loose | erratic | frozen)
        played = again_ms != MOVING
        return Belied(since_ms, leapt.jumped, erratic, leapt.young, leapt.loose, played, doubted)

    def _in_water(self, channel: Channel) -> tuple[Bools, Read]:
        """Return which readings of a probe are numbers, and of the water; and these."""
        source_id = channel.source.id
        if source_id not in self._of_water:
            its = self._read[source_id]
            finite, dry = np.isfinite(its.value), self._dry(channel, its)
            in_water = finite if dry is None else finite & ~dry
            self._of_water[source_id] = in_water, its.only(in_water)
        return self._of_water[source_id]

    def _leaps_of(self, source_id: int) -> tuple[Leapt, Leap]:
        """Return where a probe leaps, and what to carry of it; the water may do so under maintenance."""
        if source_id not in self._leaps:
            channel = self._watch_list.own[source_id]
            in_water, wet = self._in_water(channel)
            self._by_others[source_id] = self._agreed(channel, wet), *self._beside(channel, wet)
            found, leap = self._leaps_in(channel, wet)
            if wet.value.size < in_water.size:
                everywhere = np.zeros((3, in_water.size), dtype=np.bool_)
                everywhere[:, in_water] = found.jumped, found.young, found.loose
                found = Leapt(*everywhere)
            self._leaps[source_id] = found, leap
        return self._leaps[source_id]

    def _leaps_in(self, channel: Channel, wet: Read) -> tuple[Leapt, Leap]:
        settings, found = self._watch_list.quality(channel), []
        (agreed, beside, _), past = self._by_others[channel.source.id], self._channels[channel.name].leap
        for _, part, worked in self._spells(channel):
            by = replace(settings, max_jump=settings.max_jump and 1e300) if worked else settings
            past = Leap(past.time_ms, past.value, past.beside) if worked else past  # none is a leap
            agree = None if agreed is None else agreed[part]
            other = None if beside is None else beside.part(part)
            its, past = leaps(wet.time_ms[part], wet.value[part], by, past, agree, other)
            past = replace(past, hours=(), apart=()) if worked else past
            found.append((its.jumped, its.young, its.loose))
        return Leapt(*map(np.concatenate, zip(*found, strict=True))), past

    def _spells(self, channel: Channel) -> Iterator[tuple[slice, slice, bool]]:
        """Go through the stretches of a probe's readings while somebody is at work, or nobody is.

        With each comes that of those in the water, which may be empty.
        """
        here, (in_water, wet) = self._read[channel.source.id].here, self._in_water(channel)
        if (at := self._work.at(channel.source, here)) is None:
            yield slice(0, here.size), slice(0, wet.here.size), False
            return
        for part, worked in spells(at, here.size):
            start, stop = (int(np.count_nonzero(in_water[:end])) for end in (part.start, part.stop))
            yield part, slice(start, stop), worked

    def _agreed(self, channel: Channel, wet: Read) -> Bools | None:
        """Return where another probe's newest reading in the vessel bears a probe out, or it was just put in.

        None where nothing ever could.
        """
        put_in, others = self._put_in(channel, wet), self._watch_list.beside[channel.name]
        found = [] if put_in is None else [put_in]
        for its, _ in (self._newest(other, wet.here) for other in others):
            near = (self._watch_list.quality(channel).max_jump or 0.0) / 2
            found.append(np.abs(wet.value - its) <= near)
        return reduce(or_, found) if found else None

    def _beside(self, channel: Channel, wet: Read) -> tuple[Beside | None, NDArray[np.int64]]:
        """Return what the cell beside a thermometer shows, or the other way, and of when that is."""
        other = self._watch_list.borne_out_by[channel.name]
        if other is None:
            return None, wet.time_ms
        value, time_ms = self._newest(other, wet.here)
        late = wet.time_ms - time_ms > other.source.silent_after_ms
        kelvin = np.where(late, np.nan, in_kelvin(value, other.quantity))
        return Beside(kelvin, partial(in_kelvin, quantity=channel.quantity)), time_ms

    def _newest(self, other: Channel, here: NDArray[np.intp]) -> tuple[Floats, NDArray[np.int64]]:
        """Return the newest reading in the water of a probe at places of the block, and of when it is."""
        if other.source.id not in self._rows:
            its = self._in_water(other)[1] if other.source.id in self._read else NOTHING_READ
            leap = self._leap_before.get(other.source.id, self._channels[other.name].leap)
            values = np.concatenate((leap.value[-1:] or (np.nan,), its.value))
            times_ms = np.concatenate((leap.time_ms[-1:] or (0,), its.time_ms))
            self._rows[other.source.id] = its.here, values, times_ms
        places, values, times_ms = self._rows[other.source.id]
        newest = known_at(places, here)
        return values[newest], times_ms[newest]

    def may_doubt(self, source_id: int) -> bool:
        """Return whether a probe is doubted before the block or anywhere in it; nothing is carried on."""
        channel = self._watch_list.own[source_id]
        state = self._channels[channel.name]
        swift_before = state.swift
        if state.leap.since_ms >= 0 or swift_before.since_ms >= 0:
            return True
        if source_id not in self._read:
            return False
        doubted = bool(self._leaps_of(source_id)[0].jumped.any()) or self.base(channel) is not None
        state.swift = swift_before
        return doubted

    def base(self, channel: Channel) -> Floats | None:
        """Return what a thermometer or a cell read before a swift move of its own at each of its readings.

        NaN where it makes none, None where it never does: the other one of the vessel bears it out.
        """
        source_id, other = channel.source.id, self._watch_list.borne_out_by[channel.name]
        if source_id not in self._bases:
            jumps = (self._watch_list.quality(it).max_jump for it in (channel, other) if it is not None)
            self._bases[source_id] = None if other is None or None in jumps else self._base(channel, other)
        return self._bases[source_id]

    def _base(self, channel: Channel, other: Channel) -> Floats | None:
        found = np.full(self._read[channel.source.id].time_ms.size, np.nan)
        for part, in_water, worked in self._spells(channel):
            if worked:
                self._channels[channel.name].swift = Swift()
            elif (base := self._base_in(channel, other, part, in_water)) is not None:
                found[part] = base
        return None if np.isnan(found).all() else found

    def _base_in(self, channel: Channel, other: Channel, part: slice, part_wet: slice) -> Floats | None:
        """Return it in a stretch in which nobody is at work, and what of it is in the water."""
        state, source_id = self._channels[channel.name], channel.source.id
        until_ms = int(self._read[source_id].time_ms[part][-1])
        if state.swift.since_ms < 0 and not state.swift.has_new_points(until_ms):
            return None
        jumped, (in_water, wet) = self._leaps_of(source_id)[0].jumped[part], self._in_water(channel)
        in_water, wet = in_water[part], wet.part(part_wet)
        stays = ~jumped[in_water]
        own, (agreed, beside, _) = wet.only(stays), self._by_others[source_id]
        if beside is None or not own.here.size:
            return None
        kelvin = beside.kelvin[part_wet]
        new = state.swift.new_points(own.time_ms)
        at = new if own is wet else stays.nonzero()[0][new]
        points = own.time_ms[new], in_kelvin(own.value[new], channel.quantity), kelvin[at]
        thermometer = channel if channel.quantity is Quantity.TEMPERATURE else other
        usual = self.counted(thermometer)
        usual_k = 0.0 if usual is None else usual.per_hour
        borne_out = None if agreed is None else agreed[part_wet][at]
        bases, state.swift = swift(*points, borne_out, usual_k, state.swift)
        if np.isnan(bases).all():
            return None
        found, before = np.full(jumped.size, np.nan), bases[known_at(new, np.arange(own.here.size))]
        found[in_water & ~jumped] = before if channel is thermometer else np.exp(before * PER_KELVIN)
        return found

    def _erratic(self, channel: Channel) -> Bools:
        """Return where a probe scatters; nowhere where the settings say that the water itself may leap.

        In a current a front goes by in a minute, and comes back.
        """
        state, (in_water, wet) = self._channels[channel.name], self._in_water(channel)
        limit = bend_limit(channel.quantity, self.usual(channel), self._day_ms)
        if self._watch_list.quality(channel).max_jump is None and DEFAULT_QUALITY[channel.quantity].max_jump:
            limit = np.inf
        found, scatters = np.zeros(in_water.size, dtype=np.bool_), np.zeros(wet.value.size, dtype=np.bool_)
        _, beside, its_ms = self._by_others[channel.source.id]
        for _, part, worked in self._spells(channel):
            if worked:
                state.scatter = Scatter()
            else:
                pair = None if beside is None else Pair(beside.kelvin[part], its_ms[part], beside.of_own)
                its = erratic(wet.time_ms[part], wet.value[part], limit, state.scatter, pair)
                scatters[part], state.scatter = its
        found[in_water] = scatters
        return found

    def _frozen_since(self, channel: Channel, its: Read) -> NDArray[np.int64]:
        """Return since when each reading of a probe is frozen: by what it shows, or as its whole probe is."""
        found, _, repeats = self._still_since(channel.source.id)
        beside = self._watch_list.of_probe[channel.source.probe]
        mates = [it.id for it in beside if it.id != channel.source.id]
        still = [self._still_since(mate)[:2] for mate in mates]
        counted = channel.source.probe in self._watch_list.plan.fresh  # which tells it of them all
        if counted or all(before_ms == MOVING and (now == MOVING).all() for now, before_ms in still):
            return found
        heres = (self._read.get(mate, NOTHING_READ).here for mate in mates)
        known = (
            np.concatenate(([before_ms], now))[known_at(here, its.here)]
            for here, (now, before_ms) in zip(heres, still, strict=True)
        )
        latest = reduce(np.maximum, (np.where(it == MOVING, -1, it) for it in known))
        beside_ms = np.where(latest < 0, MOVING, latest)
        return np.minimum(found, frozen_along(its.at_ms, self._sound(channel.source.id), repeats, beside_ms))

    def _still_since(self, source_id: int) -> tuple[NDArray[np.int64], int, Repeats]:
        """Return since when each reading of a source is frozen by itself; that and its repeats before."""
        if source_id not in self._still:
            channel = self._watch_list.own[source_id]
            state = self._channels[channel.name]
            before = state.calm.frozen_ms, state.repeats
            its = self._read.get(source_id)
            found = np.empty(0, dtype=np.int64) if its is None else self._carry_calm(channel, its)
            self._still[source_id] = found, *before
        return self._still[source_id]

    def _carry_calm(self, channel: Channel, its: Read) -> NDArray[np.int64]:
        """Return since when each reading of a probe is frozen by what it shows, and carry its calm on."""
        state = self._channels[channel.name]
        own = self._buckets_of(channel.source.id)  # while what is carried is still that of before
        witnesses = [
            Witness(self._buckets_of(source_id)[0], least, along)
            for source_id, least, along in self._watch_list.witnesses[channel.source.id]
        ]
        stale, value = self._stale(channel.source.probe, its.here), self._sound(channel.source.id)
        usual = Usual(channel.quantity, self.usual(channel))
        found, state.calm = frozen(its.at_ms, value, state.calm, own, usual, witnesses, stale)
        if channel.source.probe not in self._watch_list.plan.fresh:
            seldom, state.repeats = repeated(its.at_ms, value, state.repeats)
            found = np.minimum(found, seldom)
            if found[-1] != state.calm.frozen_ms:
                state.calm = replace(state.calm, frozen_ms=int(found[-1]))
        return found

    def _again(self, source_id: int) -> tuple[NDArray[np.intp], Again]:
        """Return where a source's readings are, and which of them are old ones."""
        if source_id not in self._played:
            its, own = self._read.get(source_id, NOTHING_READ), self._watch_list.own[source_id]
            state, every_ms = self._channels[own.name], own.source.every_ms
            found = played(its.at_ms, its.value, state.played, every_ms)
            since_ms = rested(its.at_ms, its.value, found.changed, state.rests, every_ms)
            its_ms, goes, state.rounds = going_round(its.at_ms, its.value, state.rounds)
            since_ms = np.minimum(np.minimum(found.since_ms, since_ms), its_ms)
            self._played[source_id] = its.here, replace(found, since_ms=since_ms, goes_round=goes)
        return self._played[source_id]

    def _played_since(self, source: Source, its: Read) -> NDArray[np.int64]:
        """Return since when each reading of a source is played again, `MOVING` where it is not.

        What is beside it in its probe is so too, where it comes again as well, or shows nothing new for long.
        """
        own = self._again(source.id)[1]
        since_ms = own.since_ms[1:]
        for other in self._watch_list.of_probe[source.probe]:
            places, found = self._again(other.id)
            if other.id != source.id and np.count_nonzero(found.since_ms != MOVING):
                beside_ms = found.since_ms[known_at(places, its.here)]
                quiet = (own.began_ms[1:] < beside_ms) & (its.at_ms - beside_ms >= COARSE_MS)
                quiet |= own.matched[1:] | own.goes_round
                since_ms = np.where(quiet, np.minimum(since_ms, beside_ms), since_ms)
        return since_ms

    def _buckets_of(self, source_id: int) -> tuple[Buckets, NDArray[np.intp]]:
        if source_id not in self._buckets:
            before = self._channels[self._watch_list.own[source_id].name].calm.buckets
            self._buckets[source_id] = before, NOTHING_READ.here
            if its := self._read.get(source_id):
                value, base = self._sound(source_id), self.base(self._watch_list.own[source_id])
                witness = None if base is None else np.where(np.isnan(base), value, np.nan)
                self._buckets[source_id] = before.followed_by(its.at_ms, value, witness)
        return self._buckets[source_id]

    def _sound(self, source_id: int) -> Floats:
        """Return what a probe read, NaN where that is not the water: a jump, in air, what it cannot say."""
        if source_id not in self._sounds:
            value = self._read[source_id].value
            channel = self._watch_list.own[source_id]
            sensor = self._watch_list.quality(channel).sensor_range
            bad = self._leaps_of(source_id)[0].jumped | (value < sensor.low) | (value > sensor.high)
            bad |= ~self._in_water(channel)[0]
            self._sounds[source_id] = np.where(bad, np.nan, value)
        return self._sounds[source_id]

    def _count(self, source_id: int) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
        """Return where the counts of answers are, and how often the newest came again after each."""
        its, before = self._read.get(source_id, NOTHING_READ), self._sources[source_id]
        return its.here, repeats_after(its.value, before.raw, before.repeats)

    def _stale(self, probe: str, here: NDArray[np.intp]) -> Bools | None:
        """Return where the newest count of a probe's answers says that they are old ones; None without it."""
        source_id = self._watch_list.plan.fresh.get(probe)
        if source_id is None:
            return None
        places, repeats = self._count(source_id)
        stale: Bools = repeats[places.searchsorted(here, side="right")] >= STALE_POLLS
        return stale

    def note_counts(self) -> None:
        """Remember the newest counts of answers."""
        for source_id in self._watch_list.plan.fresh.values():
            here, repeats = self._count(source_id)
            if here.size:
                state = self._sources[source_id]
                state.repeats, state.raw = int(repeats[-1]), float(self._read[source_id].value[-1])
