"""Water, heat and oxygen of a vessel against analytic solutions and gsw."""

import gsw
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.rack.rack import Rack
from tests.rigs.small_rack import small_rack

HOUR = 3_600_000
COARSE = {"step_s": 60}


def run(scenario, hours):
    rack = Rack(scenario)
    rack.advance_to(rack.start_ms + round(hours * HOUR))
    return rack


def course(scenario, hours, read):
    rack = Rack(scenario)
    found = [read(rack)]
    while rack.time_ms < rack.start_ms + hours * HOUR:
        rack.step()
        found.append(read(rack))
    return np.array(found)


@pytest.mark.parametrize("step_s", [1, 10, 60])
def test_a_vessel_goes_to_the_rooms_temperature_as_an_exponential(step_s):
    rack = run(small_rack(scenario={"step_s": step_s}), 2)
    # 40 L at salinity 32 and 12 degrees C; the heat capacity changes by less than 0.2 % on the way to 20.
    SA = 32 * 35.16504 / 35
    capacity = 0.040 * gsw.rho_t_exact(SA, 12, 0) * gsw.cp_t_exact(SA, 12, 0)
    expected = 20 + (12 - 20) * np.exp(-10.0 * 2 * 3600 / capacity)
    assert rack.vessels.temperature_c[0] == pytest.approx(expected, abs=0.01)


def test_a_pump_settles_at_its_power_over_the_conductance_above_the_room():
    rack = run(small_rack({"pump_heat_w": 25.0, "volume_l": 2.0}), 4)
    assert rack.vessels.temperature_c[0] == pytest.approx(20 + 25 / 10, abs=1e-3)


def test_evaporation_and_top_off_keep_every_gram_of_salt():
    vessel = {
        "cover": 1.0,
        "surface_m2": 0.5,
        "temperature_c": 20.0,
        "top_off": {"rate_l_per_h": 2, "band_l": 0.05},
    }
    scenario = small_rack(vessel, scenario=COARSE)
    before, after = Rack(scenario), run(scenario, 24 * 5)
    assert after.vessels.salt_g[0] == pytest.approx(before.vessels.salt_g[0], rel=1e-12)
    assert 39.9 < after.vessels.volume_l[0] < 40.01


def test_evaporation_without_top_off_concentrates():
    scenario = small_rack({"cover": 1.0, "surface_m2": 0.5, "temperature_c": 20.0}, scenario=COARSE)
    before, after = Rack(scenario).vessels, run(scenario, 48).vessels
    assert after.salt_g[0] == before.salt_g[0]
    assert after.water_kg[0] < before.water_kg[0] - 0.5
    # absolute salinity by its definition: salt over salt and water
    salt_kg = before.salt_g[0] / 1000
    expected = gsw.SP_from_SR(1000 * salt_kg / (salt_kg + after.water_kg[0]))
    assert after.salinity[0] == pytest.approx(expected, rel=1e-12)
    assert after.salinity[0] > 32.3


def test_a_stuck_top_off_dilutes_as_a_flow_through_vessel():
    vessel = {"brim": 1.0, "temperature_c": 20.0, "top_off": {"rate_l_per_h": 8, "band_l": 0.05}}
    events = [{"kind": "top_off_stuck_open", "vessel": "tank", "at_min": 0}]
    scenario = small_rack(vessel, events=events)
    before, rack = Rack(scenario), run(scenario, 5)
    # ideally mixed and full to the brim: salt in the vessel falls by exp(-volume poured / volume)
    assert rack.vessels.salt_g[0] == pytest.approx(before.vessels.salt_g[0] * np.exp(-1), rel=2e-3)
    assert rack.vessels.volume_l[0] == pytest.approx(40.0, abs=0.01)


def test_a_water_change_mixes_by_the_exchanged_fraction():
    events = [
        {
            "kind": "water_change",
            "vessel": "tank",
            "fraction": 0.25,
            "salinity": 36.0,
            "temperature_c": 20.0,
            "at_min": 10,
            "lasts_min": 20,
        }
    ]
    scenario = small_rack({"temperature_c": 20.0}, events=events)
    level = course(scenario, 1, lambda rack: rack.vessels.volume_l[0])
    assert level.min() == pytest.approx(30.0, abs=0.1)
    rack = run(scenario, 1)
    assert rack.vessels.volume_l[0] == pytest.approx(40.0, abs=0.05)
    assert rack.vessels.salinity[0] == pytest.approx(0.75 * 32 + 0.25 * 36, abs=0.01)


