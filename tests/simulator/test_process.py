"""The command as a process: ready, scaled time, events, wires, and its three ends."""

import json
import signal
import time

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from pymodbus.client import ModbusSerialClient

from simulator.clock import ScaledTime
from simulator.rack.rack import Rack
from simulator.wires.mqtt import payload
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.simulator_process import SimulatorProcess, wait_for
from tests.rigs.simulated import SCENARIOS, load_named

NIGHT = SCENARIOS / "chiller_night.toml"


@pytest.fixture(scope="module")
def broker(tmp_path_factory):
    with Mosquitto(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


def running(tmp_path, broker, *arguments, scenario=NIGHT):
    wires = ("--links", tmp_path, "--broker", f"127.0.0.1:{broker.port}")
    return SimulatorProcess("simulator", scenario, *wires, *arguments)


@pytest.fixture
def coarse(tmp_path):
    """The night in steps of a minute: at this scale a slow machine could not keep up with finer ones."""
    path = tmp_path / "coarse.toml"
    text = NIGHT.read_text()
    assert "step_s = 10\n" in text
    path.write_text(text.replace("step_s = 10\n", "step_s = 60\n"))
    return path


def test_a_night_in_seconds_tells_what_happens_when_it_happens(tmp_path, broker, coarse):
    with running(tmp_path, broker, "--time-scale", 10_000, scenario=coarse) as simulator:
        ready = simulator.line()
        clock = ScaledTime(ready["start_ms"], ready["time_scale"], ready["epoch_monotonic"])
        assert ready["ready"] is True
        assert ready["ports"] == {"bench-bus": str(tmp_path / "bench-bus")}
        assert ready["start_ms"] == 1_786_734_000_000
        told = []
        for phase in ("begins", "ends"):
            told.append(simulator.line())
            # this process computes the same time from the same numbers: not before, soon after
            assert told[-1]["time_ms"] <= clock.now_ms() < told[-1]["time_ms"] + 10_000 * 10_000
            assert (told[-1]["event"], told[-1]["phase"], told[-1]["vessel"]) == (
                "chiller_fails",
                phase,
                "kreisel-4",
            )
        assert [record["time_ms"] for record in told] == [1_786_747_200_000, 1_786_756_200_000]
        over = simulator.line()
        assert (over["event"], over["phase"]) == ("scenario", "ends")
        assert over["time_ms"] >= ready["end_ms"] == ready["start_ms"] + 9 * 3_600_000


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, None])
def test_it_ends_by_signal_or_with_its_input_and_leaves_no_link(tmp_path, broker, number):
    with running(tmp_path, broker) as simulator:
        assert simulator.line()["ready"] is True
        assert (tmp_path / "bench-bus").is_symlink()
        if number is None:
            simulator.end_input()
        else:
            simulator.process.send_signal(number)
        assert simulator.finish() == (0, "")
        assert list(tmp_path.iterdir()) == []


def test_start_epoch_and_seed_are_the_callers(tmp_path, broker):
    epoch = time.monotonic() - 5
    given = (
        "--start",
        "2027-01-02T03:04:05+00:00",
        "--epoch-monotonic",
        epoch,
        "--seed",
        4,
        "--time-scale",
        2,
    )
    with running(tmp_path, broker, *given) as simulator:
        ready = simulator.line()
    assert ready["start_ms"] == 1_798_859_045_000
    assert ready["epoch_monotonic"] == epoch
    assert ready["time_scale"] == 2.0


def test_what_is_published_is_what_the_rack_computes_for_that_moment(tmp_path, broker):
    scenario = load_named("chiller_night")
    received = []
    listener = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    listener.on_message = lambda client, data, message: received.append(message.payload)
    listener.connect("127.0.0.1", broker.port)
    listener.loop_start()
    wait_for(listener.is_connected)
    listener.subscribe("nursery/kreisel-5/oxygen", qos=1)
    with running(tmp_path, broker, "--time-scale", 600) as simulator:
        assert simulator.line()["ready"] is True
        wait_for(lambda: len(received) >= 20)
    listener.disconnect()
    listener.loop_stop()
    rack = Rack(scenario)
    for message in received:
        time_ms = round(json.loads(message)[0]["bt"] * 1000)
        rack.advance_to(time_ms)
        assert message == payload(
            scenario.probes["kreisel-5-oxygen"], rack.reading("kreisel-5-oxygen"), time_ms
        )


def test_registers_follow_scaled_time(tmp_path, broker, coarse):
    # the night is over at once: by then the kreisel has warmed for 150 minutes and been cooled again
    with running(tmp_path, broker, "--time-scale", 10_000, scenario=coarse) as simulator:
        simulator.line()
        assert simulator.line()["phase"] == "begins"
        assert simulator.line()["phase"] == "ends"
        client = ModbusSerialClient(str(tmp_path / "bench-bus"), timeout=5, retries=3)
        assert client.connect()
        answer = client.read_input_registers(0, count=2, device_id=14)
        client.close()
        temperature = client.convert_from_registers(answer.registers, client.DATATYPE.FLOAT32)
    assert 14.9 < temperature < 21.8


UNPLUGGED = """
[scenario]
title = "pulled (invented)"
start = 2026-08-14T21:00:00+02:00
lasts_h = 1
[room]
mean_c = 20
[vessels.tank]
kind = "tank"
stage = "adult"
volume_l = 100
surface_m2 = 0.2
ua_w_per_k = 10
kla_per_h = 2
kla_still_per_h = 1
temperature_c = 16
salinity = 33
[buses.bench]
kind = "modbus-rtu"
[probes.t]
bus = "bench"
vessel = "tank"
unit_id = 1
measures = [{ quantity = "temperature", address = 0 }]
[[events]]
kind = "bus_unplugged"
bus = "bench"
at_min = 5
"""


@pytest.mark.parametrize("back", [False, True])
def test_an_unplugged_bus_loses_its_link_and_gets_it_back(tmp_path, back):
    scenario, link = tmp_path / "pulled.toml", tmp_path / "bench"
    scenario.write_text(UNPLUGGED + ("lasts_min = 5\n" if back else ""))
    with SimulatorProcess("simulator", scenario, "--links", tmp_path, "--time-scale", 1000) as simulator:
        assert simulator.line()["ready"] is True
        assert simulator.line()["phase"] == "begins"
        if back:
            assert simulator.line()["phase"] == "ends"
        wait_for(lambda: link.is_symlink() == back)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (
            ["none.toml", "--links", ".", "--broker", "127.0.0.1:1"],
            "none.toml: cannot be read: none.toml: No such file",
        ),
        ([NIGHT, "--links", "."], "--broker is missing: probes on air-bus publish to one"),
        (
            [NIGHT, "--links", "no-such-folder", "--broker", "127.0.0.1:1"],
            "no-such-folder: is not a folder that exists",
        ),
        ([NIGHT, "--links", ".", "--broker", "127.0.0.1:1"], "broker 127.0.0.1:1: cannot be reached"),
        ([NIGHT, "--links", ".", "--broker", "here"], "'here' is not HOST:PORT"),
        ([NIGHT, "--links", ".", "--time-scale", "0"], "'0' is not a number above 0"),
        ([NIGHT, "--links", ".", "--start", "2027-01-01T00:00:00"], "has no offset from UTC"),
    ],
)
def test_what_cannot_be_used_is_told_in_a_line(arguments, says):
    with SimulatorProcess("simulator", *arguments) as simulator:
        code, told = simulator.finish()
    assert code == 2
    assert says in told.splitlines()[-1]
