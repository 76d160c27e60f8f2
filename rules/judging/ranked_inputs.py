"""What a derived value takes its inputs from when the best is lost: the next best, with its error.

Measured now in the vessel comes first and has no error here: that of a healthy probe moves no limit.
Otherwise whichever is surest of: the last good value, which grows less sure with its age, what a vessel of
the same supply measures now, and the vessel's usual value. Never a limit or a target: tuning moves them,
and a replay under other limits must not change the water.

Nobody knows of a leap, of noise or of two probes that disagree which side is the water: what stands in may be
off by all that lies between the two. Of three probes and more, those away from their median are not asked
where most of them agree on it.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import isnan
from typing import Any, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from rules.care.accuracy import WEATHER_HPA
from rules.judging.series import SAMPLES_KEPT, Array, ChannelState, Samples, Series, known_at
from rules.judging.watch_list import WatchList
from rules.quality.flags import FAIL, PASS, Flags, QartodTest
from rules.quality.history import Learned, near_default
from rules.quality.probe_faults import flags_of
from rules.quantities import Quantity
from rules.rack.channels import Channel, Need
from rules.rack.stages import WITHOUT_LIMITS
from rules.water.oxygen import STANDARD_AIR_PRESSURE_HPA
from rules.water.standard_atmosphere import standard_air_pressure_hpa

Bools = NDArray[np.bool_]
Times = NDArray[np.int64]

PRESSURE_HOLDS_MS = 6 * 3_600_000
"""How long the last air pressure counts as measured now: a deep low moves it by a few hPa in that time."""

# How far each may be off, plus or minus. All project judgement, in the unit of the quantity.
CHANGE_PER_HOUR = {Quantity.TEMPERATURE: 0.5, Quantity.SALINITY: 0.3, Quantity.AIR_PRESSURE: 1.0}
"""While a channel's own history does not say more."""
ON_ONE_SUPPLY = 1.0
"""Else as far as the two lay apart in their last days: one loop may cool vessels to several temperatures."""
NO_WEATHER_HPA = 2 * WEATHER_HPA
"""Deeper or higher than what any weather makes of the standard atmosphere, but for a storm's eye."""
USUALLY = {Quantity.TEMPERATURE: 3.0, Quantity.SALINITY: 3.0}
ANYWHERE = {Quantity.TEMPERATURE: (15.0, 10.0), Quantity.SALINITY: (32.0, 6.0)}
"""The water of a moon jellyfish that nobody ever told us anything about."""

ENOUGH_SAMPLES = SAMPLES_KEPT // 2
_MS_PER_HOUR = 3_600_000


@dataclass(frozen=True, slots=True)
class Known:
    """An input at m readings: its value, how far it may be off (0: measured now), and what is the matter.

    `suspect` is where the reading is, `rank` which of the need's channels gave it (their number: none, as it
    is neither measured in the vessel nor was). `otherwise` is what a probe shows and nothing else bears out,
    where the value is what it showed before; NaN elsewhere, None where nowhere.
    """

    value: Array
    error: Array
    suspect: Bools
    rank: NDArray[np.intp]
    otherwise: Array | None = None


def disputed(value: Array, tests: NDArray[np.uint32]) -> Array | None:
    """Return the readings (shape n) that are a leap away or an erratic probe's, NaN where one is not.

    None where none is.

    What no water of the rack can be is not disputed: nobody believes it.
    """
    failed = flags_of(tests, QartodTest.RATE_OF_CHANGE) == FAIL
    if not np.count_nonzero(failed):
        return None
    return np.where(failed & (flags_of(tests, QartodTest.GROSS_RANGE) == PASS), value, np.nan)


