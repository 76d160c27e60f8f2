"""Simulated nights of many kinds of faults, for tuning; what was harm is said by the simulated water alone.

Harm is water beyond the stage's critical band for longer than the time to respond: no alarm and no
setting has a say in it. All nights, vessels and numbers are invented.

All nights of a recording are simulated side by side, each with vessels and probes of its own in one large
room, from noon to noon; they are put one after the other afterwards.
"""

from dataclasses import replace

import numpy as np

from daemon.sources.recording import in_memory, merged
from rules.care.rationale import record_of
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.tuning.incident import Incident
from simulator.scenario.scenario import Event
from tests.rigs.simulated import load_named, simulate

DAY_MS, MINUTE_MS = 86_400_000, 60_000
EVERY_S = 120.0
CAUSES = {
    "cooling": 3, "near": 1, "short": 1, "hand": 4, "air": 1, "top-off": 1, "evaporation": 1, "cold": 1,
    "frozen": 1, "drift": 1, "noise": 1, "keeper": 1, "nothing": 3,
}  # fmt: skip
"""What happens to a vessel in twenty nights, and how often: what may harm, and what only looks so."""

SALINITY = {"kreisel-4": 32.0, "kreisel-5": 33.0}
MENDED = {"kreisel-4": 34.8, "kreisel-5": 38.3}
"""What the keeper pours in after a night of fresh water, four fifths of a vessel, so that it is as before."""

HAND_MIN = {"kreisel-4": 6.0, "kreisel-5": 12.0}
"""So long somebody's warm hand is beside the probe."""

NEAR_MIN = {"kreisel-4": (9.0, 16.0), "kreisel-5": (15.0, 25.0)}
"""So long after the critical limit was passed, drawn between these, the chiller runs again: no harm yet."""

STAGES = {"kreisel-4": "ephyra", "kreisel-5": "juvenile"}
PROBES = {"kreisel-4-ct": "kreisel-4", "kreisel-5-ct": "kreisel-5", "kreisel-5-oxygen": "kreisel-5"}
QUANTITIES = (Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION)
WATCHED = {"kreisel-4": QUANTITIES[:1], "kreisel-5": QUANTITIES}
SETTINGS = """# Two kreisels. All invented.
[rack]
name = "tuned"
time_zone = "Europe/Copenhagen"

[journal]
path = "tuned.sqlite"

[buses.wire]
kind = "mqtt"

[vessels.kreisel-4]
kind = "kreisel"
stage = "ephyra"

[vessels.kreisel-5]
kind = "kreisel"
stage = "juvenile"

[probes.kreisel-4-ct]
bus = "wire"
vessel = "kreisel-4"
every_s = 120
topic = "k4/water"
format = "json"
fields = [{ quantity = "temperature", pointer = "/c" }]

[probes.kreisel-5-ct]
bus = "wire"
vessel = "kreisel-5"
every_s = 120
topic = "k5/water"
format = "json"
fields = [{ quantity = "temperature", pointer = "/c" }, { quantity = "conductivity", pointer = "/ms" }]

[probes.kreisel-5-oxygen]
bus = "wire"
vessel = "kreisel-5"
every_s = 120
topic = "k5/oxygen"
fields = [{ quantity = "oxygen_saturation" }]
"""


def rack(nights):
    """Two kreisels for each night, looked at every two minutes; the first has a thermometer alone."""
    scenario = load_named("chiller_night")
    small = {
        "volume_l": 25.0,
        "respiration_mg_per_h": 30.0,
        "kla_still_per_h": 0.2,
        "oxygen_percent": 96.0,
    }  # heats, and breathes, within a night
    vessels = scenario.vessels | {"kreisel-5": replace(scenario.vessels["kreisel-5"], **small)}
    made = replace(scenario, course=replace(scenario.course, step_s=60.0), loops={}, vessels={}, probes={})
    for night in range(nights):
        for name in STAGES:
            made.vessels[f"{name}.{night}"] = vessels[name]
        for name in PROBES:
            probe = scenario.probes[name]
            if name == "kreisel-4-ct":
                probe = replace(probe, measures=probe.measures[:1])
            made.probes[f"{name}.{night}"] = replace(
                probe, vessel=f"{probe.vessel}.{night}", every_s=EVERY_S, bus="air-bus"
            )
    return made


