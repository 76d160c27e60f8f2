"""The slave's bytes against published frames and pymodbus' decoding."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient
from pymodbus.framer import FramerRTU

from simulator.encoding.registers import REGISTER_TYPES, RegisterField
from simulator.wires.modbus import (
    ModbusRefusalError,
    crc16,
    damaged,
    is_sound,
    pick,
    register_map,
    reply,
    sealed,
)

# Frames with their CRC as on the wire; the first is the serial line specification's worked example
# (from memory), the others computed independently.
PUBLISHED = [
    "02 07 41 12",
    "11 03 00 6B 00 03 76 87",
    "11 03 06 AE 41 56 52 43 40 49 AD",
    "01 03 00 00 00 02 C4 0B",
    "01 03 00 00 00 0A C5 CD",
    "01 04 00 00 00 01 31 CA",
    "11 04 00 08 00 01 B2 98",
    "01 04 02 FF FF B8 80",
    "01 83 02 C0 F1",
]


@pytest.mark.parametrize("frame", PUBLISHED)
def test_crc_of_published_frames(frame):
    whole = bytes.fromhex(frame)
    assert sealed(whole[:-2]) == whole
    assert is_sound(whole)
    assert not is_sound(whole[:-1] + bytes([whole[-1] ^ 1]))


def test_crc_check_value():
    assert crc16(b"123456789") == 0x4B37  # catalogue value of CRC-16/MODBUS (from memory)


@given(st.binary(max_size=260))
def test_crc_is_pymodbus_crc(data):
    low_byte_first = crc16(data).to_bytes(2, "little")
    assert low_byte_first == struct.pack(">H", FramerRTU.compute_CRC(data))


def words(function, address, count):
    registers = {(3, 0x6B + i): word for i, word in enumerate((0xAE41, 0x5652, 0x4340))}
    registers |= {(4, i): 0xFFFF for i in range(200)}
    return pick(registers, function, address, count)


SLAVES = {0x11: words, 1: words}


@pytest.mark.parametrize(
    ("request_body", "answer_body"),
    [
        ("11 03 006B 0003", "11 03 06 AE41 5652 4340"),
        ("01 04 0000 0001", "01 04 02 FFFF"),
        ("01 03 0000 0002", "01 83 02"),  # nothing there: illegal address
        ("01 03 006A 0002", "01 83 02"),  # begins before the map
        ("01 03 006D 0002", "01 83 02"),  # ends behind the map
        ("01 04 0000 0000", "01 84 03"),  # no register: illegal value
        ("01 04 0000 007E", "01 84 03"),  # 126 registers
        ("01 06 0000 0001", "01 86 01"),  # writing: illegal function
        ("01 2B 0E01 0000", "01 AB 01"),
        ("01 04 0000 0001 00", "01 84 03"),  # a byte too many under a good CRC
    ],
)
def test_replies(request_body, answer_body):
    assert reply(sealed(bytes.fromhex(request_body)), SLAVES) == sealed(bytes.fromhex(answer_body))


def test_125_registers_are_the_most():
    answer = reply(sealed(bytes.fromhex("01 04 0000 007D")), SLAVES)
    assert len(answer) == 5 + 250
    assert is_sound(answer)


@pytest.mark.parametrize("body", ["02 04 0000 0001", "00 04 0000 0001"])
def test_others_and_broadcasts_get_silence(body):
    assert reply(sealed(bytes.fromhex(body)), SLAVES) == b""


@given(st.binary(max_size=30))
def test_no_noise_raises_and_an_unsound_frame_gets_silence(data):
    answer = reply(data, SLAVES)
    assert answer == b"" or is_sound(data)


def test_a_damaged_reply_is_never_sound():
    answer = sealed(bytes.fromhex("11 03 06 AE41 5652 4340"))
    assert not any(is_sound(damaged(answer, number)) for number in range(9))


def test_a_hole_in_the_map_is_an_illegal_address():
    with pytest.raises(ModbusRefusalError) as refused:
        pick({(3, 0): 1, (3, 2): 1}, 3, 0, 3)
    assert refused.value.code == 2


TYPES = ModbusTcpClient.DATATYPE


@pytest.mark.parametrize("register_type", REGISTER_TYPES)
@pytest.mark.parametrize("word_order", ["big", "little"])
def test_registers_decode_with_pymodbus_to_the_value_that_is_promised(register_type, word_order):
    field = RegisterField(3, 10, register_type, word_order=word_order, scale=0.01, offset=-4.0)
    value = 17.327
    registers = register_map([(field, value)])
    assert sorted(registers) == [(3, 10 + i) for i in range(field.word_count)]
    raw = ModbusTcpClient.convert_from_registers(
        [registers[3, 10 + i] for i in range(field.word_count)],
        TYPES[register_type.upper()],
        word_order=word_order,
    )
    assert raw == field.raw(value)
    assert raw * 0.01 + -4.0 == pytest.approx(value, abs=0.00501)


def test_little_endian_bytes_are_swapped_within_each_word():
    big = RegisterField(3, 0, "float32").words(12.5)
    assert big == [0x4148, 0x0000]  # IEEE 754: 12.5 is 0x41480000
    assert RegisterField(3, 0, "float32", byte_order="little").words(12.5) == [0x4841, 0x0000]
    assert RegisterField(3, 0, "float32", word_order="little").words(12.5) == [0x0000, 0x4148]


@pytest.mark.parametrize(
    ("register_type", "value", "held_at"),
    [("int16", 400.0, 327.67), ("int16", -400.0, -327.68), ("uint16", -1.0, 0.0), ("uint16", 700.0, 655.35)],
)
def test_a_value_beyond_the_type_is_held_at_its_end(register_type, value, held_at):
    assert RegisterField(3, 0, register_type, scale=0.01).raw(value) * 0.01 == pytest.approx(held_at)
