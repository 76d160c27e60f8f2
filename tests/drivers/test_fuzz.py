"""Mutated frames and payloads at each parser: refused in a line, or a finite value; nothing else."""

import json
import math

import pytest

from drivers.errors import DriverError
from drivers.modbus import Read, parse_answer, with_crc
from drivers.modbus_tcp import next_frame, numbered
from drivers.payload import decode_json, decode_plain, decode_senml
from drivers.sdi12 import telegram
from drivers.text.line import LinePattern, Lines, TextValue
from tests.rigs.mutations import mutations

NOW_S = 1_780_000_000.0
READ = Read(3, 0, 2, ())
FRAME = with_crc(bytes((1, 3, 4, 0x41, 0x98, 0, 0)))
SENML = [
    {"bn": "k1:", "bt": NOW_S, "bver": 10, "n": "t", "u": "Cel", "v": 15.25},
    {"n": "c", "v": 48.1, "t": -2},
]
LINE = LinePattern(r"T=(?P<t>[-+.\w]+);.*", (TextValue("temperature", "t"),))


def read_line(data):
    """Return the values of the lines in a piece of stream."""
    return [found for line in Lines(begins_anywhere=False).feed(data) for found in LINE.read(line) or ()]


PARSERS = {
    "sdi-12 values": (
        [b"0+18.5-2.25+3\r\n"],
        lambda data: telegram.values(telegram.body(data, "0", False), 75),
    ),
    "sdi-12 crc": ([b"0+3.14OqZ\r\n"], lambda data: telegram.values(telegram.body(data, "0", True), 75)),
    "sdi-12 promise": (
        [b"00305\r\n"],
        lambda data: [telegram.promise(telegram.body(data, "0", False), False).values],
    ),
    "text": ([b"T=18.5;O=7.25\r\nT=-1;\n"], read_line),
    "plain": ([b"18.5", b"-0.25e1", b" 7 "], decode_plain),
    "json": (
        [json.dumps({"water": {"t": 15.2, "list": [1, 2.5]}, "text": "a"}).encode()],
        lambda payload: decode_json(payload, "/water/t"),
    ),
    "senml": ([json.dumps(SENML).encode()], lambda payload: decode_senml(payload, NOW_S)),
    "modbus tcp": ([numbered(7, FRAME[:-2])], lambda stream: next_frame(stream + FRAME)),
    "modbus": ([FRAME], lambda frame: parse_answer(frame, 1, READ)),
}


def sound(found):
    if isinstance(found, bytes):
        return found == FRAME[3:7]  # CRC-16: what passes is what was sent (but for one in 65 536 of the rest)
    if isinstance(found, tuple | None):
        # Whatever is whole has the length that it says, and nothing of the stream gets lost.
        return found is None or len(found[1]) in range(3, 255)
    if isinstance(found, list) and not any(hasattr(it, "value") for it in found):
        return all(math.isfinite(it[1] if isinstance(it, tuple) else it) for it in found)
    if isinstance(found, list):
        return all(record.value is None or math.isfinite(record.value) for record in found)
    return math.isfinite(found)


@pytest.mark.parametrize(
    "count", [10_000, pytest.param(1_000_000, marks=[pytest.mark.long, pytest.mark.timeout(3_600)])]
)
@pytest.mark.parametrize("name", PARSERS)
def test_what_is_almost_right_is_refused_or_a_sound_value(name, count):
    good, parse = PARSERS[name]
    passed, odd = 0, 0
    for payload in mutations(good, count, seed=13):
        try:
            found = parse(payload)
        except DriverError as refused:
            assert str(refused).isprintable()  # noqa: PT017 - one of a million
        else:
            passed += 1
            odd += not sound(found)
    assert 0 < passed < count
    assert odd <= (count / 65_536 * 3 if name == "modbus" else 0)