@pytest.mark.parametrize("pressure_hpa", [960.0, 1013.25, 1035.0])
def test_oxygen_settles_at_the_solubility_of_gsw_at_the_stations_pressure(pressure_hpa):
    room = {"pressure_hpa": pressure_hpa}
    rack = run(small_rack({"oxygen_percent": 40.0, "temperature_c": 20.0}, room=room), 8)
    at_one_atm = gsw.O2sol_SP_pt(32, 20) * gsw.rho_t_exact(32 * 35.16504 / 35, 20, 0) * 31.9988e-6
    # Henry's law on the dry air alone; it leaves out the small departure from an ideal gas
    dry = (rack.air.pressure_hpa - 22.96) / (1013.25 - 22.96)
    assert rack.vessels.oxygen_mg_l[0] == pytest.approx(at_one_atm * dry, rel=2e-4)


def test_oxygen_comes_back_as_an_exponential():
    rack = run(small_rack({"oxygen_percent": 40.0, "temperature_c": 20.0, "kla_per_h": 0.7}), 2)
    saturation = rack.vessels.oxygen_mg_l[0] / rack.vessels.saturated_mg_l()[0]
    assert saturation == pytest.approx(1 - 0.6 * np.exp(-0.7 * 2), abs=1e-3)


def test_respiration_holds_oxygen_below_air_by_uptake_over_exchange():
    vessel = {"respiration_mg_per_h": 60.0, "temperature_c": 15.0, "pump_heat_w": 0.0}
    rack = run(small_rack(vessel, room={"mean_c": 15.0}), 6)
    deficit = rack.vessels.saturated_mg_l()[0] - rack.vessels.oxygen_mg_l[0]
    assert deficit == pytest.approx(60.0 / 40.0 / 2.0, rel=2e-3)


def test_without_air_oxygen_falls_and_never_below_nothing():
    vessel = {"respiration_mg_per_h": 400.0, "temperature_c": 20.0}
    events = [{"kind": "air_stops", "at_min": 0}]
    oxygen = course(small_rack(vessel, events=events), 4, lambda rack: rack.vessels.oxygen_mg_l[0])
    assert (np.diff(oxygen) <= 0).all()
    assert oxygen[-1] == 0.0


def test_fine_bubbles_supersaturate():
    events = [{"kind": "fine_bubbles", "vessel": "tank", "percent": 112, "at_min": 0}]
    rack = run(small_rack({"temperature_c": 20.0}, events=events), 5)
    assert rack.vessels.oxygen_mg_l[0] / rack.vessels.saturated_mg_l()[0] == pytest.approx(1.12, abs=1e-3)


CHILLED = {
    "temperature_c": 15.0,
    "chiller": {"setpoint_c": 15.0, "hysteresis_c": 0.2, "power_w": 150, "min_off_s": 0},
}


def test_a_thermostat_keeps_the_water_within_its_hysteresis():
    temperature = course(small_rack(CHILLED), 12, lambda rack: rack.vessels.temperature_c[0])
    # a step of 10 s past a limit: at most 150 W * 10 s / 163 kJ/K = 0.01 K
    assert temperature[360:].min() > 15 - 0.21
    assert temperature[360:].max() < 15 + 0.21
    assert temperature[360:].max() > 15 + 0.19


def test_a_chiller_rests_its_shortest_pause_between_runs():
    chiller = {"setpoint_c": 15.0, "hysteresis_c": 0.0, "power_w": 400, "min_off_s": 600}
    temperature = course(
        small_rack({"temperature_c": 15.2, "chiller": chiller}),
        12,
        lambda rack: rack.vessels.temperature_c[0],
    )
    warming = np.diff(temperature) > 0
    edges = np.flatnonzero(np.diff(warming.astype(int)))
    pauses = np.diff(edges)[warming[edges[:-1] + 1]]
    assert len(pauses) > 5
    assert pauses.min() * 10 >= 600


