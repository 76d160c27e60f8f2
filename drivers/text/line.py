"""Lines of text, bytes and values only: lines out of a stream, values out of a line.

A pattern may be written so that it takes for ever on some line, so it is given a time; a line has a length
that is enough for any probe.
"""

import math
import re
from dataclasses import dataclass

import regex

from drivers.errors import GarbledAnswerError, PayloadError, SetupError
from drivers.payload import decode_plain

LONGEST_LINE = 1_024
LONGEST_PATTERN = 400
MOST_REPEATS = 100_000  # of what is repeated, and again; a library that writes them out needs memory for each
MATCH_WITHIN_S = 0.05
CHECKSUMS = ("none", "xor")
_ENDS = re.compile(rb"[\r\n]")
_GROUP_REPEATED = re.compile(r"\)\s*\{(\d+)", re.ASCII)
_REPEATED = re.compile(r"[^)\s]\s*\{(\d+)", re.ASCII)


@dataclass(frozen=True, slots=True)
class TextValue:
    """A quantity: the number in a named group, * scale + offset."""

    quantity: str
    group: str
    scale: float = 1.0
    offset: float = 0.0


class LinePattern:
    """What a line of a probe looks like, and which of its groups holds what.

    `checksum` "xor" is that of NMEA 0183: two hexadecimal digits behind a last "*", the exclusive or of
    what stands before it, a leading "$" or "!" left out. The pattern sees the line without it.
    """

    def __init__(self, pattern: str, values: tuple[TextValue, ...], checksum: str = "none") -> None:
        self._pattern, self.values = compiled(pattern), values
        if checksum not in CHECKSUMS:
            raise SetupError(f"checksum {checksum!r}; it must be one of {', '.join(CHECKSUMS)}")
        self._has_sum = checksum != "none"
        for value in values:
            if value.group not in self._pattern.groupindex:
                known = ", ".join(self._pattern.groupindex) or "none"
                raise SetupError(f"group {value.group!r}; the pattern's named groups are: {known}")

    def read(self, line: bytes) -> list[tuple[str, float]] | None:
        """Return the quantities in a line; None where it is not one of these.

        Raises GarbledAnswerError where its checksum is wrong, PayloadError where it holds no number or the
        pattern takes too long.
        """
        if len(line) > LONGEST_LINE:
            raise GarbledAnswerError(f"a line of more than {LONGEST_LINE} characters", line)
        text = line.decode("utf-8", "replace")
        try:
            found = self._pattern.fullmatch(
                _without_sum(text) if self._has_sum else text, timeout=MATCH_WITHIN_S, concurrent=True
            )
        except TimeoutError as slow:
            raise PayloadError("the pattern takes too long on it; write it more plainly", line) from slow
        if found is None:
            return None
        if self._has_sum and not _sum_is_right(line):
            raise GarbledAnswerError("its checksum is not that of what came", line)
        return [(value.quantity, _number(value, found[value.group], line)) for value in self.values]


def compiled(pattern: str) -> "regex.Pattern[str]":
    """Return a pattern ready for use; raise SetupError where it is none."""
    if len(pattern) > LONGEST_PATTERN:
        raise SetupError(f"a pattern of {len(pattern)} characters; at most {LONGEST_PATTERN}")
    groups, single = (map(int, it.findall(pattern)) for it in (_GROUP_REPEATED, _REPEATED))
    if math.prod(max(it, 1) for it in groups) * max(single, default=1) > MOST_REPEATS:
        raise SetupError(f"a pattern whose repeats come to more than {MOST_REPEATS} in all")
    try:
        return regex.compile(pattern)
    except regex.error as error:
        raise SetupError(f"no pattern: {error}") from error


class Lines:
    """Cuts a stream into lines at CR, LF or both. The rest of one whose beginning nobody saw is dropped."""

    def __init__(self, begins_anywhere: bool) -> None:
        self._begun = b""
        self._drops = begins_anywhere

    def feed(self, data: bytes) -> list[bytes]:
        """Return the lines that are whole now; of one too long its beginning, too long for any probe."""
        *whole, begun = _ENDS.split(self._begun + data)
        if whole and self._drops:
            whole, self._drops = whole[1:], False
        if len(begun) > LONGEST_LINE:
            whole, begun, self._drops = [*whole, begun], b"", True
        self._begun = begun
        return [line[: LONGEST_LINE + 1] for line in whole if line.strip()]


def _without_sum(text: str) -> str:
    return text.rpartition("*")[0]


def _sum_is_right(line: bytes) -> bool:
    said, _, given = line.rpartition(b"*")
    found = 0
    for byte in said.removeprefix(b"$").removeprefix(b"!"):
        found ^= byte
    return given.strip().upper() == f"{found:02X}".encode()


def _number(value: TextValue, text: str | None, line: bytes) -> float:
    try:
        number = decode_plain((text or "").encode()) * value.scale + value.offset
    except PayloadError as error:
        raise PayloadError(f"{value.quantity} in group {value.group}: {error}", line) from error
    if not math.isfinite(number):
        raise PayloadError(f"{value.quantity} is too large after scaling", line)
    return number
