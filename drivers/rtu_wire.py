"""One open serial line: frames out, frames in, and the silences that Modbus RTU asks for in between."""

import errno
import os
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Self

import serial

from drivers.errors import PortLostError, SetupError
from drivers.modbus import silence_s, wire_time_s

_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_WRITE_TIMEOUT_S = 1.0
# A slave that sends its bytes one by one leaves gaps of about so long. Common practice, no source.
_SETTLED_S = 0.05
_HINTS: dict[int | None, str] = {
    errno.ENOENT: "is the adapter plugged in, and the port's name right?",
    errno.EACCES: "the user that runs this must be in the group that owns the port (often dialout)",
    errno.EAGAIN: "another program has it open",
    errno.EBUSY: "another program has it open",
}


@dataclass(frozen=True, slots=True)
class SerialLine:
    """A serial port and how to speak on it.

    `timeout_ms` is the time a probe may think; the time that the bytes need on the wire is added. One
    second is the least that MODBUS over Serial Line V1.02, 2.4.1, calls typical at 9600 bit/s (from
    memory).
    """

    port: str
    baud: int = 9600
    parity: str = "none"
    stop_bits: int = 1
    timeout_ms: int = 1000
    retries: int = 2

    def __post_init__(self) -> None:
        if self.parity not in _PARITIES:
            raise SetupError(f"{self.port}: parity {self.parity!r}; it must be one of {', '.join(_PARITIES)}")
        if self.stop_bits not in (1, 2):
            raise SetupError(f"{self.port}: stop_bits {self.stop_bits}; it must be 1 or 2")
        if self.baud <= 0 or self.timeout_ms <= 0 or self.retries < 0:
            raise SetupError(f"{self.port}: baud and timeout_ms must be above 0, retries not below 0")


class RtuWire:
    """An open port. RTU answers carry no number that ties them to a question, so nothing that comes
    outside of an exchange is taken for an answer: `ask` and `hear` hand it all to their caller.
    """

    def __init__(self, line: SerialLine) -> None:
        self._line = line
        self._silence_s = silence_s(line.baud)
        with self._port_errors():
            self._port = serial.Serial(
                line.port,
                line.baud,
                parity=_PARITIES[line.parity],
                stopbits=line.stop_bits,
                write_timeout=_WRITE_TIMEOUT_S,
                exclusive=True,
            )
        self._quiet_until = time.monotonic() + line.timeout_ms / 1000

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self._port.close()

    def hear(self) -> bytes:
        """Return what has come unasked."""
        with self._port_errors():
            return self._receive(time.monotonic())

    def pause(self) -> None:
        """Keep the silence that the standard asks for between two frames; one time-out after opening."""
        time.sleep(max(self._quiet_until - time.monotonic(), 0))

    def ask(
        self, request: bytes, answer_bytes: int, is_whole: Callable[[bytes], bool]
    ) -> tuple[bytes, float]:
        """Send a request; return what comes until `is_whole` or the time-out, and the seconds of thinking."""
        data = b""
        with self._port_errors():
            start = time.monotonic()
            self._port.write(request)
            on_wire_s = wire_time_s(len(request) + answer_bytes, self._line.baud)
            deadline = start + on_wire_s + self._line.timeout_ms / 1000
            while not is_whole(data) and (more := self._receive(deadline)):
                data += more
        return data, max(time.monotonic() - start - on_wire_s, 0)

    def settle(self) -> tuple[bytes, bool]:
        """After a failed exchange, wait until the line falls silent, for one more time-out at most.

        Returns what came meanwhile, and whether the line is silent.
        """
        heard, patience = b"", time.monotonic() + self._line.timeout_ms / 1000
        with self._port_errors():
            while more := self._receive(time.monotonic() + max(self._silence_s, _SETTLED_S)):
                heard += more
                if time.monotonic() > patience:
                    return heard, False
        return heard, True

    def _receive(self, deadline: float) -> bytes:
        """Return what is there, or else the first byte that comes until then with all behind it."""
        self._port.timeout = max(deadline - time.monotonic(), 0)
        data = self._port.read(max(self._port.in_waiting, 1))
        if data:
            self._quiet_until = time.monotonic() + self._silence_s
        return data

    @contextmanager
    def _port_errors(self) -> Iterator[None]:
        try:
            yield
        except (OSError, termios.error) as error:
            code = error.args[0] if error.args and isinstance(error.args[0], int) else None
            what = str(error).splitlines()[0] if code is None else os.strerror(code)
            hint = _HINTS.get(code, "unplugged, or taken by another program?")
            raise PortLostError(f"{self._line.port}: {what}; {hint}") from error
