"""Which tests of a probe are asked about what, reading by reading, beside the engine that judges blocks.

Each test has tests of its own; here is what they are given, by the words of `rules.judging.trust`: who bears
a probe out, what is beside it, what is no witness, what is learned. All readings are invented.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from rules.engine import Engine
from rules.judging.series import Samples, Series, sample
from rules.plain import to_plain
from rules.quality.calm import MOVING, Calm, Usual, Witness, frozen
from rules.quality.flags import FAIL, PASS, SUSPECT
from rules.quality.history import History, learn, learned
from rules.quality.leaps import Beside, Leap, leaps
from rules.quality.probe_faults import Belied
from rules.quality.quality import judge
from rules.quality.repeats import Repeats, repeated
from rules.quality.replayed import Played, Rests, played, rested
from rules.quality.scatter import Pair, Scatter, bend_limit, erratic
from rules.quality.settings import DEFAULT_QUALITY
from rules.quality.state import QualityState
from rules.quality.swift import Swift, swift
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.readings import Action, Readings
from tests.rigs.watched_rack import plan_of

LOT = 2_764_190_853
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
START_MS = 20_370 * DAY
T, C, O2 = Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.OXYGEN
A, B, CELL, OXYGEN, COUNT, P = 1, 2, 3, 4, 5, 6
SILENT_MS, EVERY_MS = 5 * MINUTE, 90_000
SOURCES = {
    A: Source(A, "a", T, "k1", SILENT_MS, "bench", every_ms=EVERY_MS),
    B: Source(B, "b", T, "k1", SILENT_MS, "bench", every_ms=EVERY_MS),
    CELL: Source(CELL, "c", C, "k1", SILENT_MS, "bench", every_ms=EVERY_MS),
    OXYGEN: Source(OXYGEN, "a", O2, "k1", SILENT_MS, "bench", every_ms=EVERY_MS),
    P: Source(P, "p", Quantity.AIR_PRESSURE, "rack", SILENT_MS, "bench", every_ms=EVERY_MS),
}
OTHERS = {A: [B], B: [A], CELL: [], OXYGEN: [], P: []}
"""What another probe measures of the same quantity in the vessel."""
PAIRS = {A: CELL, B: CELL, CELL: A}
"""Cell and thermometer, of which each shows what the other does."""
WITNESSES = {A: [(B, 0.5)], B: [(A, 0.5)], CELL: [(A, 0.5), (B, 0.5)], OXYGEN: [(A, 2.0), (B, 2.0)], P: []}
ON_ITS_PROBE = {A: OXYGEN, OXYGEN: A}


@dataclass
class Probe:
    """What is carried of what a probe measures."""

    leap: Leap = field(default_factory=Leap)
    swift: Swift = field(default_factory=Swift)
    scatter: Scatter = field(default_factory=Scatter)
    calm: Calm = field(default_factory=Calm)
    repeats: Repeats = field(default_factory=Repeats)
    played: Played = field(default_factory=Played)
    rests: Rests = field(default_factory=Rests)
    history: History = field(default_factory=History)
    quality: QualityState = field(default_factory=QualityState)
    again: tuple = (MOVING, False, -1)
    usual: tuple = (None, None)
    doubtful: bool = False
    time_ms: int = 0
    value: float = math.nan
    flag: int = 2
    good_time_ms: int = 0
    good_value: float = math.nan
    good_suspect: bool = False
    base: float = math.nan
    sample: Samples = field(default_factory=Samples)


def kelvin(value, source_id):
    """A cell's readings are as kelvin by 2.1 % each."""
    return value if SOURCES[source_id].quantity is T else np.log(np.maximum(value, 0.01)) / 0.021