def test_a_failed_chiller_lets_the_vessel_warm_and_brings_it_back():
    events = [{"kind": "chiller_fails", "vessel": "tank", "at_min": 60, "lasts_min": 120}]
    temperature = course(small_rack(CHILLED, events=events), 12, lambda rack: rack.vessels.temperature_c[0])
    assert temperature[360:1080].argmax() > 700
    assert temperature[1080] == pytest.approx(20 - 5 * np.exp(-2 * 3600 * 10 / 163_500), abs=0.2)
    assert temperature[-1] < 15.21


def test_heat_that_coils_take_from_vessels_is_in_the_loop():
    # No way out: perfectly insulated but for the coil, loop chiller too warm to start.
    loops = {
        "loop": {
            "coolant_l": 20.0,
            "temperature_c": 5.0,
            "ua_w_per_k": 0.01,
            "chiller": {"setpoint_c": 40.0, "power_w": 100},
        }
    }
    coil = {"loop": "loop", "ua_w_per_k": 50.0, "setpoint_c": 0.0, "hysteresis_c": 0.0}
    scenario = small_rack(
        {"ua_w_per_k": 0.01, "temperature_c": 18.0, "coil": coil}, loops=loops, room={"mean_c": 10.0}
    )
    before, after = Rack(scenario).vessels, run(scenario, 2).vessels
    SA = 32 * 35.16504 / 35
    capacity = 0.040 * gsw.rho_t_exact(SA, 15, 0) * gsw.cp_t_exact(SA, 15, 0)
    lost = capacity * (before.temperature_c[0] - after.temperature_c[0])
    gained = 20 * 4180.0 * (after.loops.temperature_c[0] - before.loops.temperature_c[0])
    assert gained == pytest.approx(lost, rel=2e-3)
    assert after.temperature_c[0] == pytest.approx(after.loops.temperature_c[0], abs=0.05)


def test_a_power_dip_stops_all_equipment():
    vessel = CHILLED | {"pump_heat_w": 30.0}
    events = [{"kind": "power_dip", "at_min": 60, "lasts_min": 60}]
    rack = Rack(small_rack(vessel, events=events))
    rack.advance_to(rack.start_ms + HOUR)
    before = rack.vessels.temperature_c[0]
    rack.advance_to(rack.start_ms + 2 * HOUR)
    expected = 20 + (before - 20) * np.exp(-3600 * 10 / 163_500)  # the room alone: neither pump nor chiller
    assert rack.vessels.temperature_c[0] == pytest.approx(expected, abs=0.01)


def test_a_heat_wave_ramps_the_room_up_and_down():
    events = [{"kind": "heat_wave", "rise_c": 8.0, "ramp_min": 60, "at_min": 60, "lasts_min": 240}]
    room = course(small_rack(events=events), 6, lambda rack: rack.air.temperature_c)
    assert room[360] == 20.0
    assert room[540] == pytest.approx(24.0, abs=0.05)
    assert room[800] == 28.0
    assert room[1620] == pytest.approx(24.0, abs=0.05)
    assert room[1801] == 20.0


def test_the_room_follows_the_day():
    room = {"swing_c": 3.0, "warmest_h": 16.0}
    found = course(small_rack(room=room, scenario=COARSE), 24, lambda rack: rack.air.temperature_c)
    assert found.argmax() == 4 * 60  # the scenario begins at noon
    assert found.max() == pytest.approx(23.0)
    assert found.min() == pytest.approx(17.0)


@settings(max_examples=10, deadline=None)
@given(st.floats(0.05, 500), st.floats(0.01, 500), st.floats(0, 40), st.sampled_from([1, 17, 60]))
def test_any_vessel_is_stable_at_any_step(volume_l, ua, temperature_c, step_s):
    vessel = {"volume_l": volume_l, "ua_w_per_k": ua, "temperature_c": temperature_c, "kla_per_h": 100.0}
    temperature = course(
        small_rack(vessel, scenario={"step_s": step_s}), 0.5, lambda rack: rack.vessels.temperature_c[0]
    )
    assert temperature.min() >= min(temperature_c, 20) - 1e-9
    assert temperature.max() <= max(temperature_c, 20) + 1e-9
