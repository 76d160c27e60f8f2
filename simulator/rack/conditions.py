"""What the scripted events do to the rack during one step."""

from typing import Any

import numpy as np

from simulator.scenario.faults import acting, begin_ms, end_ms
from simulator.scenario.scenario import Event, Scenario

Array = Any


class Conditions:
    """State of supply and equipment, all well at first; arrays have one element per vessel or loop."""

    def __init__(self, vessels: int, loops: int) -> None:
        self.power = True
        self.room_rise_c = 0.0
        self.chiller_able: Array = np.ones(vessels, dtype=bool)
        self.loop_able: Array = np.ones(loops, dtype=bool)
        self.air: Array = np.ones(vessels, dtype=bool)
        self.bubble_factor: Array = np.ones(vessels)  # how much above air saturation the gas strives to
        self.top_off_able: Array = np.ones(vessels, dtype=bool)
        self.top_off_stuck: Array = np.zeros(vessels, dtype=bool)
        self.drain_l_per_s: Array = np.zeros(vessels)
        self.fill_l_per_s: Array = np.zeros(vessels)
        self.fill_salinity: Array = np.zeros(vessels)
        self.fill_temperature_c: Array = np.full(vessels, 15.0)


def conditions_at(scenario: Scenario, start_ms: int, time_ms: int) -> Conditions:
    """What acts at a time."""
    here = Conditions(len(scenario.vessels), max(len(scenario.loops), 1))
    for event in acting(scenario.events, start_ms, time_ms):
        _apply(here, event, scenario, start_ms, time_ms)
    return here


def _apply(here: Conditions, event: Event, scenario: Scenario, start_ms: int, time_ms: int) -> None:
    which = slice(None) if event.vessel is None else list(scenario.vessels).index(event.vessel)
    if event.kind == "power_dip":
        here.power = False
        for able in (here.chiller_able, here.loop_able, here.air, here.top_off_able):
            able[:] = False
    elif event.kind == "chiller_fails" and event.loop is not None:
        here.loop_able[list(scenario.loops).index(event.loop)] = False
    elif event.kind == "chiller_fails":
        here.chiller_able[which] = False
    elif event.kind == "air_stops":
        here.air[which] = False
    elif event.kind == "fine_bubbles":
        assert event.percent is not None
        here.bubble_factor[which] = event.percent / 100.0
    elif event.kind == "top_off_stuck_open":
        here.top_off_stuck[which] = True
    elif event.kind == "heat_wave":
        here.room_rise_c += _heat(event, start_ms, time_ms)
    elif event.kind == "water_change":
        _change_water(here, event, scenario, start_ms, time_ms)


def _heat(event: Event, start_ms: int, time_ms: int) -> float:
    """A rise that grows over the ramp and goes back over the same time before the end."""
    assert event.rise_c is not None
    assert event.ramp_min is not None
    ramp_ms = event.ramp_min * 60_000
    over = end_ms(event, start_ms)
    grown = (time_ms - begin_ms(event, start_ms)) / ramp_ms
    left = 1.0 if over is None else (over - time_ms) / ramp_ms
    return event.rise_c * min(1.0, grown, left)


def _change_water(here: Conditions, event: Event, scenario: Scenario, start_ms: int, time_ms: int) -> None:
    """Drains in the first half of the time and fills in the second; the top-off is shut off meanwhile."""
    assert event.vessel is not None
    assert event.fraction is not None
    assert event.lasts_min is not None
    which = list(scenario.vessels).index(event.vessel)
    rate = event.fraction * scenario.vessels[event.vessel].volume_l / (event.lasts_min * 30.0)
    first_half = time_ms < begin_ms(event, start_ms) + event.lasts_min * 30_000
    here.top_off_able[which] = False
    here.drain_l_per_s[which] = rate if first_half else 0.0
    here.fill_l_per_s[which] = 0.0 if first_half else rate
    here.fill_salinity[which] = event.salinity
    here.fill_temperature_c[which] = event.temperature_c
