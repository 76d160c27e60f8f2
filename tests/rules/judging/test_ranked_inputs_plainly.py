"""What stands for an input at each reading, in plain numbers, beside the arrays. All readings are invented.

What is expected follows the words of `rules.judging.ranked_inputs`; its numbers stand here again, so that
none changes unseen.
"""

import math
from dataclasses import dataclass, replace
from statistics import median

import numpy as np
import pytest

from rules.judging.ranked_inputs import Inputs, Known, disputed
from rules.judging.series import ChannelState, Samples, Series
from rules.judging.watch_list import WatchList
from rules.quality.flags import Flag, QartodTest, pack
from rules.quality.history import Learned
from rules.quality.state import QualityState
from rules.quantities import Quantity
from rules.rack.channels import Need
from rules.rack.plan import Source, Supply
from rules.rack.state import RackState
from tests.rigs.watched_rack import plan_of

LOT = 3_288_140_957
MINUTE, HOUR = 60_000, 3_600_000
SILENT_MS = 5 * MINUTE
T, C, O2, P = Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.OXYGEN, Quantity.AIR_PRESSURE
PROBES = {1: ("a", T, "k1"), 2: ("b", T, "k1"), 3: ("c", T, "k1"), 4: ("d", T, "k2"), 5: ("e", C, "k1"),
          6: ("f", O2, "k1"), 7: ("room", P, "rack")}  # fmt: skip
LOOP = (Supply("loop", T, ("k1", "k2")),)


def watch_list(probes, **more):
    sources = tuple(Source(it, *PROBES[it][:2], PROBES[it][2], SILENT_MS, "bench") for it in probes)
    return WatchList(plan_of(sources, {}, **more), RackState({}))


def flagged(leapt, possible):
    tests = np.full((8, 1), Flag.PASS, dtype=np.uint8)
    tests[QartodTest.RATE_OF_CHANGE] = Flag.FAIL if leapt else Flag.PASS
    tests[QartodTest.GROSS_RANGE] = Flag.PASS if possible else Flag.FAIL
    return tests


@dataclass
class Read:
    """A channel's reading: what may be used, whether suspect, doubted, of a move off `base`, sampled."""

    place: int
    time_ms: int
    value: float
    suspect: bool
    doubt: float
    base: float
    sampled: bool


class World:
    """Channels with what was known before a block and their readings in it, as by lot."""

    def __init__(self, draw, watched, size, now_ms):
        self.watched, self.draw, self.now_ms, self.size = watched, draw, now_ms, size
        self.times_ms = now_ms + np.cumsum(draw.choice([20_000, MINUTE, SILENT_MS, SILENT_MS + 1], size))
        self.before = {it.name: self._state(it) for it in watched.channels}
        self.judged = [it.name for it in watched.channels if draw.random() < 0.75]
        self.rows = {name: self._readings(watched.by_name[name]) for name in self.judged}
        self.learned = {it.name: self._learned() for it in watched.channels}

    def _level(self, channel):
        middle = {T: 15.0, C: 40.0, O2: 8.0, P: 1000.0, Quantity.SALINITY: 32.0}.get(channel.quantity, 95.0)
        return middle + float(self.draw.choice([0.0, 0.125, 0.25, 0.5, 0.75, 3.0]))

    def _state(self, channel):
        draw = self.draw
        known = draw.random() < 0.8
        ago_ms = int(draw.choice([MINUTE, SILENT_MS - MINUTE, 3 * HOUR, 6 * HOUR - MINUTE, 40 * HOUR]))
        usually = float(draw.choice([0.0, 2.25]))
        samples = tuple(self._level(channel) + usually for _ in range(int(draw.choice([0, 10, 11, 12, 24]))))
        quality = QualityState(tests=flagged(draw.random() < 0.3, draw.random() < 0.7))
        return ChannelState(
            quality=quality,
            good_time_ms=self.now_ms - ago_ms if known else 0,
            good_value=self._level(channel) if known else np.nan,
            good_suspect=bool(draw.random() < 0.3),
            sample=Samples(tuple(range(len(samples))), samples),
            value=self._level(channel),
            base=self._level(channel) if draw.random() < 0.2 else np.nan,
        )

    def _readings(self, channel):
        draw, rows = self.draw, []
        bases, doubts, lags = draw.random() < 0.5, draw.random() < 0.5, draw.choice([0, 90_000])
        for place in np.flatnonzero(draw.random(self.size) < 0.3).tolist():
            value, odd = self._level(channel), draw.random()
            base = value + 2.0 if bases and draw.random() < 0.3 else np.nan
            doubt = self._level(channel) if doubts and odd < 0.2 else np.nan
            usable = np.nan if odd < 0.3 else value
            time_ms, sampled = int(self.times_ms[place] - lags), odd >= 0.3 and draw.random() < 0.4
            rows.append(Read(place, time_ms, usable, draw.random() < 0.3, doubt, base, sampled))
        return rows or [Read(self.size - 1, int(self.times_ms[-1]), np.nan, False, np.nan, np.nan, False)]

    def _learned(self):
        per_hour = self.draw.choice([None, 0.05, 0.4, 9.0])
        return None if per_hour is None else Learned(0, 40, 0.0, 0.0, 0.01, float(per_hour))

    def inputs(self):
        found = Inputs(self.watched, self.before, self.judged, lambda channel: self.learned[channel.name])
        for name, rows in self.rows.items():
            column = {it: np.array([getattr(row, it) for row in rows]) for it in vars(rows[0])}
            base = None if np.isnan(column["base"]).all() else column["base"]
            suspect = column["suspect"] if column["suspect"].any() else None
            its = Series(column["place"], column["time_ms"], column["value"], suspect=suspect, base=base)
            found.note(name, its, column["sampled"].nonzero()[0], column["doubt"])
        return found


