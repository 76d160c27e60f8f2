"""Modbus, bytes and values only: RTU frames out, frames in, registers to numbers.

Sources: MODBUS over Serial Line V1.02 (frame, CRC) and MODBUS Application Protocol V1.1b3
(functions 03 and 04, exception codes). How 32 and 64 bit values are laid over the 16 bit
registers is left to the maker of the probe, hence `byte_order` and `word_order`.
"""

import math
import struct
from collections.abc import Iterable
from dataclasses import dataclass

from drivers.errors import GarbledAnswerError, NoSuchRegisterError, PayloadError, RefusedError, SetupError

READ_HOLDING = 3
READ_INPUT = 4
MAX_REGISTERS_PER_READ = 125
EXCEPTION_FRAME_BYTES = 5
EXCEPTION_BIT = 0x80
NO_SUCH_ADDRESS = 0x02
ADDRESSES = 0x10000
# MODBUS over Serial Line V1.02, 2.5.1: 11 bits per character, frames 3.5 characters apart,
# and a fixed 1.750 ms above 19200 baud.
BITS_PER_CHARACTER = 11
SILENCE_CHARACTERS = 3.5
FAST_BAUD = 19_200
FAST_SILENCE_S = 0.001_75

_EXCEPTIONS = {
    0x01: "illegal function: it does not know function {function}; try the other register table",
    0x02: "illegal data address: it has no such register; compare the address with the probe's manual "
    "(tables that start at 1 or at 40001 are off by one)",
    0x03: "illegal data value: it does not give that many registers at once",
    0x04: "device failure: it could not carry the request out; switch it off and on",
    0x05: "acknowledge: it needs long for this; ask less often",
    0x06: "device busy: ask less often",
    0x08: "memory parity error: its memory is damaged; have it serviced",
    0x0A: "gateway path unavailable: the gateway is set up wrongly or overloaded",
    0x0B: "gateway target did not respond: the probe behind the gateway is silent",
}
_STRUCTS = {
    **{"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "int64": ">q", "uint64": ">Q"},
    **{"float32": ">f", "float64": ">d"},
}
TYPES = tuple(_STRUCTS)
_ORDERS = ("big", "little")


@dataclass(frozen=True, slots=True)
class Register:
    """Where a quantity lies in a probe's registers: value = raw * scale + offset, in the quantity's unit.

    `address` counts from 0, as on the wire. `byte_order` is the order inside one 16 bit register,
    `word_order` that of the registers of one value; the standard's own is "big" for both.
    """

    quantity: str
    function: int
    address: int
    type: str
    byte_order: str = "big"
    word_order: str = "big"
    scale: float = 1.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        where = f"register {self.address} ({self.quantity})"
        if self.function not in (READ_HOLDING, READ_INPUT):
            raise SetupError(f"{where}: function {self.function}; it must be 3 (holding) or 4 (input)")
        if self.type not in _STRUCTS:
            raise SetupError(f"{where}: type {self.type!r}; it must be one of {', '.join(_STRUCTS)}")
        if self.byte_order not in _ORDERS or self.word_order not in _ORDERS:
            raise SetupError(f"{where}: byte_order and word_order must be 'big' or 'little'")
        if not 0 <= self.address <= ADDRESSES - self.count:
            raise SetupError(
                f"{where}: the address must lie in 0 to {ADDRESSES - self.count} for {self.type}"
            )
        if not (math.isfinite(self.scale) and math.isfinite(self.offset)) or self.scale == 0:
            raise SetupError(f"{where}: scale and offset must be finite numbers, and scale not 0")

    @property
    def count(self) -> int:
        """How many 16 bit registers the value fills."""
        return struct.calcsize(_STRUCTS[self.type]) // 2


@dataclass(frozen=True, slots=True)
class Read:
    """One request: `count` registers from `address`, holding the values of `registers`."""

    function: int
    address: int
    count: int
    registers: tuple[Register, ...]

    @property
    def answer_bytes(self) -> int:
        """Length of the whole answer frame when the probe complies."""
        return EXCEPTION_FRAME_BYTES + 2 * self.count

    @property
    def shape(self) -> tuple[int, int]:
        """All that tells its answer from another of the same unit: function and number of registers."""
        return self.function, self.count

    def describe(self) -> str:
        """Name the registers for a message."""
        table = "holding" if self.function == READ_HOLDING else "input"
        return f"{table} registers {self.address} to {self.address + self.count - 1}"


def silence_s(baud: int) -> float:
    """Return the least time between two frames, in seconds."""
    if baud > FAST_BAUD:
        return FAST_SILENCE_S
    return wire_time_s(SILENCE_CHARACTERS, baud)


def wire_time_s(characters: float, baud: int) -> float:
    """Return how long so many characters take on the wire, in seconds."""
    return characters * BITS_PER_CHARACTER / baud


def crc16(data: bytes) -> int:
    """Return the CRC-16 of the serial line standard (reflected polynomial A001, start FFFF)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def with_crc(body: bytes) -> bytes:
    """Return `body` closed by its CRC, low byte first."""
    return body + struct.pack("<H", crc16(body))


def encode_read(unit_id: int, read: Read) -> bytes:
    """Return the request frame that asks `unit_id` for `read`."""
    return with_crc(struct.pack(">BBHH", unit_id, read.function, read.address, read.count))


def plan_reads(registers: Iterable[Register], bridge: int = 0) -> tuple[Read, ...]:
    """Group registers that touch into as few requests as possible, also over gaps of up to `bridge`.

    Of its own accord no gap is bridged: many probes refuse a whole request for one address that they
    do not have. Requests of one shape do not follow each other where others can come between.
    """
    reads: list[Read] = []
    for register in sorted(registers, key=lambda r: (r.function, r.address)):
        last = reads[-1] if reads else _alone(register)
        count = max(last.count, register.address + register.count - last.address)
        touches = register.address <= last.address + last.count + bridge and count <= MAX_REGISTERS_PER_READ
        if reads and last.function == register.function and touches:
            reads[-1] = Read(last.function, last.address, count, (*last.registers, register))
        else:
            reads.append(_alone(register))
    return _mixed(reads)


def separate_reads(read: Read) -> tuple[Read, ...]:
    """Return a request for each register of a read that a probe refuses as a whole."""
    return tuple(_alone(register) for register in read.registers)


def _alone(register: Register) -> Read:
    return Read(register.function, register.address, register.count, (register,))


def _mixed(reads: Iterable[Read]) -> tuple[Read, ...]:
    """Put requests of unlike shapes in turn: always one of the shape that most are left of."""
    left: dict[tuple[int, int], list[Read]] = {}
    for read in reads:
        left.setdefault(read.shape, []).append(read)
    mixed: list[Read] = []
    while left:
        last = mixed[-1].shape if mixed else None
        shape = max(left, key=lambda shape: (shape != last, len(left[shape])))
        mixed.append(left[shape].pop(0))
        if not left[shape]:
            del left[shape]
    return tuple(mixed)


def find_answer(data: bytes, unit_id: int, read: Read) -> slice | None:
    """Return where in the bytes of a line the first whole frame is that can answer `read`; None without.

    Such a frame has the right unit, function, length and checksum, or is the unit's refusal.
    """
    heads = (
        (bytes([unit_id, read.function, 2 * read.count]), read.answer_bytes),
        (bytes([unit_id, read.function | EXCEPTION_BIT]), EXCEPTION_FRAME_BYTES),
    )
    for start in range(len(data) - EXCEPTION_FRAME_BYTES + 1):
        for head, size in heads:
            frame = data[start : start + size]
            if frame.startswith(head) and len(frame) == size and with_crc(frame[:-2]) == frame:
                return slice(start, start + size)
    return None


def parse_answer(frame: bytes, unit_id: int, read: Read) -> bytes:
    """Return the register bytes of an answer to `read`; raise GarbledAnswerError or RefusedError."""
    if fault := _fault_in(frame, unit_id, read):
        raise GarbledAnswerError(fault, frame)
    if frame[1] & EXCEPTION_BIT:
        code = frame[2]
        why = _EXCEPTIONS.get(code, f"exception code {code}, of its maker's own: see its manual")
        what = f"refuses {read.describe()}: {why.format(function=read.function)}"
        raise NoSuchRegisterError(what, frame) if code == NO_SUCH_ADDRESS else RefusedError(what, frame)
    return frame[3:-2]


def _fault_in(frame: bytes, unit_id: int, read: Read) -> str:
    """Say why a frame can be neither the answer nor the refusal; empty where it can."""
    refusal = len(frame) > 1 and frame[1] & EXCEPTION_BIT
    wanted = EXCEPTION_FRAME_BYTES if refusal else read.answer_bytes
    if len(frame) != wanted:
        cut_off = f"answer cut off after {len(frame)} of {wanted} bytes"
        return cut_off if len(frame) < wanted else f"answer of {len(frame)} bytes where {wanted} were due"
    crc, due = struct.unpack("<H", frame[-2:])[0], crc16(frame[:-2])
    if crc != due:
        why = "noise on the line, a missing terminator, or two probes with one unit_id"
        return f"checksum {crc:04X} instead of {due:04X}: {why}"
    if frame[0] != unit_id:
        return f"unit {frame[0]} answered although unit {unit_id} was asked"
    if frame[1] & ~EXCEPTION_BIT != read.function:
        return f"answered function {frame[1]} although {read.function} was asked"
    if not refusal and frame[2] != 2 * read.count:
        return f"announces {frame[2]} data bytes although {2 * read.count} were asked"
    return ""


def decode(register: Register, read: Read, data: bytes) -> float:
    """Return the value of `register` from the bytes of `read`, scaled; raise PayloadError if not finite."""
    start = 2 * (register.address - read.address)
    raw = data[start : start + 2 * register.count]
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if register.byte_order == "little":
        words = [word[::-1] for word in words]
    if register.word_order == "little":
        words.reverse()
    (number,) = struct.unpack(_STRUCTS[register.type], b"".join(words))
    value: float = number * register.scale + register.offset
    if not math.isfinite(value):
        raise PayloadError(
            f"{register.quantity} at register {register.address} reads {value}: the probe has no "
            "measurement, or type and word_order are not those of its manual",
            raw,
        )
    return value