def median(values: Array) -> tuple[Array, NDArray[np.intp]]:
    """Return the median of what is no NaN of g values at each of m readings (shape g, m), and how many."""
    count, ranked = np.count_nonzero(~np.isnan(values), axis=0), np.sort(values, axis=0)
    last, place = np.maximum(count, 1) - 1, np.arange(values.shape[1])
    middle: Array = (ranked[last // 2, place] + ranked[(last + 1) // 2, place]) / 2
    return middle, count


class _Before(NamedTuple):
    """What a channel knew before a block, as in `ChannelState`; `tests` are those of its last reading."""

    good_time_ms: int
    good_value: float
    good_suspect: bool
    sample: Samples
    value: float
    tests: Flags
    base: float

    @classmethod
    def of(cls, it: ChannelState) -> Self:
        good = it.good_time_ms, it.good_value, it.good_suspect
        return cls(*good, it.sample, it.value, it.quality.tests, it.base)


class Inputs:
    """Looks up, in one block, what is known of other channels at each reading."""

    def __init__(
        self,
        watch_list: WatchList,
        channels: Mapping[str, ChannelState],
        judged: Iterable[str],
        usual: Callable[[Channel], Learned | None],
    ) -> None:
        self._watch_list, self._channels, self._learned = watch_list, channels, usual
        self._known_before = {name: _Before.of(channels[name]) for name in judged}
        self._found: dict[str, Series] = {}
        self._samples: dict[str, NDArray[np.intp]] = {}
        self._doubts: dict[str, Array | None] = {}
        self._rows: dict[str, tuple[NDArray[np.intp], Times, Array, Bools]] = {}
        self._asked: set[tuple[str, str]] = set()

    def know_of_others(self, vessels: Collection[str], others: "Inputs") -> None:
        """Know what others found in the block of all but the channels of `vessels`, which are judged here."""
        for mine, its in zip(self._all, others._all, strict=True):
            mine.update({it: known for it, known in its.items() if it.partition("/")[0] not in vessels})

    @property
    def _all(self) -> tuple[dict[str, Any], ...]:
        return self._known_before, self._found, self._samples, self._doubts, self._rows

    def asked_others(self, vessels: Collection[str]) -> bool:
        """Return whether one that is none of `vessels` was judged by what one of them shows."""
        return any(other in vessels and vessel not in vessels for vessel, other in self._asked)

    def note(self, name: str, measured: Series, sampled: NDArray[np.intp], doubts: Array | None) -> None:
        """Take in what became of a channel: values measured now (NaN elsewhere), which were sampled, which
        are `disputed`."""
        self._found[name], self._samples[name], self._doubts[name] = measured, sampled, doubts

    def _before(self, name: str) -> _Before:
        """Return what a channel knew before the block, in which only those to be judged change."""
        return self._known_before.get(name) or _Before.of(self._channels[name])

    def at_best(self, need: Need, known: Known) -> Known:
        """Return an input with the least error that it has by the settings: none where probes give it."""
        best = ON_ONE_SUPPLY if need.supplied else np.inf
        best = 0.0 if any(name in self._watch_list.given for name in need.channels) else best
        if not (known.error > best).any():
            return known
        return replace(known, error=np.minimum(known.error, best))

    def newest(self, name: str, at: Series) -> Array:
        """Return a channel's newest value at each reading of `at` (shape m); NaN where it is none of now."""
        times, values, _ = self._last(name, at)
        return np.where(at.time_ms - times > self._holds_ms(name), np.nan, values)

    def others(self, names: tuple[str, ...], at: Series) -> Array:
        """Return what a reading of one of `names`, best first, is compared with at each of `at` (shape m).

        The median where three or more are known now, of two the better one; NaN of one.
        """
        values = np.array([self.newest(name, at) for name in names])
        if len(names) == 2:
            return np.where(np.isnan(values[1]), np.nan, values[0])
        middle, count = median(values)
        best = values[np.argmax(~np.isnan(values), axis=0), np.arange(at.time_ms.size)]
        return np.where(count > 2, middle, np.where(count == 2, best, np.nan))

    def newest_ms(self, names: Iterable[str], at: Series) -> Times:
        """Return when the newest good value of any of them was measured, at each of `at` (shape m)."""
        newest: Times = np.maximum.reduce([self._last(name, at)[0] for name in names])
        return newest

    def of(self, need: Need, vessel: str, at: Series) -> Known:
        """Return the best that is known of a quantity at each reading of `at` (shape m)."""
        size, apart_by = at.time_ms.size, WITHOUT_LIMITS[need.quantity].max_disagreement or np.inf
        known, error, rank = self._said(need, at, apart_by), np.zeros(size), np.zeros(size, dtype=np.intp)
        if len(known) == 1:
            name, said, doubtful = known[0]
            if not np.count_nonzero(np.isnan(said)) and np.isnan(self._base(name, at)).all():
                return Known(said, error, doubtful, rank)
        value, suspect, otherwise = np.full(size, np.nan), np.zeros(size, np.bool_), np.full(size, np.nan)
        if not known:
            value, error, rank = self._next_best(need, vessel, at)
            return Known(value, error, suspect, rank)
        for place, (name, said, doubtful) in enumerate(known):
            apart = np.abs(said - value)
            error = np.where(apart > apart_by, np.maximum(apart, error), error)
            now, values = ~np.isnan(said) & np.isnan(value), said
            base = self._base(name, at)
            off = np.where(now, np.abs(values - base), np.nan)
            error, rank[now] = np.fmax(error, off), place
            value[now], suspect[now] = np.where(np.isnan(off), values, base)[now], doubtful[now]
            otherwise = np.where(np.isnan(off), otherwise, values)
        lost = np.isnan(value).nonzero()[0]
        if lost.size:
            then = Series(at.index[lost], at.time_ms[lost], at.value[lost])
            value[lost], error[lost], rank[lost] = self._next_best(need, vessel, then)
            for name in need.channels:
                error[lost] = np.fmax(error[lost], np.abs(self._told(name, then, value[lost]) - value[lost]))
        torn = None if np.isnan(otherwise).all() else otherwise
        return Known(value, error, suspect, rank, torn)

    def _said(self, need: Need, at: Series, apart_by: float) -> list[tuple[str, Array, Bools]]:
        """Return what each channel of a need shows now and whether that is suspect, best first.

        NaN where it shows nothing, is disputed, or is outvoted: further than `apart_by` from the median of
        three or more, of which most are within.
        """
        found = []
        for name in need.channels:
            times, values, doubtful = self._last(name, at)
            now, raw = at.time_ms - times <= self._holds_ms(name), self._disputed(name, at)
            now = now if raw is None else now & np.isnan(raw)
            found.append((name, np.where(now, values, np.nan), doubtful))
        if len(found) < 3:
            return found
        said = np.array([values for _, values, _ in found])
        middle, count = median(said)
        off = np.abs(said - middle)
        agreed = (count > 2) & (2 * np.count_nonzero(off <= apart_by, axis=0) > count)
        said = np.where(agreed & (off > apart_by), np.nan, said)
        return [(name, its, doubtful) for (name, _, doubtful), its in zip(found, said, strict=True)]

    def _base(self, name: str, at: Series) -> Array | float:
        """Return what a channel read before a swift move, where its newest good value is of one; else NaN."""
        before, its = self._before(name).base, self._found.get(name)
        if its is None or (its.base is None and isnan(before)):
            return before
        good = (~np.isnan(its.value)).nonzero()[0]
        base = np.full(good.size, np.nan) if its.base is None else its.base[good]
        place = its.index[good].searchsorted(at.index, side="right")
        newest: Array = np.concatenate([[before], base])[place]
        return newest

    def _disputed(self, name: str, at: Series) -> Array | None:
        """Return the newest reading behind a channel where it is disputed, NaN elsewhere; None: nowhere."""
        own = self._own(name)
        was, doubts = self._before(own), self._doubts.get(own)
        leapt = was.tests[QartodTest.RATE_OF_CHANGE, -1] == FAIL
        before = was.value if leapt and was.tests[QartodTest.GROSS_RANGE, -1] == PASS else np.nan
        if doubts is None and isnan(before):
            return None
        if own not in self._doubts:
            return np.full(at.index.size, before)
        its = self._found[own].index
        doubts = np.full(its.size, np.nan) if doubts is None else doubts
        newest: Array = np.concatenate([[before], doubts])[its.searchsorted(at.index, side="right")]
        return newest

    def _told(self, name: str, at: Series, value: Array) -> Array:
        """Return what a disputed probe makes of a value, in proportion where it is derived; NaN elsewhere.

        What no weather does at the altitude of the rack, where that is known, nobody believes of a barometer.
        """
        raw, own = self._disputed(name, at), self._own(name)
        if raw is None:
            return np.full(value.size, np.nan)
        altitude_m = self._watch_list.plan.altitude_m
        if altitude_m is not None and self._watch_list.by_name[name].quantity is Quantity.AIR_PRESSURE:
            raw = np.where(np.abs(raw - standard_air_pressure_hpa(altitude_m)) > NO_WEATHER_HPA, np.nan, raw)
        return raw if own == name else value * raw / self._last(own, at)[1]

    def _own(self, name: str) -> str:
        channel = self._watch_list.by_name[name]
        return self._watch_list.own[channel.source.id].name

    def _next_best(self, need: Need, vessel: str, at: Series) -> tuple[Array, Array, NDArray[np.intp]]:
        found = list(self._candidates(need, vessel, at))
        values = np.stack([value for value, _ in found])
        errors = np.stack([np.where(np.isnan(value), np.inf, error) for value, error in found])
        best, rows = np.argmin(errors, axis=0), np.arange(at.time_ms.size)
        return values[best, rows], errors[best, rows], np.minimum(best, len(need.channels))

    def _candidates(self, need: Need, vessel: str, at: Series) -> Iterator[tuple[Array, Array]]:
        """Go through what may stand in, with its error: last good values first."""
        for name in need.channels:
            times, values, _ = self._last(name, at)
            aged = self._usual_variation(name) * (np.maximum(at.time_ms - times, 1) / _MS_PER_HOUR)
            base = self._base(name, at)
            yield np.where(np.isnan(base), values, base), np.fmax(aged, np.abs(values - base))
        own, given = self._last_day(need.channels, at), self._given(need, vessel)
        alike = own if given is None else np.where(np.isnan(own), given, own)
        for name in need.supplied:
            self._asked.add((vessel, self._watch_list.by_name[name].vessel))
            usually = np.abs(self._last_day((name,), at) - alike)
            yield self.newest(name, at), np.fmax(usually, ON_ONE_SUPPLY)
        yield self._usual(need, vessel, at, own)

    def _usual_variation(self, name: str) -> float:
        """Return by how much a channel usually changes within an hour, either way."""
        channel = self._watch_list.by_name[name]
        default = CHANGE_PER_HOUR[channel.quantity]
        usual = self._learned(channel)
        return default if usual is None else near_default(usual.per_hour, default)

    def _usual(self, need: Need, vessel: str, at: Series, last_day: Array) -> tuple[Array, Array]:
        """Return the vessel's usual value: from the settings, else its last day's, else that of any."""
        size, quantity, plan = at.time_ms.size, need.quantity, self._watch_list.plan
        if quantity is Quantity.AIR_PRESSURE:
            altitude_m = plan.altitude_m
            here = STANDARD_AIR_PRESSURE_HPA if altitude_m is None else standard_air_pressure_hpa(altitude_m)
            return np.full(size, here), np.full(size, WEATHER_HPA)
        if (given := self._given(need, vessel)) is not None:
            return np.full(size, given), np.full(size, USUALLY[quantity])
        (anywhere, error), new = ANYWHERE[quantity], np.isnan(last_day)
        return np.where(new, anywhere, last_day), np.where(new, error, USUALLY[quantity])

    def _given(self, need: Need, vessel: str) -> float | None:
        return self._watch_list.plan.usual.get(vessel, {}).get(need.quantity)

    def _last_day(self, names: tuple[str, ...], at: Series) -> Array:
        """Return the median of the last day of the best channel that has one, at each reading; else NaN."""
        found = np.full(at.time_ms.size, np.nan)
        for name in names[::-1]:
            its = self._median_of_samples(name, at)
            found = np.where(np.isnan(its), found, its)
        return found

    def _median_of_samples(self, name: str, at: Series) -> Array:
        """Return the median of a channel's samples of its last day at each reading; NaN where few."""
        past = self._before(name).sample.value
        sampled, here = self._samples.get(name, np.array([], dtype=np.intp)), self._found.get(name)
        values = [*past, *(here.value[sampled].tolist() if here is not None else [])]
        index = here.index[sampled] if here is not None else sampled
        known = len(past) + index.searchsorted(at.index, side="right")
        median = np.full(at.index.size, np.nan)
        for count in np.unique(known).tolist():
            if count >= ENOUGH_SAMPLES:
                median[known == count] = np.median(values[max(0, count - SAMPLES_KEPT) : count])
        return median

    def _last(self, name: str, at: Series) -> tuple[Times, Array, Bools]:
        """Return when a channel's newest good value was measured, the value, and whether it is suspect.

        Only what had arrived before each reading of `at` counts.
        """
        if name not in self._found:
            size, (time_ms, value, suspect, *_) = at.index.size, self._before(name)
            return np.full(size, time_ms), np.full(size, value), np.full(size, suspect)
        if name not in self._rows:
            self._rows[name] = self._good(name, self._found[name])
        index, times, values, doubts = self._rows[name]
        position = known_at(index, at.index)
        return times[position], values[position], doubts[position]

    def _good(self, name: str, found: Series) -> tuple[NDArray[np.intp], Times, Array, Bools]:
        """Return where a channel's good readings are; times, values and doubts from the one before on."""
        time_ms, value, suspect, *_ = self._before(name)
        good = ~np.isnan(found.value)
        here: slice | Bools = slice(None) if np.count_nonzero(good) == good.size else good
        doubtful = np.zeros(good.size, np.bool_) if found.suspect is None else found.suspect
        times = np.concatenate((np.array([time_ms], dtype=np.int64), found.time_ms[here]))
        values = np.concatenate((np.array([value]), found.value[here]))
        return found.index[here], times, values, np.concatenate((np.array([suspect]), doubtful[here]))

    def _holds_ms(self, name: str) -> int:
        channel = self._watch_list.by_name[name]
        pressure = channel.quantity is Quantity.AIR_PRESSURE
        return PRESSURE_HOLDS_MS if pressure else channel.source.silent_after_ms