class Plainly:
    """What is known of each channel once a reading is in, for itself."""

    def __init__(self, world):
        self.world, self.watched = world, world.watched

    def _rows(self, name, place):
        return [row for row in self.world.rows.get(name, ()) if row.place <= place]

    def last(self, name, place):
        """The newest good value: when, what, whether suspect, and what it was before a swift move."""
        good = [row for row in self._rows(name, place) if not math.isnan(row.value)]
        was = self.world.before[name]
        if not good:
            return was.good_time_ms, was.good_value, was.good_suspect, was.base
        return good[-1].time_ms, good[-1].value, good[-1].suspect, good[-1].base

    def holds_ms(self, name):
        return 6 * HOUR if self.watched.by_name[name].quantity is P else SILENT_MS

    def newest(self, name, place, now_ms):
        time_ms, value, *_ = self.last(name, place)
        return value if now_ms - time_ms <= self.holds_ms(name) else math.nan

    def disputed(self, name, place):
        """The newest reading of the probe behind it, where that is a leap away or erratic."""
        own = self.watched.own[self.watched.by_name[name].source.id].name
        if rows := self._rows(own, place):
            return rows[-1].doubt
        was = self.world.before[own]
        leapt = was.quality.tests[QartodTest.RATE_OF_CHANGE, 0] == Flag.FAIL
        return was.value if leapt and was.quality.tests[QartodTest.GROSS_RANGE, 0] == Flag.PASS else math.nan

    def of(self, need, vessel, place, now_ms, apart_by):
        said = []
        for name in need.channels:
            value = self.newest(name, place, now_ms)
            said.append(value if math.isnan(self.disputed(name, place)) else math.nan)
        there = [it for it in said if not math.isnan(it)]
        if len(there) > 2:
            middle = median(there)
            if 2 * sum(abs(it - middle) <= apart_by for it in there) > len(there):
                said = [it if abs(it - middle) <= apart_by else math.nan for it in said]
        value, error, suspect, rank, otherwise = math.nan, 0.0, False, 0, math.nan
        for of, (name, its) in enumerate(zip(need.channels, said, strict=True)):
            if abs(its - value) > apart_by:
                error = max(error, abs(its - value))
            if math.isnan(value) and not math.isnan(its):
                _, _, suspect, base = self.last(name, place)
                rank, value = of, its if math.isnan(base) else base
                if not math.isnan(base):
                    error, otherwise = max(error, abs(its - base)), its
        if math.isnan(value):
            value, error, rank = self._next_best(need, vessel, place, now_ms)
            suspect = False
            for name in need.channels:
                told = self._told(name, place, value)
                error = error if math.isnan(told) else max(error, abs(told - value))
        return value, error, suspect, rank, otherwise

    def _told(self, name, place, value):
        """What a disputed probe makes of a value, in proportion where it is derived."""
        own = self.watched.own[self.watched.by_name[name].source.id].name
        raw = self.disputed(name, place)
        return raw if own == name else value * raw / self.last(own, place)[1]

    def _next_best(self, need, vessel, place, now_ms):
        found = []
        for of, name in enumerate(need.channels):
            time_ms, value, _, base = self.last(name, place)
            error = self._per_hour(name) * max(now_ms - time_ms, 1) / HOUR
            if not math.isnan(base):
                value, error = base, max(error, abs(value - base))
            found.append((value, error, of))
        none = len(need.channels)
        own = self._last_day(need.channels, place)
        if math.isnan(own):
            own = self.watched.plan.usual.get(vessel, {}).get(need.quantity, math.nan)
        for name in need.supplied:
            apart = abs(self._last_day((name,), place) - own)
            found.append((self.newest(name, place, now_ms), max(1.0, apart), none))  # 1 where it is no number
        found.append((*self._usual(need, vessel, place), none))
        return min((it for it in found if not math.isnan(it[0])), key=lambda it: it[1])

    def _per_hour(self, name):
        default = {T: 0.5, Quantity.SALINITY: 0.3, P: 1.0}[self.watched.by_name[name].quantity]
        learned = self.world.learned[name]
        return default if learned is None else min(max(learned.per_hour, default / 4), default * 4)

    def _usual(self, need, vessel, place):
        if need.quantity is P:
            return 1013.25, 30.0
        given = self.watched.plan.usual.get(vessel, {}).get(need.quantity)
        if given is not None:
            return given, 3.0
        if not math.isnan(own := self._last_day(need.channels, place)):
            return own, 3.0
        return {T: (15.0, 10.0), Quantity.SALINITY: (32.0, 6.0)}[need.quantity]

    def _last_day(self, names, place):
        for name in names:
            sampled = [row.value for row in self._rows(name, place) if row.sampled]
            samples = [*self.world.before[name].sample.value, *sampled]
            if len(samples) >= 12:
                return float(np.median(samples[-24:]))
        return math.nan

    def others(self, names, place, now_ms):
        there = [it for name in names if not math.isnan(it := self.newest(name, place, now_ms))]
        return median(there) if len(there) > 2 else there[0] if len(there) == 2 else math.nan


