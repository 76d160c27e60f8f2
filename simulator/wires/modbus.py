"""The slave's side of Modbus RTU: bytes of a request in, bytes of the reply out, no port.

Framing and codes after the MODBUS serial line and application protocol specifications (from
memory): a frame ends with CRC-16, low byte first; function 3 reads holding registers and 4 input
registers; an exception answers with the function's high bit set and a code.
"""

import struct
from collections.abc import Callable, Iterable, Mapping, Sequence

from simulator.encoding.registers import RegisterField

ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3
MAX_REGISTERS = 125

ReadWords = Callable[[int, int, int], Sequence[int]]
"""(function, first address, count) -> register contents; raises ModbusRefusalError."""


class ModbusRefusalError(Exception):
    """A request that a slave answers with an exception code."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception code {code}")
        self.code = code


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, reflected polynomial 0xA001."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def sealed(body: bytes) -> bytes:
    """A frame: the body and its CRC, low byte first."""
    return body + struct.pack("<H", crc16(body))


def is_sound(frame: bytes) -> bool:
    """Whether a frame is long enough and its CRC fits."""
    return len(frame) >= 4 and sealed(frame[:-2]) == frame


def reply(frame: bytes, slaves: Mapping[int, ReadWords]) -> bytes:
    """What goes back for a frame; nothing for a bad CRC, a broadcast or somebody else's address."""
    if not is_sound(frame) or frame[0] not in slaves:
        return b""
    unit, function = frame[0], frame[1]
    try:
        words = _read(frame, slaves[unit])
    except ModbusRefusalError as refusal:
        return sealed(bytes([unit, function | 0x80, refusal.code]))
    return sealed(struct.pack(f">BBB{len(words)}H", unit, function, 2 * len(words), *words))


def _read(frame: bytes, read_words: ReadWords) -> Sequence[int]:
    function = frame[1]
    if function not in (3, 4):
        raise ModbusRefusalError(ILLEGAL_FUNCTION)
    if len(frame) != 8:
        raise ModbusRefusalError(ILLEGAL_VALUE)
    address, count = struct.unpack(">HH", frame[2:6])
    if not 1 <= count <= MAX_REGISTERS:
        raise ModbusRefusalError(ILLEGAL_VALUE)
    return read_words(function, address, count)


def register_map(fields: Iterable[tuple[RegisterField, float]]) -> dict[tuple[int, int], int]:
    """Register contents by (function, address) for values at their places."""
    return {
        (field.function, field.address + i): word
        for field, value in fields
        for i, word in enumerate(field.words(value))
    }


def pick(registers: Mapping[tuple[int, int], int], function: int, address: int, count: int) -> list[int]:
    """Neighbouring registers out of a map; a hole in the range is an illegal address."""
    wanted = [(function, address + i) for i in range(count)]
    if not all(key in registers for key in wanted):
        raise ModbusRefusalError(ILLEGAL_ADDRESS)
    return [registers[key] for key in wanted]


def damaged(frame: bytes, number: int) -> bytes:
    """A reply as a bad line delivers it: a flipped bit, a lost end or a false start, in turn."""
    if number % 3 == 0:
        middle = len(frame) // 2
        return frame[:middle] + bytes([frame[middle] ^ 0x10]) + frame[middle + 1 :]
    return frame[: len(frame) // 2] if number % 3 == 1 else b"\x00\xff" + frame
