"""One lost or lying input and one danger in measured calm water: the rack, the night, and what was truly so.

The water, the probes and the faults are made here and by the gsw reference library, not by the project's
simulator: bounds that a simulator can move prove nothing. Every number that is not named as a constant is
drawn from the lots below, which were drawn once by `secrets`.
"""

import json
from collections import deque
from dataclasses import dataclass, field
from functools import cache, lru_cache

import gsw
import numpy as np

from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from tests.rigs.nights.calm_water import calm

START_MS = 1_760_000_000_000
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
BEFORE_H, WHOLE_H = 56, 72
"""Two whole days and more of calm come first, so that a probe's own history counts."""

SOURCES = {"t": 1, "c": 2, "o": 3, "p": 4}
QUANTITIES = {
    "t": Quantity.TEMPERATURE,
    "c": Quantity.CONDUCTIVITY,
    "o": Quantity.OXYGEN,
    "p": Quantity.AIR_PRESSURE,
}
NOISE_SD = {"t": 0.004, "c": 0.006, "o": 0.02, "p": 0.08}
"""As data sheets of industrial probes state it (common practice, no source), times the lot's factor."""

SPIKES = {"t": (0.3, 1.0), "c": (0.5, 2.0), "o": (0.3, 1.0)}
"""Stray single readings, healthy ones too, once a day."""

TOLERANCES = DEFAULT_TOLERANCES["ephyra"]


@dataclass(frozen=True)
class Lot:
    """A tank and its probes: lot for the water, interval in s, last digit of each probe, share of noise."""

    lot: int
    every_s: int
    digit: dict
    noise: float


WATERS = (
    Lot(733128843, 60, {"t": 0.01, "c": 0.01, "o": 0.1, "p": 0.1}, 0.95),
    Lot(1931669621, 15, {"t": 0.001, "c": 0.01, "o": 0.1, "p": 0.1}, 1.98),
    Lot(753859886, 60, {"t": 0.1, "c": 0.1, "o": 0.001, "p": 0.1}, 1.51),
    Lot(1805263592, 60, {"t": 0.001, "c": 0.1, "o": 0.1, "p": 0.1}, 0.86),
    Lot(3049225446, 60, {"t": 0.01, "c": 0.01, "o": 0.1, "p": 0.1}, 1.75),
    Lot(2616197467, 15, {"t": 0.01, "c": 0.001, "o": 0.001, "p": 0.1}, 0.73),
)

LOST = {
    ("silent", "t"): (969925926, 2452988973),
    ("silent", "c"): (3661601090, 2172569820),
    ("silent", "o"): (161256731, 1080575139),
    ("silent", "p"): (653777308, 4068457541),
    ("silent", "all"): (2394909542, 2991004470),
    ("dead", "t"): (1088611326, 2183300396),
    ("dead", "c"): (2785818583, 2199047813),
    ("dead", "o"): (4095747999, 1759295049),
    ("dead", "p"): (2049003291, 1966899576),
    ("frozen", "t"): (2966249251, 3898078365),
    ("frozen", "c"): (1281817035, 2030346390),
    ("frozen", "o"): (1983196328, 2056819597),
    ("frozen", "p"): (1779755376, 2841446258),
    ("frozen", "all"): (257133002, 21048201),
    ("dithering", "t"): (728850773, 2513506463),
    ("dithering", "c"): (464923609, 4112954891),
    ("dithering", "o"): (1356190461, 2363370564),
    ("dithering", "all"): (4179700115, 857172319),
    ("offset jump", "t"): (3549117505, 65266891),
    ("offset jump", "c"): (2540105403, 1007921356),
    ("offset jump", "o"): (836925955, 112136062),
    ("offset jump", "p"): (1274476947, 113395047),
    ("noise", "t"): (1787854281, 4068593728),
    ("noise", "c"): (4125307660, 3754753759),
    ("noise", "o"): (1458154633, 2991812861),
    ("noise", "p"): (1577792271, 164462401),
    ("half missing", "t"): (502539082, 1345755977),
    ("half missing", "c"): (3536076830, 450702489),
    ("half missing", "o"): (1767411408, 3097044949),
    ("half missing", "all"): (4055494453, 962436386),
    ("in air", "t"): (3709874519, 803571897),
    ("in air", "c"): (389271493, 834438388),
    ("in air", "o"): (3322639729, 2262840499),
    ("in air", "all"): (964247031,),
    ("late", "t"): (1225972980, 381267898),
    ("late", "c"): (3092446386, 2061410473),
    ("late", "o"): (629768213, 3056993267),
    ("late", "all"): (3138471427, 4288714786),
}
"""Each input lost in each way, with its lot on a multi-probe and on separate probes of one bus.

"all" is what one fault takes: the whole probe, the bus, a gateway that repeats itself. Separate probes do not
come out of the water by one fault."""