def close(its):
    return pytest.approx(its, rel=1e-12, nan_ok=True)


@pytest.mark.parametrize("number", range(12))
@pytest.mark.parametrize("probes", [(1, 4, 5, 6, 7), (1, 2, 4, 5, 6), (1, 2, 3, 5, 6, 7), (5, 6, 7)])
@pytest.mark.parametrize("usual", [{}, {"k1": {T: 18.5}}], ids=["its last day", "the settings"])
def test_an_input_at_each_reading_is_what_is_best_known_by_then(probes, usual, number):
    watched = watch_list(probes, supplies=LOOP, usual=usual)
    draw = np.random.default_rng([LOT, number, len(probes)])
    world = World(draw, watched, 40, 10**12)
    plain, inputs = Plainly(world), world.inputs()
    at = Series(np.arange(40), world.times_ms, np.zeros(40))
    needs = {need for channel in watched.channels for need in channel.needs if channel.vessel == "k1"}
    for need in sorted(needs, key=str):
        apart_by = {T: 0.5, Quantity.SALINITY: 1.0}.get(need.quantity, math.inf)
        found = inputs.of(need, "k1", at)
        for place, now_ms in enumerate(world.times_ms.tolist()):
            value, error, suspect, rank, otherwise = plain.of(need, "k1", place, now_ms, apart_by)
            told = math.nan if found.otherwise is None else found.otherwise[place]
            row = found.value[place], found.error[place], found.suspect[place], found.rank[place], told
            assert row == (close(value), close(error), suspect, rank, close(otherwise)), place
    for names in set(watched.redundant.values()):
        its = inputs.others(names, at)
        assert its.tolist() == close(
            [plain.others(names, *row) for row in enumerate(world.times_ms.tolist())]
        )
        assert inputs.newest_ms(names[1:], at).tolist() == [
            max(plain.last(name, place)[0] for name in names[1:]) for place in range(40)
        ]


def test_the_least_error_of_an_input_by_the_settings_is_none_where_probes_give_it():
    watched = watch_list((1, 4, 5), supplies=LOOP)
    inputs, none = Inputs(watched, {}, [], lambda channel: None), np.zeros(2, dtype=np.bool_)
    known = Known(np.array([15.0, 15.0]), np.array([0.5, 4.0]), none, none.astype(np.intp))
    for need, best in [
        (Need(T, ("k1/temperature",), ("k2/temperature",)), [0.0, 0.0]),
        (Need(T, (), ("k2/temperature",)), [0.5, 1.0]),
        (Need(T), [0.5, 4.0]),
    ]:
        assert inputs.at_best(need, known).error.tolist() == best
    assert inputs.at_best(Need(T), known) is known


def test_disputed_is_what_leapt_or_is_erratic_and_water_all_the_same():
    words = np.concatenate([pack(flagged(*it)) for it in ((True, True), (True, False), (False, True))])
    value = np.array([15.0, 16.0, 17.0])
    assert disputed(value, words).tolist() == close([15.0, math.nan, math.nan])
    assert disputed(value[2:], words[2:]) is None


def test_a_swift_move_before_the_block_counts_until_the_next_good_reading():
    watched = watch_list((1, 5))
    before = {
        it.name: ChannelState(good_time_ms=10**12, good_value=15.0, base=13.0) for it in watched.channels
    }
    inputs = Inputs(watched, before, ["k1/temperature"], lambda channel: None)
    its = Series(np.array([0, 2]), 10**12 + np.array([1, 3]), np.array([np.nan, 15.5]))
    inputs.note("k1/temperature", its, np.array([], dtype=np.intp), np.full(2, np.nan))
    at = Series(np.array([1, 3]), 10**12 + np.array([2, 4]), np.zeros(2))
    found = inputs.of(Need(T, ("k1/temperature",)), "k1", at)
    assert (found.value.tolist(), found.error.tolist()) == ([13.0, 15.5], [2.0, 0.0])
    assert found.otherwise.tolist() == close([15.0, math.nan])
    assert replace(found, otherwise=None).rank.tolist() == [0, 0]
