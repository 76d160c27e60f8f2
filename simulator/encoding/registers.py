"""Numbers as Modbus registers and back: the simulator's own encoding."""

import struct
from dataclasses import dataclass

REGISTER_TYPES = ("int16", "uint16", "int32", "uint32", "float32", "float64")
BYTE_ORDERS = ("big", "little")
FUNCTION_CODES = {"holding": 3, "input": 4}
_CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}


@dataclass(frozen=True, slots=True)
class RegisterField:
    """Where a value stands in a register map; raw = (value - offset) / scale, most significant first."""

    function: int
    address: int
    type: str
    byte_order: str = "big"
    word_order: str = "big"
    scale: float = 1.0
    offset: float = 0.0

    @property
    def word_count(self) -> int:
        """Number of 16-bit registers that the value takes."""
        return struct.calcsize(">" + _CODES[self.type]) // 2

    def raw(self, value: float) -> float | int:
        """The number on the wire for a value: whole and held at the type's ends for integer types."""
        exact = (value - self.offset) / self.scale
        if self.type == "float32":
            return float(struct.unpack(">f", struct.pack(">f", exact))[0])
        if self.type == "float64":
            return exact
        low, high = integer_range(self.type)
        return min(max(round(exact), low), high)

    def words(self, value: float) -> list[int]:
        """The registers' contents, in address order."""
        packed = struct.pack(">" + _CODES[self.type], self.raw(value))
        words = list(struct.unpack(f">{len(packed) // 2}H", packed))
        if self.byte_order == "little":
            words = [(word & 0xFF) << 8 | word >> 8 for word in words]
        return words if self.word_order == "big" else words[::-1]


def integer_range(register_type: str) -> tuple[int, int]:
    """Least and greatest number that an integer register type holds."""
    bits = 16 if register_type.endswith("16") else 32
    return (0, 2**bits - 1) if register_type.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
