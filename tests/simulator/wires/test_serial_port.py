"""Slaves on a real pseudo-terminal, with pymodbus' serial client as the independent master."""

import time

import pytest
import serial
from pymodbus.client import ModbusSerialClient

from simulator.clock import ScaledTime
from simulator.errors import WireError
from simulator.live import BusSlaves, LiveRack
from simulator.rack.rack import Rack
from simulator.wires.modbus import sealed
from simulator.wires.serial_port import SerialPort, silence_s
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.small_rack import small_rack

PROBES = {
    "p": {
        "bus": "wire",
        "vessel": "tank",
        "unit_id": 5,
        "measures": [
            {"quantity": "temperature", "function": "input", "address": 0, "type": "float32"},
            {
                "quantity": "salinity",
                "function": "input",
                "address": 2,
                "type": "float32",
                "word_order": "little",
            },
            {
                "quantity": "conductivity",
                "function": "holding",
                "address": 40,
                "type": "int16",
                "scale": 0.01,
            },
        ],
    },
    "silent": {
        "bus": "wire",
        "vessel": "tank",
        "unit_id": 6,
        "measures": [{"quantity": "temperature", "address": 0, "type": "float32"}],
    },
    "garbled": {
        "bus": "wire",
        "vessel": "tank",
        "unit_id": 7,
        "measures": [{"quantity": "temperature", "address": 0, "type": "float32"}],
    },
}
EVENTS = [
    {"kind": "probe_silent", "probe": "silent", "at_min": 0},
    {"kind": "probe_garbled", "probe": "garbled", "at_min": 0},
]


@pytest.fixture
def port(tmp_path):
    scenario = small_rack(probes=PROBES, events=EVENTS)
    rack = Rack(scenario)
    clock = ScaledTime(scenario.start_ms, 1.0, time.monotonic())
    slaves = BusSlaves(LiveRack(rack, clock), scenario.probes)
    port = SerialPort(tmp_path / "wire", slaves.reply, baud=38400, reply_delay_s=0.001)
    port.plug()
    yield port
    port.unplug()


@pytest.fixture
def master(port):
    client = ModbusSerialClient(str(port.link), baudrate=38400, timeout=0.4, retries=0)
    assert client.connect()
    yield client
    client.close()


def test_several_units_functions_and_encodings(master):
    TYPES = master.DATATYPE
    answer = master.read_input_registers(0, count=4, device_id=5)
    assert not answer.isError()
    temperature = master.convert_from_registers(answer.registers[:2], TYPES.FLOAT32)
    salinity = master.convert_from_registers(answer.registers[2:], TYPES.FLOAT32, word_order="little")
    assert temperature == pytest.approx(12.0, abs=0.01)
    assert salinity == pytest.approx(32.0, abs=0.01)
    answer = master.read_holding_registers(40, count=1, device_id=5)
    # salinity 32 at 12 degrees C: between 35.14 (10 degrees C) and 39.61 mS/cm (15 degrees C)
    assert 36.5 < master.convert_from_registers(answer.registers, TYPES.INT16) * 0.01 < 37.3


@pytest.mark.parametrize(
    ("ask", "code"),
    [
        (lambda master: master.write_register(40, 1, device_id=5), 1),
        (lambda master: master.read_coils(0, count=1, device_id=5), 1),
        (lambda master: master.read_input_registers(3, count=2, device_id=5), 2),
        (lambda master: master.read_holding_registers(0, count=1, device_id=5), 2),
    ],
)
def test_exceptions_reach_the_master(master, ask, code):
    answer = ask(master)
    assert answer.isError()
    assert answer.exception_code == code


def exchange(port, frame, length):
    """What comes back: at once when so many bytes are there, else what came within the patience."""
    with serial.Serial(str(port.link), 38400, timeout=10.0 if length else 0.25) as line:
        line.write(frame)
        return line.read(length or 1)


def test_too_many_registers_are_an_illegal_value(port):
    # the master refuses to ask for 126 itself, so the bytes are written by hand
    assert exchange(port, sealed(bytes.fromhex("05 04 0000 007E")), 5) == sealed(bytes.fromhex("05 84 03"))


@pytest.mark.parametrize(
    "frame",
    [
        sealed(bytes.fromhex("63 04 0000 0002")),  # somebody else's address
        bytes.fromhex("05 04 0000 0002 0000"),  # bad CRC
        sealed(bytes.fromhex("06 03 0000 0002")),  # a probe that fell silent
        sealed(bytes.fromhex("05 04 0000 0002")) * 2,  # two frames without a silence between are none
    ],
)
def test_silence_where_nothing_is_to_be_said_and_the_line_lives_on(port, frame):
    assert exchange(port, frame, 0) == b""
    assert len(exchange(port, sealed(bytes.fromhex("05 04 0000 0002")), 9)) == 9


def test_garbled_replies_are_bytes_that_no_master_accepts(port, master):
    assert exchange(port, sealed(bytes.fromhex("07 03 0000 0002")), 4) != b""
    good = master.read_input_registers(0, count=2, device_id=5)
    assert not good.isError()


def test_a_replugged_port_is_found_at_the_same_link(port):
    first = port.link.readlink()
    with serial.Serial(str(port.link), 38400, timeout=1) as line:
        port.unplug()
        assert not port.link.is_symlink()
        with pytest.raises(serial.SerialException):
            line.read(1)
    port.plug()
    assert len(exchange(port, sealed(bytes.fromhex("05 04 0000 0002")), 9)) == 9
    assert first.is_relative_to("/dev/pts")


def test_nobody_reading_replies_does_not_stop_the_line(tmp_path):
    heard = []

    def reply(frame):
        heard.append(frame)
        return b"x" * 3000  # two are more than the 4 KB that a pseudo-terminal holds

    port = SerialPort(tmp_path / "wire", reply, baud=38400, reply_delay_s=0.0)
    port.plug()
    try:
        with serial.Serial(str(port.link), 38400) as line:
            for number in range(1, 6):
                line.write(b"?")
                wait_for(lambda number=number: len(heard) == number)
    finally:
        port.unplug()


def test_a_link_that_cannot_be_laid_is_told(tmp_path):
    port = SerialPort(tmp_path / "no-such-folder" / "wire", lambda frame: b"", 9600, 0.0)
    with pytest.raises(WireError, match="cannot lay the link"):
        port.plug()


def test_silence_that_ends_a_frame():
    # 3.5 characters of 11 bits; fixed at 1.75 ms above 19200 baud (serial line specification, from memory)
    assert silence_s(9600) == pytest.approx(0.00401, abs=1e-5)
    assert silence_s(19200) == pytest.approx(0.002005, abs=1e-6)
    assert silence_s(115200) == 0.00175