WITHOUT = (4176783953, 2528431439)
"""Lots of the nights on which nothing is lost."""


@dataclass(frozen=True)
class Danger:
    """What of the water moves, from its middle to somewhere in `to`, within some of `over_h` hours."""

    moves: str
    quantity: Quantity
    shown_by: str
    upwards: bool
    to: tuple[float, float]
    over_h: tuple[float, float]


DANGERS = {
    "heat": Danger("t", Quantity.TEMPERATURE, "t", True, (25.0, 29.0), (1.5, 5.0)),
    "cold": Danger("t", Quantity.TEMPERATURE, "t", False, (3.0, 6.0), (1.5, 5.0)),
    "salt up": Danger("s", Quantity.SALINITY, "c", True, (39.0, 42.0), (1.0, 4.0)),
    "salt down": Danger("s", Quantity.SALINITY, "c", False, (15.0, 22.0), (1.0, 4.0)),
    "oxygen down": Danger("o", Quantity.OXYGEN_SATURATION, "o", False, (10.0, 40.0), (0.6, 2.0)),
    "supersaturation": Danger("o", Quantity.OXYGEN_SATURATION, "o", True, (115.0, 135.0), (0.6, 2.0)),
}
MIDDLE = {"t": 15.0, "s": 32.0, "o": 96.0}


@dataclass
class Told:
    """What was so, and what was said so far; times in ms after the start.

    `crossed_ms` is when the true water crosses its critical limit, `lies_by` how far off the input is,
    `calm_ms` the longest calm stretch of each probe before the fault, `values` what healthy probes read,
    `heard_ms` when a reading of each input came, `rest` what the engine has not heard yet.
    """

    at_ms: np.ndarray = field(repr=False)
    fault: "Fault"
    crossed_ms: int | None
    moves_per_hour: float
    lies_by: float
    calm_ms: dict
    values: dict = field(repr=False)
    heard_ms: dict = field(repr=False)
    events: list = field(repr=False)
    engine: Engine = field(repr=False)
    rest: Readings = field(repr=False)

    def hear(self, until_ms):
        """Let the engine hear all that comes by a time."""
        self.rest, events = heard_until(self.engine, self.rest, until_ms)
        self.events += events


def heard_until(engine, readings, until_ms):
    """Let an engine hear what comes by a time: the readings that come later, and what was said."""
    stop = int(np.searchsorted(readings.at_ms, START_MS + until_ms, side="right"))
    events = engine.feed(readings.part(0, stop)).events
    events += engine.advance(START_MS + until_ms + 1).events
    return readings.part(stop, len(readings)), events


def plan(water, separate):
    """An ephyra kreisel with the built-in limits and quality tests, and the room's barometer."""
    names = {"t": "thermo", "c": "cell", "o": "optode"} if separate else dict.fromkeys("tco", "multi")
    silent_ms, every_ms = 5000 * water.every_s, 1000 * water.every_s
    water_probes = tuple(
        Source(SOURCES[it], names[it], QUANTITIES[it], "k1", silent_ms, "bench", every_ms=every_ms)
        for it in names
    )
    barometer = Source(SOURCES["p"], "room", QUANTITIES["p"], "rack", 10 * MINUTE_MS, "air")
    stages = {"ephyra": TOLERANCES}
    return RackPlan("refuter", (*water_probes, barometer), {"k1": "ephyra"}, stages, quality=DEFAULT_QUALITY)


