"""How a probe errs: each fault by its effect on the readings."""

import numpy as np
import pytest

from simulator.rack.probes import rounded
from simulator.rack.rack import Rack
from tests.rigs.simulated import simulate
from tests.rigs.small_rack import small_rack

STILL = {"temperature_c": 20.0, "oxygen_percent": 100.0}  # in balance with the room: nothing moves


def measured(measure, quantity="temperature", events=(), hours=3, vessel=STILL, seed=None):
    """Times in minutes after the start and values of the only probe's quantity."""
    full = {"quantity": quantity, "address": 0, "type": "float64"} | measure
    probe = {"bus": "wire", "vessel": "tank", "unit_id": 5, "every_s": 30, "measures": [full]}
    scenario = small_rack(vessel, probes={"p": probe}, events=list(events), scenario={"lasts_h": hours})
    time_ms, values = simulate(scenario, seed)["p", quantity]
    return (time_ms - scenario.start_ms) / 60_000, values


def event(kind, **keys):
    return {"kind": kind, "probe": "p", "at_min": 60, "lasts_min": 30} | keys


def test_a_perfect_probe_reads_the_water():
    _, values = measured({})
    assert values == pytest.approx(np.full(values.size, 20.0), abs=1e-6)


def test_lag_follows_a_step_by_its_time_constant():
    # Lifted into air at minute 60: water at 12, room at 20 degrees C, a time constant of 5 min.
    vessel = {"temperature_c": 12.0, "ua_w_per_k": 0.01}
    minutes, values = measured({"lag_s": 300}, events=[event("probe_in_air")], vessel=vessel)
    in_air = (minutes > 60) & (minutes < 90)
    expected = 20 + (12 - 20) * np.exp(-(minutes[in_air] - 60) / 5)
    # the fault begins with the sample at minute 60, so the response leads by up to one step of 10 s
    assert values[in_air] == pytest.approx(expected, abs=8 * 10 / 300)


def test_noise_has_its_standard_deviation_and_no_memory():
    _, values = measured({"noise_sd": 0.2}, hours=24)
    assert values.std() == pytest.approx(0.2, rel=0.05)
    assert abs(np.corrcoef(values[:-1], values[1:])[0, 1]) < 0.06


def test_resolution_puts_readings_on_its_grid():
    _, values = measured({"noise_sd": 0.2, "resolution": 0.05})
    assert values == pytest.approx(np.round(values * 20) / 20, abs=1e-9)
    assert len(np.unique(values.round(6))) > 10
    assert rounded(np.array([1.26, 1.26]), np.array([0.0, 0.1])) == pytest.approx([1.26, 1.3])


def test_bias_and_drift_shift_readings():
    minutes, values = measured({"bias": -0.4, "drift_per_day": 2.4})
    assert values == pytest.approx(20 - 0.4 + 0.1 * minutes / 60, abs=1e-6)


def test_a_stuck_probe_repeats_its_last_reading():
    minutes, values = measured({"noise_sd": 0.2}, events=[event("probe_stuck")])
    stuck = (minutes >= 60) & (minutes < 90)
    assert len(np.unique(values[stuck])) == 1
    assert len(np.unique(values[minutes >= 90])) > 100


def test_a_spike_is_one_reading():
    minutes, values = measured(
        {}, events=[event("probe_spike", quantity="temperature", size=7.0, lasts_min=0.5)]
    )
    assert minutes[np.abs(values - 20) > 0.1].tolist() == [60.0]
    assert values[minutes == 60.0][0] == pytest.approx(27.0, abs=1e-6)


def test_fouling_grows_until_it_is_wiped():
    fouled = event("probe_fouling", quantity="temperature", per_day=-48.0)
    minutes, values = measured({}, events=[fouled])
    growing = (minutes >= 60) & (minutes < 90)
    assert values[growing] == pytest.approx(20 - 2 * (minutes[growing] - 60) / 60, abs=1e-6)
    assert values[minutes >= 90] == pytest.approx(20.0, abs=1e-6)


@pytest.mark.parametrize(
    ("quantity", "in_air"),
    [("conductivity", 0.01), ("oxygen_saturation", 100.0), ("salinity", 0.0), ("temperature", 20.0)],
)
def test_a_probe_in_air_reads_air(quantity, in_air):
    vessel = {"temperature_c": 12.0, "oxygen_percent": 70.0}
    minutes, values = measured({}, quantity, [event("probe_in_air")], vessel=vessel)
    dry = (minutes >= 60) & (minutes < 90)
    assert values[dry] == pytest.approx(np.full(dry.sum(), in_air), abs=1e-6)
    assert abs(values[minutes == 59.5][0] - in_air) > 0.05


def test_noise_about_an_empty_cell_is_never_below_nothing():
    _, values = measured({"noise_sd": 0.5}, "conductivity", [event("probe_in_air")])
    assert values.min() == 0.0


@pytest.mark.parametrize("kind", ["probe_silent", "probe_garbled"])
def test_no_reading_comes_from_a_probe_that_does_not_answer_properly(kind):
    minutes, _ = measured({}, events=[event(kind)])
    assert minutes[(minutes >= 60) & (minutes < 90)].size == 0
    assert minutes[(minutes >= 50) & (minutes < 60)].size == 20


def test_an_unplugged_bus_and_a_power_dip_silence_probes():
    unplugged = {"kind": "bus_unplugged", "bus": "wire", "at_min": 60, "lasts_min": 10}
    dip = {"kind": "power_dip", "probes_too": True, "at_min": 100, "lasts_min": 10}
    kept = {"kind": "power_dip", "at_min": 140, "lasts_min": 10}
    minutes, _ = measured({}, events=[unplugged, dip, kept])
    missing = set(np.arange(0, 180.5, 0.5)) - set(minutes)
    assert missing == set(np.arange(60, 70, 0.5)) | set(np.arange(100, 110, 0.5))


def test_truth_of_a_vessel_is_not_touched_by_its_probe():
    scenario = small_rack(STILL, events=[event("probe_stuck")])
    rack = Rack(scenario)
    rack.advance_to(rack.start_ms + 70 * 60_000)
    assert rack.truth()[0] == pytest.approx(20.0, abs=1e-6)
