"""A whole scenario without wires: what a master would have read, and the scenarios by name."""

from collections.abc import Callable
from typing import Any

import numpy as np

from simulator.rack.probes import channels_of
from simulator.rack.rack import Rack
from simulator.scenario.file import load_scenario, register_field
from simulator.scenario.scenario import Measure, Scenario
from simulator.wires.mqtt import wire_number
from tests.rigs.places import ROOT

Array = Any

SCENARIOS = ROOT / "simulator" / "scenarios"


def simulate(
    scenario: Scenario,
    seed: int | None = None,
    start_ms: int | None = None,
    hours: float | None = None,
    look: Callable[[Rack], None] = lambda rack: None,
) -> dict[tuple[str, str], tuple[Array, Array]]:
    """A whole scenario without wires: what a master would have read and when.

    By (probe, quantity): int64 UTC milliseconds and float64 values in the unit of the quantity,
    sampled at the probe's own period, after the probe and after the wire's own quantisation.
    Samples that no answer or a damaged answer came for are left out. `look` is shown the rack at the
    start and after each step, for those who want to know what the water really was.
    """
    rack = Rack(scenario, seed, start_ms)
    look(rack)
    length_h = scenario.course.lasts_h if hours is None else hours
    end_ms = rack.start_ms + round(length_h * 3_600_000)
    seen = [_seen_now(rack)]
    while rack.time_ms < end_ms:
        rack.step()
        look(rack)
        seen.append(_seen_now(rack))
    return _sampled(scenario, *map(np.array, zip(*seen, strict=True)))


def _seen_now(rack: Rack) -> tuple[int, Array, Array]:
    return rack.time_ms, rack.probes.values, rack.probes.silent | rack.probes.garbled


def _sampled(
    scenario: Scenario, times: Array, values: Array, lost: Array
) -> dict[tuple[str, str], tuple[Array, Array]]:
    wires = _seen_on_wire(scenario)
    read = {}
    for column, channel in enumerate(channels_of(scenario)):
        period_ms = round(scenario.probes[channel.probe].every_s * 1000)
        polls = np.arange(times[0], times[-1] + 1, period_ms)
        rows = np.searchsorted(times, polls, side="right") - 1
        kept = ~lost[rows, column]
        seen = wires[channel.probe, channel.quantity]
        read[channel.probe, channel.quantity] = (
            polls[kept],
            np.array([seen(value) for value in values[rows[kept], column]], dtype=np.float64),
        )
    return read


def _seen_on_wire(scenario: Scenario) -> dict[tuple[str, str], Callable[[float], float]]:
    """By (probe, quantity): from the probe's value to the value that its master has after decoding."""
    return {
        (name, measure.quantity): _seen(measure, scenario.buses[probe.bus].kind)
        for name, probe in scenario.probes.items()
        for measure in probe.measures
    }


def _seen(measure: Measure, bus_kind: str) -> Callable[[float], float]:
    if bus_kind == "modbus-rtu":
        field = register_field(measure)
        return lambda value: field.raw(value) * field.scale + field.offset
    return lambda value: float(wire_number(measure, value)) * measure.scale + measure.offset


def load_named(name: str) -> Scenario:
    """One of the scenarios that come with the simulator, by its file's name without the ending."""
    return load_scenario(SCENARIOS / f"{name}.toml")