@lru_cache(maxsize=len(WATERS))
def calm_days(which):
    """The times of all polls in ms from the start, and the water's true course without a danger."""
    water = WATERS[which]
    at_ms = np.arange(1, WHOLE_H * 3600 // water.every_s, dtype=np.int64) * (water.every_s * 1000)
    draw = np.random.default_rng(water.lot)
    minutes = calm(draw, WHOLE_H * 60 + 1)
    true = {key: MIDDLE[key] + np.interp(at_ms / MINUTE_MS, np.arange(WHOLE_H * 60 + 1), minutes[key])
            for key in minutes}  # fmt: skip
    pressure = 1011.0 + 4.0 * np.sin(2 * np.pi * at_ms / (31 * HOUR_MS))
    noise = (
        water.noise * np.array([NOISE_SD[it] for it in SOURCES])[:, None] * draw.normal(size=(4, at_ms.size))
    )
    stray = np.zeros((4, at_ms.size))
    for hit in draw.integers(at_ms.size, size=WHOLE_H // 24):
        row = int(draw.integers(3))
        stray[row, hit] = draw.choice([-1, 1]) * draw.uniform(*SPIKES["tco"[row]])
    return at_ms, true, pressure, noise + stray


def shown(which, true, pressure, noise):
    """What healthy probes read of the water, on their last digits."""
    exact = {
        "t": true["t"],
        "c": gsw.C_from_SP(true["s"], true["t"], 0.0),
        "o": true["o"] / 100.0 * solubility_mg_l(true["t"], true["s"]) * (pressure / 1013.25),
        "p": pressure,
    }
    return {
        it: on_digit(exact[it] + noise[place], WATERS[which].digit[it]) for place, it in enumerate(SOURCES)
    }


def on_digit(value, digit):
    """Values rounded to a probe's last digit."""
    return np.round(np.round(value / digit) * digit, 6)


def solubility_mg_l(t, s):
    """Per litre by gsw's density; its solubility is for a kilogram."""
    absolute = gsw.SA_from_SP(s, 0.0, 0.0, 0.0)
    return gsw.O2sol_SP_pt(s, t) * gsw.rho(absolute, gsw.CT_from_t(absolute, t, 0.0), 0.0) * 31.9988e-6


@lru_cache(maxsize=2 * len(WATERS))
def before(which, separate):
    """The engine after the calm days, as it is written down."""
    at_ms, true, pressure, noise = calm_days(which)
    values = shown(which, true, pressure, noise)
    engine = Engine(plan(WATERS[which], separate), START_MS)
    stop = int(np.searchsorted(at_ms, BEFORE_H * HOUR_MS))
    rows = [(at_ms[:stop], at_ms[:stop], it, values[it][:stop]) for it in SOURCES]
    events = engine.feed(block(rows)).events
    return json.dumps(engine.snapshot()), events


def block(rows):
    """Rows of (taken, measured, source, values), in ms from the start, as readings in order of arrival."""
    taken = np.concatenate([row[0] for row in rows])
    measured = np.concatenate([row[1] for row in rows])
    source = np.concatenate([np.full(row[0].size, SOURCES[row[2]], dtype=np.int64) for row in rows])
    value = np.concatenate([row[3] for row in rows])
    order = np.lexsort((source, taken))
    seq = np.arange(1, taken.size + 1, dtype=np.int64)
    return Readings(seq, START_MS + taken[order], source[order], START_MS + measured[order], value[order])


@dataclass(frozen=True)
class Fault:
    """What befalls which input from when on: `size` in -1..1 is how badly, `lot` draws its readings."""

    kind: str
    which: str
    at_ms: int
    size: float
    late_ms: int
    lot: int

    def hits(self, it):
        """Whether an input is lost; the barometer is on a wire of its own."""
        return self.which == it or (self.which == "all" and it != "p")


def possible(lost, separate):
    """Whether one fault does this to the probes."""
    return separate < len(LOST[lost])


def night(lost, danger, separate):
    """One input lost, one danger (None for neither): what was so, and nothing heard of it but the calm.

    All dangers begin at the same time, and what the engine hears before is the same.
    """
    kind, which = lost or ("", "none")
    draw = np.random.default_rng(LOST[lost][separate] if lost else WITHOUT[separate])
    tank = int(draw.integers(len(WATERS)))
    at = int((BEFORE_H + draw.uniform(0.4, 3.0)) * HOUR_MS)
    begins_ms = at + int(draw.uniform(-0.3, 5.0) * HOUR_MS)
    size, late_ms = draw.uniform(-1.0, 1.0), int(draw.uniform(2.0, 5.0) * MINUTE_MS)
    fault = Fault(kind, which, at, size, late_ms if kind == "late" else 0, int(draw.integers(2**31)))
    snapshot, events = _until_it_begins(fault, tank, separate, begins_ms)
    at_ms, true, _, _ = calm_days(tank)
    true, per_hour, crossed_ms = _endangered(true, at_ms, danger, begins_ms)
    values, heard = _heard(fault, tank, true)
    calm_ms = longest_calm_ms(tank, values, at_ms < at) if kind in ("frozen", "dithering") else {}
    rest = block([(taken, then, it, value) for it, taken, then, value, _ in heard])
    rest = rest.part(int(np.searchsorted(rest.at_ms, START_MS + begins_ms)), len(rest))
    lies_by = max(abs(off) for *_, off in heard)
    heard_ms = {it: taken for it, taken, *_ in heard}
    engine = Engine.restore(json.loads(snapshot))
    return Told(
        at_ms, fault, crossed_ms, per_hour, lies_by, calm_ms, values, heard_ms, [*events], engine, rest
    )


def _heard(fault, tank, true):
    """What healthy probes read of the water, and what is heard of each input after the calm days."""
    at_ms, _, pressure, noise = calm_days(tank)
    values = shown(tank, true, pressure, noise)
    return values, [(it, *_arrives(fault, it, values[it], at_ms, WATERS[tank])) for it in SOURCES]


@cache
def _until_it_begins(fault, tank, separate, begins_ms):
    """The engine just before a danger begins, as it is written down, and what it has said."""
    _, heard = _heard(fault, tank, calm_days(tank)[1])
    snapshot, events = before(tank, separate)
    engine = Engine.restore(json.loads(snapshot))
    readings = block([(taken, then, it, value) for it, taken, then, value, _ in heard])
    _, later = heard_until(engine, readings, begins_ms - 1)
    return json.dumps(engine.snapshot()), [*events, *later]


def _arrives(fault, it, value, at_ms, water):
    """What is taken in of one input after the calm days: when, of when, what, and by how much it lies."""
    draw = np.random.default_rng([fault.lot, SOURCES[it]])
    after = (at_ms >= fault.at_ms) & fault.hits(it)
    kept, off = at_ms >= BEFORE_H * HOUR_MS, 0.0
    if fault.kind == "silent":
        kept = kept & ~after
    elif fault.kind == "half missing":
        kept = kept & ~(after & (draw.random(at_ms.size) < 0.5))
    elif after.any():
        value, off = lie(fault, it, value, after, water, draw)
    taken = np.where(after, at_ms + fault.late_ms, at_ms)
    kept = kept & (taken < WHOLE_H * HOUR_MS)
    return taken[kept], at_ms[kept], value[kept], off


OFFSET = {"t": (2.5, 5.0), "c": (5.0, 10.0), "o": (2.0, 3.5), "p": (20.0, 40.0)}
NOISE = {"t": (1.5, 3.0), "c": (4.0, 8.0), "o": (2.5, 4.0), "p": (10.0, 20.0)}
DEAD = {"t": (-200.0, 850.0), "c": (0.0, 0.02), "o": (-1.0, 99.9), "p": (0.0, 2000.0)}
"""What a broken wire or chip reads, one of the two (common practice, no source)."""

ROOM_C, LAG_MIN = 20.0, 2.0


def lie(fault, it, value, after, water, draw):
    """What a probe reads from its fault on, and by how much it lies (of its own quantity; 0 for no lie)."""
    first = int(np.argmax(after))
    held, told, share, sign = value[first - 1], value.copy(), abs(fault.size), np.sign(fault.size)
    count, size, fault, low = value.size - first, 0.0, fault.kind, fault.size <= 0
    if fault == "dead":
        told[after] = DEAD[it][0 if low else 1]
    elif fault == "frozen":
        told[after] = held
    elif fault == "dithering":
        told[after] = on_digit(held + water.digit[it] * draw.integers(0, 2, count), water.digit[it])
    elif fault == "offset jump":
        size = sign * (OFFSET[it][0] + share * (OFFSET[it][1] - OFFSET[it][0]))
        told[after] = on_digit(value[after] + size, water.digit[it])
    elif fault == "noise":
        size = NOISE[it][0] + share * (NOISE[it][1] - NOISE[it][0])
        told[after] = on_digit(value[after] + size * draw.normal(size=count), water.digit[it])
        told = told if it == "t" else np.maximum(told, 0.0)
    elif fault == "in air":
        air = {"t": ROOM_C, "c": 0.01, "o": float(solubility_mg_l(ROOM_C, 0.0))}[it]
        lag = np.exp(-np.arange(count) * water.every_s / 60.0 / LAG_MIN) if it != "c" else np.zeros(count)
        told[after] = on_digit(air + (held - air) * lag, water.digit[it])
        size = air - held
    return told, size


def _endangered(true, at_ms, danger, begins_ms):
    """The water's course with a danger, how fast it moves an hour, and when it crosses its critical limit."""
    if danger is None:
        return true, 0.0, None
    its = DANGERS[danger]
    draw = np.random.default_rng([begins_ms, list(DANGERS).index(danger)])
    to, over_h = draw.uniform(*its.to), draw.uniform(*its.over_h)
    share = np.clip((at_ms - begins_ms) / (over_h * HOUR_MS), 0.0, 1.0)
    moved = true[its.moves] + (to - MIDDLE[its.moves]) * share
    band = TOLERANCES[its.quantity].critical
    beyond = moved > band.high if its.upwards else moved < band.low
    crossed_ms = int(at_ms[np.flatnonzero(beyond)[0]])
    return {**true, its.moves: moved}, abs(to - MIDDLE[its.moves]) / over_h, crossed_ms


def longest_calm_ms(tank, values, until):
    """How long each probe, and all three, did not move before the fault: equal, or within a digit."""
    every_ms, digit, found = WATERS[tank].every_s * 1000, WATERS[tank].digit, {}
    steady = np.ones(int(until.sum()) - 1, np.bool_)
    for it in "tco":
        equal = np.diff(values[it][until]) == 0.0
        steady &= equal
        found["frozen", it] = _longest(equal) * every_ms
        found["dithering", it] = _longest_within(values[it][until].tobytes(), 1.01 * digit[it]) * every_ms
    found["frozen", "all"] = _longest(steady) * every_ms
    found["dithering", "all"] = min(found["dithering", it] for it in "tco")
    return found


def _longest(true):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


@lru_cache(maxsize=64)
def _longest_within(value, span):
    """The most steps over which values (as bytes: most nights share them) stay within a span."""
    best = start = 0
    highest, lowest = deque(), deque()  # places of values that are the greatest, or least, of all after them
    numbers = np.frombuffer(value).tolist()
    for stop, now in enumerate(numbers):
        while highest and numbers[highest[-1]] <= now:
            highest.pop()
        while lowest and numbers[lowest[-1]] >= now:
            lowest.pop()
        highest.append(stop)
        lowest.append(stop)
        while numbers[highest[0]] - numbers[lowest[0]] > span:
            start += 1
            for ends in (highest, lowest):
                if ends[0] < start:
                    ends.popleft()
        best = max(best, stop - start)
    return best


@lru_cache(maxsize=2 * len(WATERS))
def healthy(tank, separate):
    """What is said of calm water and healthy probes in three days."""
    at_ms, true, pressure, noise = calm_days(tank)
    values = shown(tank, true, pressure, noise)
    snapshot, earlier = before(tank, separate)
    tail = at_ms >= BEFORE_H * HOUR_MS
    rows = [(at_ms[tail], at_ms[tail], it, values[it][tail]) for it in SOURCES]
    return [*earlier, *Engine.restore(json.loads(snapshot)).feed(block(rows)).events]
