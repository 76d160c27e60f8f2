"""Simulated nights of many kinds of faults, for tuning; what was harm is said by the simulated water alone.

Harm is water beyond the stage's critical band for longer than the time to respond: no alarm and no
setting has a say in it. All nights, vessels and numbers are invented.
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
STAGES = {"kreisel-4": "ephyra", "kreisel-5": "juvenile"}
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
every_s = 60
topic = "k4/water"
format = "json"
fields = [{ quantity = "temperature", pointer = "/c" }, { quantity = "conductivity", pointer = "/ms" }]

[probes.kreisel-5-ct]
bus = "wire"
vessel = "kreisel-5"
every_s = 60
topic = "k5/water"
format = "json"
fields = [{ quantity = "temperature", pointer = "/c" }, { quantity = "conductivity", pointer = "/ms" }]

[probes.kreisel-5-oxygen]
bus = "wire"
vessel = "kreisel-5"
every_s = 60
topic = "k5/oxygen"
fields = [{ quantity = "oxygen_saturation" }]
"""


def rack():
    """Two kreisels of the demo's rack, looked at every minute, from noon on; of the first no oxygen."""
    scenario = load_named("chiller_night")
    wanted = ("kreisel-4-ct", "kreisel-5-ct", "kreisel-5-oxygen")
    return replace(
        scenario,
        course=replace(scenario.course, step_s=60.0),
        loops={},
        vessels={name: scenario.vessels[name] for name in STAGES},
        probes={name: replace(scenario.probes[name], every_s=60.0) for name in wanted},
    )


def happening(draw, vessel, at_min):
    """What goes wrong in one night, if anything: a cause that may harm, or what only looks so."""
    probe = f"{vessel}-ct"
    every = {
        "cooling": {"kind": "chiller_fails", "vessel": vessel, "lasts_min": 420.0},
        "heat": {"kind": "heat_wave", "rise_c": 9.0, "ramp_min": 90.0, "lasts_min": 600.0},
        "air": {"kind": "air_stops", "vessel": "kreisel-5", "lasts_min": 420.0},
        "top-off": {"kind": "top_off_stuck_open", "vessel": "kreisel-4", "lasts_min": 420.0},
        "frozen": {"kind": "probe_stuck", "probe": probe, "lasts_min": 90.0},
        "drift": {"kind": "probe_fouling", "probe": probe, "quantity": "conductivity", "per_day": -0.5},
        "noise": {"kind": "probe_spike", "probe": probe, "quantity": "conductivity", "size": -9.0,
                  "lasts_min": 2.0},
        "hand": {"kind": "probe_spike", "probe": probe, "quantity": "temperature", "size": 10.5,
                 "lasts_min": 6.0},
        "keeper": {"kind": "water_change", "vessel": vessel, "fraction": 0.25, "salinity": 31.0,
                   "temperature_c": 16.5, "lasts_min": 20.0},
        "dip": {"kind": "power_dip", "lasts_min": 4.0},
        "short": {"kind": "chiller_fails", "vessel": vessel, "lasts_min": 25.0},
        "nothing": None,
    }  # fmt: skip
    cause = ("cooling", "cooling", "hand", "hand", *every)[draw.integers(len(every) + 4)]
    return cause, every[cause] and Event(at_min=at_min, **every[cause])


def tuned_nights(seed, count):
    """Readings as a recording, night after night from noon to noon, and the incidents in their water."""
    scenario, draw = rack(), np.random.default_rng(seed)
    start_ms = scenario.start_ms - 9 * 3_600_000
    parts, incidents = {}, []
    for night in range(count):
        vessel = list(STAGES)[draw.integers(2)]
        at_min = float(draw.integers(60, 720))
        cause, event = happening(draw, vessel, at_min)
        from_ms, water = start_ms + night * DAY_MS, []
        here = replace(scenario, events=(event,) if event else ())
        read = simulate(
            here, seed * 1000 + night, from_ms, 24, lambda it, water=water: water.append(_now(it))
        )
        for key, (times, values) in read.items():
            kept = times < from_ms + DAY_MS
            parts.setdefault(key, []).append((times[kept], values[kept]))
        begun_ms = from_ms + round(at_min * MINUTE_MS)
        incidents += _incidents(water, begun_ms, cause)
    series = {key: tuple(map(np.concatenate, zip(*each, strict=True))) for key, each in parts.items()}
    sources = {at: (*key, scenario.probes[key[0]].vessel) for at, key in enumerate(series, 1)}
    readings, _ = merged(dict(enumerate(series.values(), 1)))
    return in_memory(f"nights {seed}", sources, readings, {}), incidents


def _now(rack):
    its = rack.vessels
    saturation = 100.0 * its.oxygen_mg_l / its.saturated_mg_l()
    return rack.time_ms, its.temperature_c.copy(), its.salinity.copy(), saturation


def _incidents(water, begun_ms, cause):
    """The stretches of one night's water beyond a critical band for longer than the time to respond."""
    times, *values = (np.array(each) for each in zip(*water, strict=True))
    quantities = (Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION)
    for quantity, its in zip(quantities, values, strict=True):
        for column, (vessel, stage) in enumerate(STAGES.items()):
            if (vessel, quantity) == ("kreisel-4", Quantity.OXYGEN_SATURATION):
                continue
            band = DEFAULT_TOLERANCES[stage][quantity].critical
            for side, out in (
                ("high_high", its[:, column] > band.high),
                ("low_low", its[:, column] < band.low),
            ):
                respond_ms = round(record_of(stage, quantity, side, {}).respond_min * MINUTE_MS)
                if out.sum() * MINUTE_MS > respond_ms:
                    first, last = int(times[out][0]), int(times[out][-1])
                    what = f"{quantity} {side}, {cause}"
                    yield Incident(
                        begun_ms, last + 60 * MINUTE_MS, vessel, what, True, str(quantity), "water", cause,
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