def happening(cause, vessel, night, at_min):
    """The event of a cause, if it is one; the causes that a vessel brings with it are in `fitted`."""
    its, probe = f"{vessel}.{night}", f"{vessel}-ct.{night}"
    every = {
        "cooling": {"kind": "chiller_fails", "vessel": its, "lasts_min": 480.0},
        "near": {"kind": "chiller_fails", "vessel": its, "lasts_min": 480.0},
        "short": {"kind": "chiller_fails", "vessel": its, "lasts_min": 25.0},
        "air": {"kind": "air_stops", "vessel": its, "lasts_min": 420.0},
        "top-off": {"kind": "top_off_stuck_open", "vessel": its, "lasts_min": 420.0},
        "frozen": {"kind": "probe_stuck", "probe": probe, "lasts_min": 90.0},
        "drift": {"kind": "probe_fouling", "probe": probe, "quantity": "conductivity", "per_day": -0.5},
        "noise": {"kind": "probe_spike", "probe": probe, "quantity": "conductivity", "size": -9.0,
                  "lasts_min": 2.0},
        "hand": {"kind": "probe_spike", "probe": probe, "quantity": "temperature", "size": 10.5,
                 "lasts_min": HAND_MIN[vessel]},
        "keeper": {"kind": "water_change", "vessel": its, "fraction": 0.25, "salinity": SALINITY[vessel],
                   "temperature_c": 16.5, "lasts_min": 20.0},
    }  # fmt: skip
    found = [Event(at_min=at_min, **every[cause])] if cause in every else []
    if cause == "top-off":
        mended = {"fraction": 0.8, "salinity": MENDED[vessel], "temperature_c": 15.5, "lasts_min": 120.0}
        found.append(Event(kind="water_change", vessel=its, at_min=at_min + 420.0, **mended))
    return found


FROM_NOON = ("cold", "evaporation")


def fitted(cause, vessel):
    """A vessel as a cause finds it: no top-off, or a chiller that is set far too low."""
    if cause == "evaporation":
        return replace(vessel, top_off=None, cover=1.0, surface_m2=3 * vessel.surface_m2)
    if cause == "cold":
        return replace(
            vessel, chiller=replace(vessel.chiller, setpoint_c=4.0, power_w=1.6 * vessel.chiller.power_w)
        )
    return vessel


def tuned_nights(seed, nights):
    """Readings as a recording, night after night from noon to noon, and the incidents in their water."""
    draw = np.random.default_rng(seed)
    scenario = rack(nights)
    start_ms = scenario.start_ms - 9 * 3_600_000
    begun, events = {}, []
    causes = {vessel: _drawn_causes(draw, nights) for vessel in STAGES}
    for night in range(nights):
        for vessel in STAGES:
            cause, at_min, name = causes[vessel][night], float(draw.integers(60, 720)), f"{vessel}.{night}"
            begun[name] = cause, start_ms + round(at_min * MINUTE_MS * (cause not in FROM_NOON))
            events += happening(cause, vessel, night, at_min)
            scenario.vessels[name] = fitted(cause, scenario.vessels[name])
    water = _Water(begun, draw)
    read = simulate(replace(scenario, events=tuple(events)), seed, start_ms, 24, water.look)
    parts = {}
    for (probe, quantity), (times, values) in read.items():
        name, night = probe.rsplit(".", 1)
        kept = times < start_ms + DAY_MS
        parts.setdefault((name, quantity), []).append((times[kept] + int(night) * DAY_MS, values[kept]))
    series = {key: tuple(map(np.concatenate, zip(*each, strict=True))) for key, each in parts.items()}
    sources = {at: (*key, PROBES[key[0]]) for at, key in enumerate(series, 1)}
    readings, _ = merged(dict(enumerate(series.values(), 1)))
    return in_memory(f"nights {seed}", sources, readings, {}), water.incidents()