class Plainly:
    """A rack of which each reading is taken for itself; `counted` is the probe whose answers are counted."""

    def __init__(self, sources, counted):
        self.probes, self.counted = {it: Probe() for it in sources}, counted
        self.pairs = {it: pair for it, pair in PAIRS.items() if pair in sources}
        self.others = {it: [other for other in its if other in sources] for it, its in OTHERS.items()}
        self.witnesses = {it: [row for row in its if row[0] in sources] for it, its in WITNESSES.items()}
        self.mates = {it: mate for it, mate in ON_ITS_PROBE.items() if mate in sources}
        self.count, self.came_again = math.nan, 0

    def take(self, at_ms, source_id, value, maintained):
        if source_id == COUNT:
            self.came_again = self.came_again + 1 if value == self.count else 0
            self.count = value
            return
        its, source, self.now = self.probes[source_id], SOURCES[source_id], np.array([at_ms])
        maintained = maintained and source.vessel == "k1"
        day_ms = at_ms // DAY * DAY
        if its.usual[0] != day_ms:
            its.usual = day_ms, learned(its.history, day_ms, source.quantity, SILENT_MS)
        read, wet = np.array([value]), math.isfinite(value)
        leapt = self._leaps(its, source_id, read, maintained) if wet else (False,) * 3
        base = self._base(its, source_id, read, maintained, wet and not leapt[0])
        judged = judge(self.now, read, DEFAULT_QUALITY[source.quantity], its.quality)
        if source_id == OXYGEN and A in self.probes and self.probes[A].doubtful:
            judged = judged.with_inputs(np.array([True]))  # the probe corrects it by its own temperature
        doubtful = maintained or judged.causal[0] != PASS or not math.isnan(base)
        belied = self._belied(its, source_id, value, leapt, base, maintained)
        since_ms, scatters = belied.since_ms[0], belied.erratic[0]
        if since_ms != MOVING or leapt[0] or leapt[2] or scatters:
            judged, doubtful = (
                judged.with_belied(belied),
                doubtful or since_ms != MOVING or leapt[0] or scatters,
            )
        self._note(its, source, value, judged, base, maintained)
        doubt = np.array([bool(doubtful)])
        its.history = learn(its.history, self.now, read, doubt, source.quantity, SILENT_MS)

    def _note(self, its, source, value, judged, base, maintained):
        """What is carried of the newest reading, and of the newest one that may be used."""
        its.quality, its.doubtful = judged.state, bool(judged.causal[0] != PASS)
        its.time_ms, its.value, its.flag = int(self.now[0]), value, int(judged.summary[0])
        usable = math.nan if judged.causal[0] == FAIL else value
        if not math.isnan(usable):
            its.good_time_ms, its.good_value, its.base = its.time_ms, value, base
            its.good_suspect = bool(judged.causal[0] == SUSPECT)
        if source.quantity in (T, O2) and not maintained:
            _, its.sample = sample(Series(np.array([0]), self.now, np.array([usable])), its.sample)

    def _newest(self, source_id):
        leap = self.probes[source_id].leap
        return (leap.value[-1], leap.time_ms[-1]) if leap.value else (math.nan, 0)

    def _agrees(self, source_id, value):
        """Another probe of the quantity is within half of what is a leap."""
        near = DEFAULT_QUALITY[SOURCES[source_id].quantity].max_jump
        return np.array(
            [any(abs(value[0] - self._newest(it)[0]) <= near / 2 for it in self.others[source_id])]
        )

    def _leaps(self, its, source_id, value, maintained):
        settings, past, beside = DEFAULT_QUALITY[SOURCES[source_id].quantity], its.leap, None
        if source_id in self.pairs:
            pair = self.pairs[source_id]
            shown, shown_ms = self._newest(pair)
            shows = kelvin(np.array([math.nan if self.now[0] - shown_ms > SILENT_MS else shown]), pair)
            beside = Beside(shows, lambda own: kelvin(own, source_id))
        if maintained:
            past = Leap(past.time_ms, past.value, past.beside)
            settings = replace(settings, max_jump=settings.max_jump and 1e300)
        agreed = self._agrees(source_id, value) if source_id != P else None
        found, its.leap = leaps(self.now, value, settings, past, agreed, beside)
        its.leap = replace(its.leap, hours=(), apart=()) if maintained else its.leap
        return bool(found.jumped[0]), bool(found.young[0]), bool(found.loose[0])

    def _base(self, its, source_id, value, maintained, usable):
        """What it read before a swift move that its pair, heard lately, does not show."""
        if maintained and source_id in self.pairs:
            its.swift = Swift()
        if source_id not in self.pairs or maintained or not usable:
            return math.nan
        if its.swift.since_ms < 0 and not its.swift.has_new_points(int(self.now[0])):
            return math.nan
        pair = self.pairs[source_id]
        shows, shown_ms = self._newest(pair)
        shows = math.nan if self.now[0] - shown_ms > SILENT_MS else shows
        thermometer = self.probes[A if source_id == CELL else source_id]
        usual = learned(thermometer.history, int(self.now[0]) // DAY * DAY, T, SILENT_MS)
        usual_k = usual.per_hour if usual and usual.counts(int(self.now[0]) // DAY * DAY) else 0.0
        own, other = kelvin(value, source_id), kelvin(np.array([shows]), pair)
        point = slice(its.swift.has_new_points(int(self.now[0])))
        its_points = self.now[point], own[point], other[point], self._agrees(source_id, value)[point]
        found, its.swift = swift(*its_points, usual_k, its.swift)
        return float(found[-1] if source_id != CELL else np.exp(0.021 * found[-1]))

    def _belied(self, its, source_id, value, leapt, base, maintained):
        source, day_ms = SOURCES[source_id], its.usual[0]
        sensor = DEFAULT_QUALITY[source.quantity].sensor_range
        read = value if not leapt[0] and sensor.low <= value <= sensor.high else math.nan
        witness = read if math.isnan(base) else math.nan
        again_ms = self._again(its, source_id, value)
        since_ms = min(self._frozen(its, source_id, read, witness), again_ms)
        limit, wet = (
            bend_limit(source.quantity, its.usual[1], day_ms),
            [value] if math.isfinite(value) else [],
        )
        beside = self._beside(source_id, len(wet))
        found, its.scatter = erratic(self.now[: len(wet)], np.array(wet), limit, its.scatter, beside)
        scatters = bool(found.any()) and not maintained
        its.scatter = Scatter() if maintained else its.scatter
        alone = source_id not in self.pairs
        doubted = alone and leapt[0] and not (leapt[2] or scatters or since_ms != MOVING)
        where = leapt[0], scatters, leapt[1], leapt[2], again_ms != MOVING, doubted
        return Belied(np.array([since_ms]), *(np.array([bool(it)]) for it in where))

    def _beside(self, source_id, size):
        """What its pair last read in the water, in kelvin, and when; None where it has no pair."""
        if source_id not in self.pairs:
            return None
        pair = self.pairs[source_id]
        shows, shown_ms = self._newest(pair)
        rows = kelvin(np.array([shows]), pair)[:size], np.array([shown_ms])[:size]
        return Pair(*rows, lambda own: kelvin(own, source_id))

    def _frozen(self, its, source_id, value, witness):
        read, source = np.array([value]), SOURCES[source_id]
        now = its.calm.buckets.followed_by(self.now, read, np.array([witness]))
        witnesses = [Witness(self.probes[it].calm.buckets, least) for it, least in self.witnesses[source_id]]
        counted = source.probe == self.counted
        stale = np.array([self.came_again >= 3]) if counted else None
        usual = Usual(source.quantity, its.usual[1])
        found, its.calm = frozen(self.now, read, its.calm, now, usual, witnesses, stale)
        if not counted:
            seldom, its.repeats = repeated(self.now, read, its.repeats)
            found = np.minimum(found, seldom)
            its.calm = replace(its.calm, frozen_ms=int(found[0]))
        return int(found[0]) if counted else min(int(found[0]), self._with_its_probe(its, source_id))

    def _with_its_probe(self, its, source_id):
        """What has not changed since what is beside it froze, for twenty minutes, froze with it."""
        beside_ms = self.probes[self.mates[source_id]].calm.frozen_ms if source_id in self.mates else MOVING
        if beside_ms == MOVING or its.repeats.times < 20 or self.now[0] - beside_ms < 20 * MINUTE:
            return MOVING
        since_ms = its.repeats.since_ms
        return max(since_ms, beside_ms) if since_ms <= beside_ms + 5 * MINUTE else MOVING

    def _again(self, its, source_id, value):
        """What is beside it in its probe is played too: it comes again as well, or is quiet for long."""
        read = np.array([value])
        own = played(self.now, read, its.played, EVERY_MS)
        rests = rested(self.now, read, own.changed, its.rests, EVERY_MS)
        since_ms = min(int(own.since_ms[1]), int(rests[1]))
        its.again = since_ms, bool(own.matched[1]), int(own.began_ms[1])
        if source_id not in self.mates:
            return since_ms
        beside_ms = self.probes[self.mates[source_id]].again[0]
        quiet = its.again[2] < beside_ms and self.now[0] - beside_ms >= 20 * MINUTE
        return min(since_ms, beside_ms) if its.again[1] or quiet else since_ms


def spoil(draw, value, begins, part):
    """Let a part of what a probe reads stand still, leap, scatter, come again, move, be no number."""
    kind = int(draw.integers(9))
    if kind == 0:
        part[:] = part[0]
    elif kind == 1:
        part += draw.choice([-3.0, -1.2, 1.2, 3.0, 6.0])
    elif kind == 2:
        part += 0.9 * draw.normal(size=part.size)
    elif kind == 3 and begins > 700:
        part[:] = np.resize(value[begins - 400 : begins - 300], part.size)
    elif kind == 4:
        part += np.linspace(0.0, draw.choice([-4.0, 4.0]), part.size)
    elif kind == 5:
        part[:] = draw.choice([np.nan, 2000.0, -50.0])
    elif kind == 6:
        part[:] = np.round(part)


def water(draw, polls):
    """Two days and more of water: noise, a daily course, then faults by lot in each probe."""
    at = np.arange(polls)
    course = 0.5 * np.sin(2 * np.pi * at / 960)
    noise = 0.02 * draw.normal(size=(5, polls))
    found = {
        A: 15.0 + course + noise[0],
        B: 15.1 + course + noise[1],
        CELL: 40.0 + 0.84 * course + noise[2],
        OXYGEN: 8.0 - 0.1 * course + noise[3],
        P: 1000.0 + 4.0 * course + noise[4],
    }
    for value in found.values():
        for _ in range(14):
            begins, length = int(draw.integers(0, polls - 10)), int(draw.choice([1, 2, 8, 30, 90, 300]))
            spoil(draw, value, begins, value[begins : begins + length])
    found[CELL] = np.maximum(found[CELL], 5.0)  # never dry: that has tests of its own
    poured = int(draw.integers(100, polls - 100))
    for it, by in ((A, 2.5), (B, 2.5), (CELL, 2.5 * 0.84)):
        found[it][poured : poured + 60] -= by
    cycles = int(draw.integers(100, polls - 100))  # too fast for these polls
    for it, by in ((A, 0.7), (B, 0.7), (CELL, 0.7 * 0.84)):
        found[it][cycles : cycles + 90] += np.resize([by, -by, 0.0], 90)
    digits = {it: draw.choice([0.001, 0.01]) for it in found}
    return {it: np.round(value / digits[it]) * digits[it] for it, value in found.items()}


def rows_of(draw, sources, polls):
    values, count, rows = water(draw, polls), 0, []
    away = {it: np.isin(np.arange(polls) // 40, draw.integers(0, polls // 40, 4)) for it in sources}
    stuck = np.isin(np.arange(polls) // 20, draw.integers(0, polls // 20, 9))
    for poll in range(polls):
        at_ms = START_MS + (poll + 1) * EVERY_MS
        count += not stuck[poll]
        rows.append((at_ms, COUNT, float(count)))
        rows += [(at_ms, it, float(values[it][poll])) for it in sources if not away[it][poll]]
    return rows


CARRIED = (
    "history", "leap", "swift", "scatter", "calm", "repeats", "played", "rests", "doubtful", "time_ms",
    "value", "flag", "good_time_ms", "good_value", "good_suspect", "base", "sample",
)  # fmt: skip


@pytest.mark.parametrize(
    ("sources", "number"),
    [((A, B, CELL, OXYGEN, P), 0), ((A, B, CELL, OXYGEN, P), 1), ((A, CELL), 0), ((OXYGEN, P), 0)],
)
def test_blocks_are_judged_as_reading_by_reading(sources, number):
    draw = np.random.default_rng([LOT, number, len(sources)])
    rows, counted = rows_of(draw, sources, 2300), "b" if number else "a"
    plan = plan_of(tuple(SOURCES[it] for it in sources), {}, quality=DEFAULT_QUALITY, fresh={counted: COUNT})
    engine, plain, until_ms, start = Engine(plan, START_MS), Plainly(sources, counted), 0, 0
    while start < len(rows):
        stop = min(start + int(draw.integers(1, draw.choice([2, 40, 9000]))), len(rows))
        part = rows[start:stop]
        at_ms, ids = np.array([row[:2] for row in part], dtype=np.int64).T.copy()
        value = np.array([row[2] for row in part])
        engine.feed(Readings(start + 1 + np.arange(len(part)), at_ms, ids, at_ms, value))
        for row in part:
            plain.take(*row, row[0] < until_ms)
        start, now_ms = stop, int(at_ms[-1])
        if now_ms >= until_ms and draw.random() < 0.05:
            body = {"target": "vessel/k1", "for_s": 1800.0, "why": "wipes"}
            assert not engine.act(Action(now_ms, "begin_maintenance", "kim", body)).refusal
            until_ms = now_ms + 1_800_000
    channels = engine.snapshot()["channels"]
    names = {its.channel.source.id: its.channel.name for its in engine.channels() if its.channel.measured}
    for it, its in plain.probes.items():
        for name in CARRIED:
            found, expected = channels[names[it]][name], to_plain(getattr(its, name))
            assert repr(found) == repr(expected), (names[it], name)
