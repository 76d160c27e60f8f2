"""SDI-12, bytes and values only: commands out, answers in.

Source: SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors, version 1.4 (2023).
"""

import re
from dataclasses import dataclass

from drivers.errors import GarbledAnswerError, RefusedError, SetupError

END = b"\r\n"
# 4.4: the longest answer is that of 75 characters of values, with address, CRC and end.
LONGEST_ANSWER = 1 + 75 + 3 + 2
CRC_CHARACTERS = 3
# 4.4.12: what may be asked with a CRC arrived in version 1.3.
FIRST_WITH_CRC = 13
VALUES_SHORT, VALUES_LONG = 35, 75
# 4.4.6: the answer to M has one digit for the number of values.
MOST_BY_M = 9
ADDRESSES = "0-9A-Za-z"
# What only reads: measurements M, C and R; never an address (A), a verification (V) or what makers add (X).
READS = r"^(M[1-9]?|C[1-9]?|R[0-9])$"

_ADDRESS = re.compile(f"[{ADDRESSES}]")
_READ = re.compile(READS)
_VALUE = re.compile(r"[+-](?=\.?\d)\d{0,7}\.?\d{0,7}", re.ASCII)
_VALUE_CHARACTERS, _VALUE_DIGITS = 9, 7


@dataclass(frozen=True, slots=True)
class Identity:
    """What a probe says of itself; `version` is that of the standard, 14 for 1.4."""

    version: int
    maker: str
    model: str
    rest: str


@dataclass(frozen=True, slots=True)
class Promise:
    """How many values there will be, and after how many seconds at most."""

    seconds: int
    values: int


def crc(text: bytes) -> bytes:
    """Return the three characters that close an answer (4.4.12)."""
    remainder = 0
    for byte in text:
        remainder ^= byte
        for _ in range(8):
            remainder = (remainder >> 1) ^ 0xA001 if remainder & 1 else remainder >> 1
    return bytes(0x40 | (remainder >> shift) & 0x3F for shift in (12, 6, 0))


def command(address: str, what: str) -> bytes:
    """Return a command that reads; SetupError for any other, such as one that changes an address."""
    known = _READ.fullmatch(what.replace("MC", "M", 1).replace("CC", "C", 1).replace("RC", "R", 1))
    if not _ADDRESS.fullmatch(address):
        raise SetupError(f"address {address!r}; it must be one of 0 to 9, A to Z or a to z")
    if not known and what != "I" and not re.fullmatch("D[0-9]", what):
        raise SetupError(f"command {what!r}; only what reads is ever sent: I, M, C, R and D")
    return f"{address}{what}!".encode()


def body(answer: bytes, address: str, has_crc: bool) -> str:
    """Return what an answer says, without address, CRC and end; raise GarbledAnswerError.

    A lone address is what a probe says whose measurement was broken off; it may have no CRC then.
    """
    if not answer.endswith(END):
        raise GarbledAnswerError(f"answer cut off after {len(answer)} characters", answer)
    text = answer[: -len(END)]
    if not text.startswith(address.encode()):
        raise GarbledAnswerError(f"answered by another address than {address}, or noise", answer)
    if has_crc and text != address.encode():
        text, given = text[:-CRC_CHARACTERS], text[-CRC_CHARACTERS:]
        if not text or crc(text) != given:
            raise GarbledAnswerError(
                "its CRC is not that of what came: noise, or two with one address", answer
            )
    if not text.isascii() or not text.decode().isprintable():
        raise GarbledAnswerError("characters came that no probe sends; is the line set to 7E1?", answer)
    return text[1:].decode()


def identity(said: str) -> Identity:
    """Return what the answer to I says (4.4.2)."""
    found = re.fullmatch(r"(\d\d)(.{8})(.{6})(.{3}.{0,13})", said)
    if found is None:
        raise GarbledAnswerError("its identification is not as SDI-12 has it", said.encode())
    return Identity(int(found[1]), found[2].strip(), found[3].strip(), found[4].strip())


def promise(said: str, concurrent: bool) -> Promise:
    """Return what the answer to M (`tttn`) or C (`tttnn`) promises (4.4.6, 4.4.7)."""
    if not re.fullmatch(r"\d{5}" if concurrent else r"\d{4}", said):
        form = "tttnn" if concurrent else "tttn"
        raise GarbledAnswerError(
            f"{said!r} came where time and number of values were due ({form})", said.encode()
        )
    promised = Promise(int(said[:3]), int(said[3:]))
    if promised.values == 0:
        raise RefusedError("it measures nothing on this command; see its manual", said.encode())
    return promised


def values(said: str, longest: int) -> list[float]:
    """Return the values of an answer to D or R (4.4.8), at least one."""
    if not said:
        raise RefusedError("it has broken its measurement off", b"")
    found = _VALUE.findall(said)
    fits = all(len(it) <= _VALUE_CHARACTERS and sum(map(str.isdigit, it)) <= _VALUE_DIGITS for it in found)
    if "".join(found) != said or not fits or len(said) > longest:
        raise GarbledAnswerError(f"{said[:40]!r} is no row of values", said.encode())
    return [float(it) for it in found]
