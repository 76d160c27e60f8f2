"""One open serial line: frames out, frames in, and the silences that Modbus RTU asks for in between."""

import errno
import os
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import serial

from drivers.errors import GarbledAnswerError, NoAnswerError, PortLostError, SetupError
from drivers.modbus import EXCEPTION_BIT, EXCEPTION_FRAME_BYTES, silence_s, wire_time_s

_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_WRITE_TIMEOUT_S = 1.0
_BABBLE_TIMEOUTS = 10
_HINTS: dict[int | None, str] = {
    errno.ENOENT: "is the adapter plugged in, and the port's name right?",
    errno.EACCES: "the user that runs this must be in the group that owns the port (often dialout)",
    errno.EAGAIN: "another program has it open",
    errno.EBUSY: "another program has it open",
}


@dataclass(frozen=True, slots=True)
class SerialLine:
    """A serial port and how to speak on it.

    `timeout_ms` is the time a probe may think; the time that the bytes need on the wire is added.
    """

    port: str
    baud: int = 9600
    parity: str = "none"
    stop_bits: int = 1
    timeout_ms: int = 300
    retries: int = 2

    def __post_init__(self) -> None:
        if self.parity not in _PARITIES:
            raise SetupError(f"{self.port}: parity {self.parity!r}; it must be one of {', '.join(_PARITIES)}")
        if self.stop_bits not in (1, 2):
            raise SetupError(f"{self.port}: stop_bits {self.stop_bits}; it must be 1 or 2")
        if self.baud <= 0 or self.timeout_ms <= 0 or self.retries < 0:
            raise SetupError(f"{self.port}: baud and timeout_ms must be above 0, retries not below 0")


class RtuWire:
    """An open port. RTU answers carry no number that ties them to a request, so after a failure the
    line must stay quiet for one more timeout before anything else is asked: whatever comes late
    belongs to nobody.
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
        self.distrust()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._port.close()

    def ask(self, request: bytes, answer_bytes: int) -> bytes:
        """Send a request and return what comes back, at most `answer_bytes` long.

        Raises NoAnswerError when nothing comes, PortLostError when the port is gone, and
        GarbledAnswerError when the line never falls silent.
        """
        with self._port_errors():
            self._settle()
            self._port.reset_input_buffer()
            self._port.write(request)
            on_wire_s = wire_time_s(len(request) + answer_bytes, self._line.baud)
            deadline = time.monotonic() + on_wire_s + self._line.timeout_ms / 1000
            frame = self._read(EXCEPTION_FRAME_BYTES, deadline)
            if len(frame) == EXCEPTION_FRAME_BYTES and not frame[1] & EXCEPTION_BIT:
                frame += self._read(answer_bytes - EXCEPTION_FRAME_BYTES, deadline)
        self._rest(self._silence_s)
        if not frame:
            raise NoAnswerError(
                f"no answer within {self._line.timeout_ms} ms; check power, wiring (A and B swapped?), "
                "unit_id, baud and parity"
            )
        return frame

    def distrust(self) -> None:
        """After a failed answer: what arrives within one more timeout is late and is thrown away."""
        self._rest(max(self._silence_s, self._line.timeout_ms / 1000))

    def _rest(self, quiet_s: float) -> None:
        self._quiet_s = quiet_s
        self._quiet_until = time.monotonic() + quiet_s

    def _settle(self) -> None:
        """Wait until the line has been quiet for as long as the last exchange asks."""
        patience = time.monotonic() + _BABBLE_TIMEOUTS * self._line.timeout_ms / 1000
        while time.monotonic() < self._quiet_until:
            if late := self._read(1, self._quiet_until):
                self._quiet_until = time.monotonic() + self._quiet_s
                if time.monotonic() > patience:
                    raise GarbledAnswerError(
                        "the line never falls silent; is another master or a chattering adapter on it?", late
                    )

    def _read(self, size: int, deadline: float) -> bytes:
        self._port.timeout = max(deadline - time.monotonic(), 0)
        return self._port.read(size)

    @contextmanager
    def _port_errors(self) -> Iterator[None]:
        try:
            yield
        except (OSError, termios.error) as error:
            code = error.args[0] if error.args and isinstance(error.args[0], int) else None
            what = str(error).splitlines()[0] if code is None else os.strerror(code)
            hint = _HINTS.get(code, "unplugged, or taken by another program?")
            raise PortLostError(f"{self._line.port}: {what}; {hint}") from error
