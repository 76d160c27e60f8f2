"""How probes see the water: lag, noise, resolution, drift, and what goes wrong with them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from simulator.rack.physics import relax
from simulator.scenario.faults import begin_ms
from simulator.scenario.scenario import Event, Scenario

Array = Any

WET_CELL_IN_AIR_MS_CM = 0.01  # what a film of water leaves in a cell held in air (common practice, no source)
# What no probe shows below nothing: noise about an empty cell is cut off there.
NOT_BELOW_ZERO = {"conductivity": 0.0, "salinity": 0.0, "oxygen": 0.0, "oxygen_saturation": 0.0}
IN_AIR = {"conductivity": WET_CELL_IN_AIR_MS_CM, "salinity": 0.0, "oxygen_saturation": 100.0}


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity of one probe."""

    probe: str
    quantity: str
    vessel: str | None


def channels_of(scenario: Scenario) -> tuple[Channel, ...]:
    """Every channel in the order of the file."""
    return tuple(
        Channel(name, measure.quantity, probe.vessel)
        for name, probe in scenario.probes.items()
        for measure in probe.measures
    )


class Probes:
    """The response of every channel, stepped together; arrays have one element per channel."""

    def __init__(self, scenario: Scenario, start_ms: int, truth: Array) -> None:
        measures = [measure for probe in scenario.probes.values() for measure in probe.measures]
        self.channels = channels_of(scenario)
        self._buses = {name: probe.bus for name, probe in scenario.probes.items()}
        self._start_ms = start_ms
        # A probe without lag follows within a step: a rate so high that nothing is left of the past.
        self._rate_per_s = 1.0 / np.maximum([measure.lag_s for measure in measures], 1e-6)
        self._noise_sd = np.array([measure.noise_sd for measure in measures])
        self._resolution = np.array([measure.resolution for measure in measures])
        self._bias = np.array([measure.bias for measure in measures])
        self._drift_per_day = np.array([measure.drift_per_day for measure in measures])
        self._least = np.array([NOT_BELOW_ZERO.get(measure.quantity, -np.inf) for measure in measures])
        self._felt = truth.copy()
        self.values = truth.copy()
        self.silent = np.zeros(truth.shape, dtype=bool)
        self.garbled = np.zeros(truth.shape, dtype=bool)

    def step(
        self,
        truth: Array,
        in_air: Mapping[str, float],
        events: list[Event],
        time_ms: int,
        step_s: float,
        draws: Array,
    ) -> None:
        """Readings of all channels at `time_ms`, a step after the last; `draws` are standard normal."""
        by_kind: dict[str, list[Event]] = {}
        for event in events:
            by_kind.setdefault(event.kind, []).append(event)
        target = self._out_of_water(truth, in_air, by_kind.get("probe_in_air", ()))
        self._felt = relax(self._felt, target, self._rate_per_s, step_s)
        days = (time_ms - self._start_ms) / 86_400_000
        measured = self._felt + self._bias + self._drift_per_day * days + self._noise_sd * draws
        for event in by_kind.get("probe_fouling", ()):
            assert event.per_day is not None
            fouled_days = (time_ms - begin_ms(event, self._start_ms)) / 86_400_000
            measured = measured + self._of(event) * event.per_day * fouled_days
        for event in by_kind.get("probe_spike", ()):
            measured = measured + self._of(event) * event.size
        measured = np.maximum(measured, self._least)
        stuck = self._any_of(by_kind.get("probe_stuck", ()))
        self.values = np.where(stuck, self.values, rounded(measured, self._resolution))
        self._answering(by_kind)

    def _answering(self, by_kind: Mapping[str, list[Event]]) -> None:
        unplugged = {event.bus for event in by_kind.get("bus_unplugged", ())}
        self.silent = self._any_of(by_kind.get("probe_silent", ()))
        self.silent |= [self._buses[channel.probe] in unplugged for channel in self.channels]
        self.silent |= any(event.probes_too for event in by_kind.get("power_dip", ()))
        self.garbled = self._any_of(by_kind.get("probe_garbled", ()))

    def _out_of_water(self, truth: Array, in_air: Mapping[str, float], events: Iterable[Event]) -> Array:
        dry = self._any_of(events)
        if not dry.any():
            return truth
        seen = [
            in_air.get(channel.quantity, true) for channel, true in zip(self.channels, truth, strict=True)
        ]
        return np.where(dry, seen, truth)

    def _any_of(self, events: Iterable[Event]) -> Array:
        hit = np.zeros(len(self.channels), dtype=bool)
        for event in events:
            hit |= self._of(event)
        return hit

    def _of(self, event: Event) -> Array:
        return np.array(
            [c.probe == event.probe and event.quantity in (None, c.quantity) for c in self.channels],
            dtype=bool,
        )


def rounded(value: Array, resolution: Array) -> Array:
    """Values on the grid of a resolution; a resolution of 0 leaves them as they are."""
    grid = np.where(resolution > 0, resolution, 1.0)
    return np.where(resolution > 0, np.round(value / grid) * grid, value)
