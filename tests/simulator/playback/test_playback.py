"""Every row of a measured series over real wires: once each, in order, bit for bit."""

import csv
import gzip
import json
import struct

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from pymodbus.client import ModbusSerialClient

from simulator.wires.modbus import sealed
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.simulator_process import SimulatorProcess, wait_for
from tests.rigs.playback.recording import (
    Recording,
    expected_rows,
    expected_senml,
    read_recording,
    register_fields,
)
from tests.rigs.playback.slave import PlaybackSlave
from tests.simulator.playback.test_recording import COLUMNS, SERIES

READ = sealed(bytes.fromhex("01 04 0000 0004"))
OPTIONS = (
    "--column",
    "water_temperature_degC=temperature",
    "--column",
    "conductivity_S_per_m=conductivity*10",
)


def part_of_series(path, rows):
    """A file with the first rows of the measured series, and what a reader has of it."""
    with gzip.open(SERIES, "rt", newline="") as file:
        lines = list(csv.reader(file))[: rows + 1]
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(lines)
    return read_recording(path, COLUMNS)


def slave_of(values, **keys):
    rows = {"temperature": np.array(values, dtype=float), "conductivity": np.array(values, dtype=float) + 40}
    recording = Recording(np.arange(len(values)) * 60_000, rows)
    return PlaybackSlave(recording, register_fields(list(rows)), unit_id=1, **keys)


def seen(answer):
    assert len(answer) == 13, answer.hex()
    return struct.unpack(">ff", answer[3:11])


def test_the_whole_series_goes_out_row_by_row():
    series = read_recording(SERIES, COLUMNS)
    fields = register_fields(["temperature", "conductivity"])
    slave = PlaybackSlave(series, fields, unit_id=1)
    got = np.array([seen(slave.reply(READ)) for _ in series.time_ms])
    expected = expected_rows(series, fields)
    assert np.array_equal(got[:, 0], expected["temperature"])
    assert np.array_equal(got[:, 1], expected["conductivity"])
    assert slave.rows_taken == 19_898
    assert slave.reply(READ) == sealed(bytes.fromhex("01 84 04"))


def test_after_the_last_row_it_fails_for_ever_and_tells_the_end_once():
    ends = []
    slave = slave_of([1, 2], on_end=ends.append)
    assert [seen(slave.reply(READ))[0] for _ in range(2)] == [1.0, 2.0]
    assert ends == [2]
    assert [slave.reply(READ) for _ in range(3)] == [sealed(bytes.fromhex("01 84 04"))] * 3
    assert ends == [2]


def test_a_withheld_reply_takes_no_row():
    slave = slave_of([1, 2, 3, 4], lose_every=3)
    answers = [slave.reply(READ) for _ in range(5)]
    assert answers[2] == b""
    assert [seen(answer)[0] for answer in answers if answer] == [1.0, 2.0, 3.0, 4.0]


def test_a_row_stands_until_all_its_registers_are_read():
    slave = slave_of([1, 2])
    temperature, conductivity = (
        sealed(bytes.fromhex("01 04 0000 0002")),
        sealed(bytes.fromhex("01 04 0002 0002")),
    )

    def value(frame):
        return struct.unpack(">f", slave.reply(frame)[3:7])[0]

    assert [value(temperature), value(temperature), value(conductivity)] == [1.0, 1.0, 41.0]
    assert [value(conductivity), value(temperature)] == [42.0, 2.0]


@pytest.mark.parametrize(
    "body", ["01 04 03E8 0002", "02 04 0000 0004", "01 03 0000 0004", "01 04 0000 0005", "01 06 0000 0001"]
)
def test_what_is_not_a_read_of_values_takes_no_row(body):
    slave = slave_of([1, 2])
    slave.reply(READ)
    slave.reply(sealed(bytes.fromhex(body)))
    slave.reply(READ[:-1] + b"?")
    assert seen(slave.reply(READ))[0] == 2.0


def test_the_number_of_the_row_can_be_read_beside_it():
    slave = slave_of([5, 6, 7])
    numbers = []
    for _ in range(3):
        slave.reply(READ)
        numbers.append(struct.unpack(">I", slave.reply(sealed(bytes.fromhex("01 04 03E8 0002")))[3:7])[0])
    assert numbers == [0, 1, 2]


