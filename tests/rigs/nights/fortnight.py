"""A fortnight in which nothing is wrong: feeding, doors, cycling chillers, coarse probes, stray spikes.

The rack is the simulator's (`chiller_night`) without its fault, its thermostats as slack as cheap ones are.
All of it is invented, drawn from the seed; what keepers do is common practice, no source.
"""

from dataclasses import replace

import numpy as np

from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source, Supply
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Readings
from simulator.scenario.scenario import Event
from tests.rigs.nights.calm_water import lively_oxygen
from tests.rigs.simulated import load_named, simulate

DAYS, STEP_S = 14, 60.0
DAY_MIN = 24 * 60
VESSELS = ("tray-2", "tray-3", "kreisel-4", "kreisel-5")
STARTS_AT_H = 21
NIGHT_H = (20, 8)
SLACK_C = {"tray-2": 0.2, "tray-3": 0.15, "kreisel-4": 0.15, "kreisel-5": 0.25}
COARSE = ("tray-2-ct", "kreisel-5-ct")
SPIKES_A_WEEK = 5.0  # as the estuary's oxygen (tests/rules/judging/test_refuting_table.py)
SPIKE = {"temperature": 0.8, "conductivity": 1.5, "oxygen": 0.8, "oxygen_saturation": 9.0}


def fortnight(seed):
    """The scenario of a seed."""
    scenario = load_named("chiller_night")
    draw = np.random.default_rng(seed)
    vessels = {name: _slack(scenario.vessels[name], SLACK_C[name]) for name in VESSELS}
    probes = {
        name: _coarse(probe) if name in COARSE else probe
        for name, probe in scenario.probes.items()
        if probe.vessel is None or probe.vessel in VESSELS
    }
    events = (*_feeding(draw), *_doors(draw), *_spikes(draw, probes))
    course = replace(scenario.course, step_s=STEP_S, lasts_h=24 * DAYS)
    probes = {name: replace(probe, every_s=STEP_S) for name, probe in probes.items()}
    return replace(scenario, course=course, vessels=vessels, probes=probes, events=events)


def _slack(vessel, slack_c):
    if vessel.chiller:
        return replace(vessel, chiller=replace(vessel.chiller, hysteresis_c=slack_c))
    return replace(vessel, coil=replace(vessel.coil, hysteresis_c=slack_c))


def _coarse(probe):
    measures = tuple(
        replace(it, resolution=0.1, decimals=1) if it.quantity == "temperature" else it
        for it in probe.measures
    )
    return replace(probe, measures=measures)


def _at(day, hour):
    """Minutes from the start to an hour of a day."""
    return day * DAY_MIN + (hour - STARTS_AT_H) * 60


def _feeding(draw):
    """Twice a day, in the kreisels with the flow off for some minutes; a little new water with it."""
    for day in range(1, DAYS):
        for hour in (9.0, 17.0):
            for vessel in VESSELS:
                at_min = _at(day, hour + draw.uniform(0, 0.7))
                rest = {"fraction": 0.01 + 0.02 * draw.random(), "salinity": draw.uniform(30.5, 33.0)}
                yield Event(
                    kind="water_change",
                    vessel=vessel,
                    at_min=at_min,
                    lasts_min=8.0,
                    temperature_c=draw.uniform(14.0, 17.0),
                    **rest,
                )
                if vessel.startswith("kreisel"):
                    yield Event(kind="air_stops", vessel=vessel, at_min=at_min, lasts_min=10.0)


def _doors(draw):
    """Somebody leaves a door open, now and then in the evening too: the room's air moves by some degrees."""
    for day in range(1, DAYS):
        for _ in range(int(draw.integers(1, 5))):
            at_min = _at(day, draw.uniform(7, 23))
            rise_c = draw.uniform(-3.0, 3.0)
            yield Event(kind="heat_wave", at_min=at_min, lasts_min=25.0, rise_c=rise_c, ramp_min=5.0)


def _spikes(draw, probes):
    """Single readings that are off, at any hour."""
    for name, probe in probes.items():
        for measure in probe.measures:
            if measure.quantity not in SPIKE:
                continue
            for _ in range(draw.poisson(SPIKES_A_WEEK * DAYS / 7)):
                size = draw.choice([-1, 1]) * draw.uniform(0.4, 1.0) * SPIKE[measure.quantity]
                at_min = float(draw.integers(30, (DAYS - 1) * DAY_MIN)) + 0.5
                yield Event(
                    kind="probe_spike",
                    probe=name,
                    quantity=measure.quantity,
                    size=float(size),
                    at_min=at_min,
                    lasts_min=1.0,
                )


def watched(seed, days=DAYS, more=()):
    """Simulate and judge, `more` events too: the scenario, what the probes read, what the engine said."""
    scenario = fortnight(seed)
    scenario, hours = replace(scenario, events=(*scenario.events, *more)), 24.0 * days
    record = simulate(scenario, seed, hours=hours, look=_only_what_is_near(scenario))
    record = {key: (read[0], _lively(seed, scenario, *key, *read)) for key, read in record.items()}
    numbers = {key: number for number, key in enumerate(record, 1)}
    rows = [(times, np.full(times.size, numbers[key]), values) for key, (times, values) in record.items()]
    times, sources, values = (np.concatenate(column) for column in zip(*rows, strict=True))
    order = np.lexsort((sources, times))
    seq = np.arange(1, times.size + 1, dtype=np.int64)
    readings = Readings(seq, times[order], sources[order], times[order], values[order])
    engine = Engine(_plan(scenario, numbers), scenario.start_ms)
    return scenario, record, engine.feed(readings).events


MG_L = {"oxygen": 1.0, "oxygen_saturation": 0.081}
"""How many of a unit is one mg/L, and of a percent, near 15 °C and salinity 32 (Garcia & Gordon 1992)."""


def _lively(seed, scenario, probe, quantity, times, values):
    """What a probe reads where the oxygen in its vessel is no calmer than in an estuary."""
    if quantity not in MG_L:
        return values
    draw = np.random.default_rng([seed, *probe.encode()])
    minute = (times - scenario.start_ms) // 60_000
    moves = lively_oxygen(draw, int(minute[-1]) + 1)[minute] / MG_L[quantity]
    decimals = 3 if quantity == "oxygen" else 2
    return np.round(values + moves, decimals)


def _only_what_is_near(scenario):
    """Let a rack look through the events of a day only: of a fortnight's it would take most of the time."""

    def look(rack):
        at_min = (rack.time_ms - scenario.start_ms) / 60_000
        if at_min % DAY_MIN == 0:
            near = (it for it in scenario.events if at_min - DAY_MIN <= it.at_min <= at_min + DAY_MIN)
            rack.scenario = replace(scenario, events=tuple(near))

    return look


def _plan(scenario, numbers):
    sources = tuple(
        Source(
            number,
            probe,
            Quantity(quantity),
            scenario.probes[probe].vessel or "rack",
            round(5000 * STEP_S),
            scenario.probes[probe].bus,
        )
        for (probe, quantity), number in numbers.items()
    )
    stages = {name: scenario.vessels[name].stage for name in VESSELS}
    loop = Supply("cold-loop", Quantity.TEMPERATURE, VESSELS[:2])
    return RackPlan(
        "fortnight", sources, stages, DEFAULT_TOLERANCES, quality=DEFAULT_QUALITY, supplies=(loop,)
    )


def is_night(scenario, at_ms):
    """Whether people sleep at a time."""
    hour = (STARTS_AT_H + (at_ms - scenario.start_ms) / 3_600_000) % 24
    return hour >= NIGHT_H[0] or hour < NIGHT_H[1]
