"""Modbus RTU frames and registers, against published frames, pymodbus and IEEE 754."""

import struct
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.framer import FramerRTU

from drivers.errors import GarbledAnswerError, PayloadError, RefusedError, SetupError
from drivers.modbus import (
    Read,
    Register,
    crc16,
    decode,
    encode_read,
    find_answer,
    parse_answer,
    plan_reads,
    separate_reads,
    with_crc,
)

# Published frames, CRC included. "02 07" is the worked example of MODBUS over Serial Line V1.02,
# appendix B (CRC 1241); the others are frames printed in Modbus tutorials, CRCs recomputed
# independently of this project.
PUBLISHED_FRAMES = [
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

PYMODBUS_TYPES = {
    "int16": ModbusClientMixin.DATATYPE.INT16,
    "uint16": ModbusClientMixin.DATATYPE.UINT16,
    "int32": ModbusClientMixin.DATATYPE.INT32,
    "uint32": ModbusClientMixin.DATATYPE.UINT32,
    "float32": ModbusClientMixin.DATATYPE.FLOAT32,
    "float64": ModbusClientMixin.DATATYPE.FLOAT64,
}


def register(address=0, type="int16", function=3, quantity="temperature", **more):
    return Register(quantity, function, address, type, **more)


def one_read(reg):
    (read,) = plan_reads([reg])
    return read


def a_read(function, address, count):
    return Read(function, address, count, ())


class TestFrames:
    def test_crc_check_value(self):
        # CRC-16/MODBUS check value of the catalogue of parametrised CRC algorithms
        assert crc16(b"123456789") == 0x4B37

    @pytest.mark.parametrize("text", PUBLISHED_FRAMES)
    def test_published_frames_close_with_their_crc(self, text):
        frame = bytes.fromhex(text)
        assert with_crc(frame[:-2]) == frame

    @given(st.binary(max_size=300))
    def test_crc_agrees_with_pymodbus(self, data):
        # pymodbus keeps the value with its bytes in wire order
        assert struct.pack("<H", crc16(data)) == struct.pack(">H", FramerRTU.compute_CRC(data))

    @pytest.mark.parametrize(
        ("unit", "read", "text"),
        [
            (0x11, a_read(3, 0x6B, 3), "11 03 00 6B 00 03 76 87"),
            (1, a_read(3, 0, 2), "01 03 00 00 00 02 C4 0B"),
            (1, a_read(3, 0, 10), "01 03 00 00 00 0A C5 CD"),
            (1, a_read(4, 0, 1), "01 04 00 00 00 01 31 CA"),
            (0x11, a_read(4, 8, 1), "11 04 00 08 00 01 B2 98"),
        ],
    )
    def test_published_requests(self, unit, read, text):
        assert encode_read(unit, read) == bytes.fromhex(text)

    def test_published_answers(self):
        answer = bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD")
        assert parse_answer(answer, 0x11, a_read(3, 0x6B, 3)) == bytes.fromhex("AE 41 56 52 43 40")
        assert parse_answer(bytes.fromhex("01 04 02 FF FF B8 80"), 1, a_read(4, 0, 1)) == b"\xff\xff"

    def test_published_exception_is_told_in_the_standards_words(self):
        with pytest.raises(RefusedError, match="illegal data address") as caught:
            parse_answer(bytes.fromhex("01 83 02 C0 F1"), 1, a_read(3, 7, 2))
        assert "holding registers 7 to 8" in str(caught.value)
        assert caught.value.raw == bytes.fromhex("01 83 02 C0 F1")

    @pytest.mark.parametrize(
        ("code", "words"),
        # MODBUS Application Protocol V1.1b3, section 7; names from memory
        [
            (1, "illegal function"),
            (2, "illegal data address"),
            (3, "illegal data value"),
            (4, "device failure"),
            (5, "acknowledge"),
            (6, "busy"),
            (8, "memory parity"),
            (10, "gateway path unavailable"),
            (11, "gateway target"),
            (0x7F, "code 127, of its maker's own"),
        ],
    )
    def test_exception_names(self, code, words):
        with pytest.raises(RefusedError, match=words):
            parse_answer(with_crc(bytes([9, 0x84, code])), 9, a_read(4, 0, 1))

    @pytest.mark.parametrize(
        ("frame", "words"),
        [
            (b"", "cut off after 0 of 7"),
            (b"\x01\x04\x02\xff\xff", "cut off after 5 of 7"),
            (with_crc(b"\x01\x04\x02\xff\xff") + b"\x00", "8 bytes where 7"),
            (with_crc(b"\x01\x84\x02\x00"), "6 bytes where 5"),
            (b"\x01\x04\x02\xff\xfe\xb8\x80", "checksum"),
            (with_crc(b"\x02\x04\x02\xff\xff"), "unit 2 answered although unit 1"),
            (with_crc(b"\x01\x03\x02\xff\xff"), "function 3 although 4"),
            (with_crc(b"\x01\x83\x02"), "function 131 although 4"),
            (with_crc(b"\x01\x04\x04\xff\xff"), "announces 4 data bytes although 2"),
        ],
    )
    def test_broken_answers_are_garbled_and_keep_their_bytes(self, frame, words):
        with pytest.raises(GarbledAnswerError, match=words) as caught:
            parse_answer(frame, 1, a_read(4, 0, 1))
        assert caught.value.raw == frame

    @given(st.binary(min_size=2, max_size=250).filter(lambda b: len(b) % 2 == 0), st.data())
    def test_any_flipped_bit_is_noticed(self, data, pick):
        read = a_read(3, 0, len(data) // 2)
        frame = bytearray(with_crc(bytes([17, 3, len(data)]) + data))
        assert parse_answer(bytes(frame), 17, read) == data
        bit = pick.draw(st.integers(0, 8 * len(frame) - 1))
        frame[bit // 8] ^= 1 << bit % 8
        with pytest.raises(GarbledAnswerError):
            parse_answer(bytes(frame), 17, read)

    @given(st.binary(max_size=300))
    def test_any_bytes_give_data_or_a_named_error(self, frame):
        read = a_read(3, 0, 2)
        try:
            data = parse_answer(frame, 1, read)
        except (GarbledAnswerError, RefusedError):
            return
        assert len(data) == 4


class TestFinding:
    READ = Read(4, 0, 1, ())
    GOOD = with_crc(b"\x01\x04\x02\x07\x6c")

    def test_an_answer_is_found_between_other_bytes(self):
        others = with_crc(b"\x02\x04\x02\x07\x6c") + with_crc(b"\x01\x04\x04\x00\x00\x00\x00") + b"\x01\x04"
        assert find_answer(others, 1, self.READ) is None
        assert find_answer(others + self.GOOD + b"\xff", 1, self.READ) == slice(len(others), len(others) + 7)

    def test_so_is_a_refusal(self):
        refusal = with_crc(b"\x01\x84\x02")
        assert find_answer(b"\x00" + refusal, 1, self.READ) == slice(1, 6)

    @given(st.binary(max_size=40), st.binary(max_size=40))
    def test_wherever_it_lies_something_whole_is_found(self, before, after):
        found = find_answer(before + self.GOOD + after, 1, self.READ)
        assert found is not None
        assert found.start <= len(before)
        parse = (before + self.GOOD + after)[found]
        assert with_crc(parse[:-2]) == parse


class TestRegisters:
    # 123.456 as IEEE 754 single is 42F6E979 (worked example of the format's usual converters,
    # recomputed here with struct); the four layouts are those that probes are found with.
    @pytest.mark.parametrize(
        ("text", "byte_order", "word_order"),
        [
            ("42F6 E979", "big", "big"),
            ("E979 42F6", "big", "little"),
            ("F642 79E9", "little", "big"),
            ("79E9 F642", "little", "little"),
        ],
    )
    def test_float32_layouts(self, text, byte_order, word_order):
        reg = register(type="float32", byte_order=byte_order, word_order=word_order)
        value = decode(reg, one_read(reg), bytes.fromhex(text))
        assert value == struct.unpack("<f", bytes.fromhex("79E9F642"))[0]
        assert value == pytest.approx(123.456, rel=1e-7)

    @given(st.data(), st.sampled_from(sorted(PYMODBUS_TYPES)), st.sampled_from(["big", "little"]))
    def test_decoding_undoes_pymodbus_encoding(self, pick, type, word_order):
        bits = int(type.lstrip("uintfloa"))
        numbers = {
            "i": st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1),
            "u": st.integers(0, 2**bits - 1),
            "f": st.floats(allow_nan=False, allow_infinity=False, width=bits if bits > 16 else 32),
        }
        number = pick.draw(numbers[type[0]])
        words = ModbusClientMixin.convert_to_registers(number, PYMODBUS_TYPES[type], word_order=word_order)
        reg = register(type=type, word_order=word_order)
        assert decode(reg, one_read(reg), struct.pack(f">{len(words)}H", *words)) == number

    def test_scale_and_offset(self):
        reg = register(type="int16", scale=0.01, offset=-40.0)
        assert decode(reg, one_read(reg), struct.pack(">h", -250)) == pytest.approx(-42.5)

    @pytest.mark.parametrize("type", ["float32", "float64"])
    @pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
    def test_a_float_that_is_no_number_is_refused(self, type, number):
        reg = register(type=type, quantity="oxygen", address=12)
        data = struct.pack(">f" if type == "float32" else ">d", number)
        with pytest.raises(PayloadError, match="oxygen at register 12") as caught:
            decode(reg, one_read(reg), data)
        assert caught.value.raw == data

    def test_scaling_out_of_range_is_refused(self):
        reg = register(type="float64", scale=10.0)
        with pytest.raises(PayloadError):
            decode(reg, one_read(reg), struct.pack(">d", 1e308))

    @pytest.mark.parametrize(
        ("wrong", "words"),
        [
            ({"function": 6}, "3 \\(holding\\) or 4 \\(input\\)"),
            ({"type": "int8"}, "int16, uint16"),
            ({"byte_order": "middle"}, "'big' or 'little'"),
            ({"word_order": "swapped"}, "'big' or 'little'"),
            ({"address": 65535, "type": "float32"}, "0 to 65534"),
            ({"address": -1}, "0 to 65535"),
            ({"scale": 0.0}, "scale not 0"),
            ({"offset": float("nan")}, "finite"),
        ],
    )
    def test_impossible_registers_are_refused_at_setup(self, wrong, words):
        with pytest.raises(SetupError, match=words):
            replace(register(), **wrong)


class TestGrouping:
    def test_neighbours_are_read_together_and_gaps_are_not_bridged(self):
        reads = plan_reads([register(4), register(0, "float32"), register(2, "int32"), register(6)])
        assert [(r.address, r.count) for r in reads] == [(0, 5), (6, 1)]

    def test_a_gap_is_bridged_only_as_far_as_asked(self):
        registers = [register(0, "float32"), register(5, "float32"), register(10)]
        assert [(r.address, r.count) for r in plan_reads(registers, bridge=3)] == [(0, 11)]
        assert len(plan_reads(registers, bridge=2)) == 3
        (read,) = plan_reads(registers, bridge=3)
        assert [(r.address, r.count) for r in separate_reads(read)] == [(0, 2), (5, 2), (10, 1)]

    def test_questions_of_one_shape_do_not_follow_each_other_where_others_can_come_between(self):
        singles, doubles = (
            [register(4 * i) for i in range(3)],
            [register(4 * i + 50, "int32") for i in range(2)],
        )
        shapes = [read.shape for read in plan_reads([*singles, *doubles])]
        assert all(one != next for one, next in pairwise(shapes))
        assert sorted(shapes) == [(3, 1)] * 3 + [(3, 2)] * 2

    def test_the_two_tables_are_separate(self):
        reads = plan_reads([register(0, function=4), register(1, function=3)])
        assert [(r.function, r.address) for r in reads] == [(3, 1), (4, 0)]

    def test_one_register_may_serve_two_quantities(self):
        reads = plan_reads([register(3), register(3, quantity="conductivity"), register(2, "float64")])
        assert [(r.address, r.count, len(r.registers)) for r in reads] == [(2, 4, 3)]

    def test_a_read_never_asks_more_than_the_standard_allows(self):
        reads = plan_reads([register(2 * i, "float32") for i in range(100)])
        assert [(r.address, r.count) for r in reads] == [(0, 124), (124, 76)]

    @given(
        st.lists(
            st.builds(
                register,
                st.integers(0, 400),
                st.sampled_from(sorted(PYMODBUS_TYPES)),
                st.sampled_from([3, 4]),
            ),
            max_size=60,
        )
    )
    def test_every_register_is_read_whole_once_and_no_undefined_address_is_touched(self, registers):
        reads = plan_reads(registers)
        defined = {(r.function, a) for r in registers for a in range(r.address, r.address + r.count)}
        for read in reads:
            assert 1 <= read.count <= 125
            assert {(read.function, read.address + i) for i in range(read.count)} <= defined
            for reg in read.registers:
                assert read.address <= reg.address
                assert reg.address + reg.count <= read.address + read.count
        served = sorted((reg for read in reads for reg in read.registers), key=repr)
        assert served == sorted(registers, key=repr)