@pytest.mark.parametrize(
    ("wire", "register_type", "word_order"),
    [
        ((), "FLOAT32", "big"),
        (
            ("--type", "int32", "--scale", "0.0001", "--word-order", "little", "--lose-every", "75"),
            "INT32",
            "little",
        ),
    ],
)
def test_a_master_on_the_pseudo_terminal_has_every_row_once(tmp_path, wire, register_type, word_order):
    path = tmp_path / "series.csv"
    series = part_of_series(path, 150)
    scale = 0.0001 if register_type == "INT32" else 1.0
    fields = register_fields(["temperature", "conductivity"], register_type.lower(), scale)
    got = []
    with SimulatorProcess("tests.rigs.playback", path, *OPTIONS, "--links", tmp_path, *wire) as playback:
        ready = playback.line()
        assert ready["rows"] == 150
        assert [told["quantity"] for told in ready["registers"]] == ["temperature", "conductivity"]
        client = ModbusSerialClient(str(tmp_path / "playback-bus"), baudrate=115200, timeout=1, retries=3)
        assert client.connect()
        kind = client.DATATYPE[register_type]
        while not (answer := client.read_input_registers(0, count=4, device_id=1)).isError():
            pair = client.convert_from_registers(answer.registers, kind, word_order=word_order)
            got.append([number * scale for number in pair])
        client.close()
        assert answer.exception_code == 4
        assert playback.line() == {"event": "playback", "phase": "ends", "rows": 150}
    expected = expected_rows(series, fields)
    assert np.array_equal(np.array(got), np.column_stack([expected["temperature"], expected["conductivity"]]))
    assert not (tmp_path / "playback-bus").is_symlink()


@pytest.mark.parametrize("times", ["own", "scaled"])
def test_a_subscriber_has_every_row_once(tmp_path, times):
    path = tmp_path / "series.csv"
    series = part_of_series(path, 1500)
    arguments = ["--times", times, "--topic", "sea/mooring"]
    if times == "scaled":
        arguments += ["--time-scale", 90_000, "--start", "2027-01-01T00:00:00Z"]
    # mosquitto keeps 1000 messages for a slow subscriber and drops more, unless told otherwise
    with Mosquitto(tmp_path, config="max_queued_messages 0") as broker:
        received, subscribed = [], []
        listener = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        listener.on_message = lambda client, data, message: received.append(json.loads(message.payload))
        listener.on_subscribe = lambda *_: subscribed.append(True)
        listener.connect("127.0.0.1", broker.port)
        listener.subscribe("sea/mooring", qos=1)
        listener.loop_start()
        wait_for(lambda: subscribed)
        address = f"127.0.0.1:{broker.port}"
        with SimulatorProcess(
            "tests.rigs.playback", path, *OPTIONS, "--broker", address, *arguments
        ) as playback:
            assert playback.line()["rows"] == 1500
            assert playback.line()["phase"] == "ends"
            wait_for(lambda: len(received) >= 1500)
        listener.disconnect()
        listener.loop_stop()
    assert len(received) == 1500
    expected = expected_senml(series)
    assert [t["v"] for t, _ in received] == expected["temperature"].tolist()
    assert [c["v"] * 10.0 for _, c in received] == expected["conductivity"].tolist()
    stamps = [round(t["bt"] * 1000) for t, _ in received]
    first = series.time_ms[0]
    scaled = [1_798_761_600_000 + round((time_ms - first) / 90_000) for time_ms in series.time_ms.tolist()]
    assert stamps == (series.time_ms.tolist() if times == "own" else scaled)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([SERIES, "--column", "heat=temperature", "--links", "."], "has no column heat"),
        ([SERIES, *OPTIONS, "--links", "no-such-folder"], "cannot lay the link to the port"),
        ([SERIES, *OPTIONS], "one of the arguments --links --broker is required"),
        ([SERIES, *OPTIONS, "--links", ".", "--unit-id", "0"], "argument --unit-id: invalid choice"),
    ],
)
def test_what_cannot_be_played_is_told_in_a_line(arguments, says):
    with SimulatorProcess("tests.rigs.playback", *arguments) as playback:
        code, told = playback.finish()
    assert code == 2
    assert says in told.splitlines()[-1]
