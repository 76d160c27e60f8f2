"""Simulated nights whose truth is known: in some the ephyra chiller fails, in some a hand warms the probe.

A failure deserves a page. A warmed probe reads 9 °C too much for six minutes and deserves none, so
that of the delays on offer the shortest above six minutes is the right one.
"""

from dataclasses import replace
from functools import partial

from rules.care.rationale import record_of
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.tuning.incident import Incident
from simulator.scenario.scenario import Event
from tests.rigs.nights.recorded_nights import readings_of
from tests.rigs.simulated import load_named, simulate

HOURS = 9.5
CRITICAL_C = DEFAULT_TOLERANCES["ephyra"][Quantity.TEMPERATURE].critical.high
RESPOND_MS = round(record_of("ephyra", "temperature", "high_high", {}).respond_min * 60_000)
LENGTH_MS = round(HOURS * 3_600_000)
WARMED_MIN = 6.0
FAILS = {"kind": "chiller_fails", "vessel": "kreisel-4", "lasts_min": 300.0}
WARMED = {
    "kind": "probe_spike",
    "probe": "kreisel-4-ct",
    "quantity": "temperature",
    "size": 9.0,
    "lasts_min": WARMED_MIN,
}
SETTINGS = """# The rack of the test: one vessel, one thermometer. All invented.
[rack]
name = "known"
time_zone = "Europe/Copenhagen"

[journal]
path = "known.sqlite"

[buses.wire]
kind = "mqtt"

[vessels.kreisel-4]
kind = "kreisel"
stage = "ephyra"        # moved in on Tuesday

[probes.kreisel-4-ct]
bus = "wire"
vessel = "kreisel-4"
every_s = 60
topic = "k4"
fields = [{ quantity = "temperature" }]   # the cell is out for cleaning

[quality.temperature]
max_jump_c = "none"   # nor is a hand told by its haste

[stages.ephyra.temperature]
# Set in a hurry.
on_delay_s = 60
critical_on_delay_s = 60   # one minute
"""


def small_rack():
    """The ephyra kreisel of the demo's rack alone, looked at every minute."""
    scenario = load_named("chiller_night")
    probe = replace(scenario.probes["kreisel-4-ct"], every_s=60.0)
    return replace(
        scenario,
        course=replace(scenario.course, step_s=60.0),
        loops={},
        vessels={"kreisel-4": scenario.vessels["kreisel-4"]},
        probes={"kreisel-4-ct": probe},
    )


def _note_critical(found, rack):
    if float(rack.vessels.temperature_c[0]) > CRITICAL_C:
        found.append(rack.time_ms)


def known_nights(first, count):
    """Readings of the thermometer and incidents, night after night without a break; both kinds in turns."""
    scenario = small_rack()
    readings, incidents = [], []
    for night in range(first, first + count):
        start_ms = scenario.start_ms + night * LENGTH_MS
        kind = FAILS if night % 2 == 0 else WARMED
        at_min = 120.0 + 37.0 * (night % 5)
        events = (Event(at_min=at_min, **kind),)
        here = replace(scenario, events=events)
        critical = []
        read = simulate(here, 100 + night, start_ms, HOURS, partial(_note_critical, critical))
        night_readings = readings_of(read)
        readings += [
            reading
            for reading in night_readings
            if (reading.probe, reading.quantity) == ("kreisel-4-ct", "temperature")
            and reading.time_ms < start_ms + LENGTH_MS
        ]
        if kind is FAILS:
            begun_ms = start_ms + round(at_min * 60_000)
            harm_ms = critical[0] + RESPOND_MS
            assert critical[-1] > harm_ms, "else nothing shows that the critical limit is needed"
            # until the water is cold again, an hour after the repair
            incidents.append(
                Incident(
                    begun_ms, begun_ms + 6 * 3_600_000, "kreisel-4", "chiller failed", True, "temperature",
                    "water", "chiller", "loss", harm_ms, "the simulated water",
                )
            )  # fmt: skip
    return readings, incidents