def _drawn_causes(draw, nights):
    """What happens each night, every twenty nights the same in another order."""
    twenty = [cause for cause, times in CAUSES.items() for _ in range(times)]
    return [cause for _ in range(0, nights, len(twenty)) for cause in draw.permutation(twenty)][:nights]


class _Water:
    """The water of every vessel as it really was; it ends what is only nearly harm, and knows what was."""

    def __init__(self, begun, draw):
        self.begun, self.draw, self.seen, self.ended = begun, draw, [], set()

    def look(self, rack):
        its = rack.vessels
        saturation = 100.0 * its.oxygen_mg_l / its.saturated_mg_l()
        self.seen.append((rack.time_ms, its.temperature_c.copy(), its.salinity.copy(), saturation))
        for event in rack.scenario.events:
            if self.begun.get(event.vessel, ("",))[0] == "near" and event.vessel not in self.ended:
                self._end_if_near(rack, event)

    def _end_if_near(self, rack, event):
        vessel = event.vessel.split(".")[0]
        high = DEFAULT_TOLERANCES[STAGES[vessel]][Quantity.TEMPERATURE].critical.high
        if rack.vessels.temperature_c[list(rack.scenario.vessels).index(event.vessel)] <= high:
            return
        self.ended.add(event.vessel)
        lasts_min = (rack.time_ms - rack.start_ms) / MINUTE_MS - event.at_min
        ended = replace(event, lasts_min=lasts_min + self.draw.uniform(*NEAR_MIN[vessel]))
        others = [other for other in rack.scenario.events if other is not event]
        rack.scenario = replace(rack.scenario, events=(*others, ended))

    def incidents(self):
        """The stretches of water beyond a critical band for longer than the time to respond."""
        times, *values = (np.array(each) for each in zip(*self.seen, strict=True))
        found = []
        for column, (name, (cause, begun_ms)) in enumerate(self.begun.items()):
            vessel, night = name.split(".")
            for quantity, its in zip(QUANTITIES, values, strict=True):
                if quantity in WATCHED[vessel]:
                    found += _harm(
                        times, its[:, column], vessel, quantity, cause, begun_ms, int(night) * DAY_MS
                    )
        return sorted(found, key=lambda it: it.start_ms)


def _harm(times, values, vessel, quantity, cause, begun_ms, later_ms):
    stage = STAGES[vessel]
    band = DEFAULT_TOLERANCES[stage][quantity].critical
    for side, out in (("high_high", values > band.high), ("low_low", values < band.low)):
        respond_ms = round(record_of(stage, quantity, side, {}).respond_min * MINUTE_MS)
        if out.sum() * MINUTE_MS > respond_ms:
            first, last = (int(times[out][at]) + later_ms for at in (0, -1))
            what = f"{quantity} {side}, {cause}"
            yield Incident(
                begun_ms + later_ms, last + 60 * MINUTE_MS, vessel, what, True, str(quantity), "water", cause,
                "loss", first + respond_ms, "the simulated water",
            )  # fmt: skip


def cut(recording, incidents, from_night, to_night):
    """The recording and the incidents of some of the nights."""
    whole = next(iter(recording.inputs()))
    start_ms = int(whole.at_ms[0])
    edges = start_ms + np.array([from_night, to_night]) * DAY_MS
    first, last = np.searchsorted(whole.at_ms, edges).tolist()
    inside = [it for it in incidents if edges[0] <= it.start_ms < edges[1]]
    return in_memory(recording.name, recording.sources, whole.part(first, last), {}), inside
