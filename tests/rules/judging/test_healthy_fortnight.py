"""Healthy nights stay silent: a simulated fortnight of feeding, doors, chillers, coarse probes and spikes.

The first days of two seeds in every run, the whole fortnight of twenty behind the mark `long`.
"""

import numpy as np
import pytest

from rules.alarms.life_cycle import Priority, State, Trigger
from simulator.scenario.scenario import Event
from tests.rigs.nights.calm_water import measured
from tests.rigs.nights.fortnight import DAY_MIN, SPIKES_A_WEEK, fortnight, is_night, watched

TOLD = (Trigger.RAISED, Trigger.WORSENED, Trigger.REANNOUNCED)
SHORT = {11: 3, 12: 2}
LONG = dict.fromkeys(range(1, 21), 14)


def calls_at_night(seed, days, more=()):
    scenario, _, events = watched(seed, days, more)
    return [
        f"{event.alarm} {event.priority.word} {(event.at_ms - scenario.start_ms) / 3_600_000:.1f} h"
        for event in events
        if event.trigger in TOLD and event.state is State.UNACKNOWLEDGED
        if event.priority >= Priority.HIGH and is_night(scenario, event.at_ms)
    ]


@pytest.mark.parametrize("seed", SHORT)
def test_nobody_is_called_in_the_first_nights(seed):
    assert calls_at_night(seed, SHORT[seed]) == []


@pytest.mark.long
@pytest.mark.parametrize("seed", LONG)
def test_nobody_is_called_in_a_fortnights_nights(seed):
    assert calls_at_night(seed, LONG[seed]) == []


def test_a_chiller_that_fails_in_the_same_night_calls():
    """So that the silence of the others means something."""
    fails = Event(kind="chiller_fails", vessel="kreisel-4", at_min=300.0, lasts_min=200.0)
    assert calls_at_night(12, 1, (fails,))


@pytest.fixture(scope="module")
def read():
    return watched(12, 2)[1]


def step(values, lag):
    return float(np.median(np.abs(values[lag:] - values[:-lag])))


@pytest.mark.parametrize("lag", [1, 10])
@pytest.mark.parametrize("probe", ["tray-3-ct", "kreisel-4-ct"])
def test_simulated_temperature_and_conductivity_are_no_calmer_than_the_sea(read, probe, lag):
    """Every minute, both; of probes whose last digit is fine enough to show it (tests/data)."""
    sea = measured()["t"]
    assert step(read[probe, "temperature"][1], lag) >= 0.5 * step(sea, lag)
    assert step(read[probe, "conductivity"][1], lag) >= 0.5 * step(sea, lag)  # mS/cm; 1 °C is about 1 mS/cm


@pytest.mark.parametrize("probe", ["tray-2-ct", "kreisel-5-ct"])
def test_coarse_thermometers_repeat_themselves_no_more_than_the_sea_at_their_digit(read, probe):
    coarse = np.round(measured()["t"], 1)
    of_sea = np.mean(coarse[1:] == coarse[:-1])
    values = read[probe, "temperature"][1]
    assert np.mean(np.diff(values) == 0.0) <= 2.0 * of_sea
    assert 1.0 - np.mean(np.diff(values) == 0.0) >= 0.5 * (1.0 - of_sea)


@pytest.mark.parametrize(("lag_min", "of_estuary"), [(15, 0.1), (150, 0.3)])
def test_simulated_oxygen_is_no_calmer_than_the_estuary(read, lag_min, of_estuary):
    """Median step after 1 and 10 polls of the estuary, apacp 2012 (NERRS, accepted rows), in mg/L."""
    (times, values), (_, percent) = (
        read["kreisel-4-oxygen", "oxygen"],
        read["kreisel-5-oxygen", "oxygen_saturation"],
    )
    assert np.all(np.diff(times) == 60_000)
    assert 0.5 <= step(values, lag_min) / of_estuary <= 2.0
    assert 0.5 <= step(percent * 0.081, lag_min) / of_estuary <= 2.0


def test_simulated_oxygen_on_the_estuarys_digit_repeats_itself_as_it_does(read):
    """A quarter of the accepted rows, 15 min apart at 0.1 mg/L, equal the one before."""
    coarse = np.round(read["kreisel-4-oxygen", "oxygen"][1][::15], 1)
    assert 0.5 <= np.mean(np.diff(coarse) == 0.0) / 0.247 <= 2.0


def test_there_are_as_many_spikes_as_in_measured_series():
    for seed in LONG:
        events = fortnight(seed).events
        spikes = sum(event.kind == "probe_spike" for event in events)
        kinds = {(event.probe, event.quantity) for event in events if event.kind == "probe_spike"}
        assert 0.5 <= spikes / len(kinds) / 2 / SPIKES_A_WEEK <= 2.0
        assert max(event.at_min for event in events) > 12 * DAY_MIN
