"""One open line of Modbus RTU frames: frames out, frames in, and the silences asked for in between."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Self

from drivers.errors import SetupError
from drivers.modbus import silence_s, wire_time_s
from drivers.ports.kept import Port, Way
from drivers.ports.serial_port import GULP_BYTES, SerialWay

# A slave that sends its bytes one by one leaves gaps of about so long. Common practice, no source.
_SETTLED_S = 0.05


@dataclass(frozen=True)
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

    look_at = "check power, wiring (A and B swapped?), unit_id, baud and parity"

    def __post_init__(self) -> None:
        if self.timeout_ms <= 0 or self.retries < 0:
            raise SetupError(f"{self.port}: timeout_ms must be above 0, retries not below 0")
        _ = self._way

    @cached_property
    def _way(self) -> SerialWay:
        return SerialWay(self.port, self.baud, self.parity, self.stop_bits)

    def open(self) -> "RtuWire":
        """Open the port."""
        return RtuWire(self._way, self.timeout_ms, self.baud)


class RtuWire:
    """An open port. RTU answers carry no number that ties them to a question, so nothing that comes
    outside of an exchange is taken for an answer: `ask` and `hear` hand it all to their caller.

    Without `baud` the port has no wire of its own, and bytes take no time on it.
    """

    def __init__(self, way: Way, timeout_ms: int, baud: int | None = None) -> None:
        self._baud, self._timeout_s = baud, timeout_ms / 1000
        self._silence_s = silence_s(baud) if baud else 0.0
        self._port: Port = way.open()
        self._quiet_until = time.monotonic() + self._timeout_s

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self._port.close()

    def hear(self) -> bytes:
        """Return what has come unasked."""
        return self._receive(time.monotonic())

    def pause(self) -> None:
        """Keep the silence between two frames; one time-out after opening."""
        time.sleep(max(self._quiet_until - time.monotonic(), 0))

    def ask(
        self, request: bytes, answer_bytes: int, is_whole: Callable[[bytes], bool]
    ) -> tuple[bytes, float]:
        """Send a request; return what comes until `is_whole` or the time-out, and the seconds of thinking."""
        data = b""
        start = time.monotonic()
        self._port.write(request)
        on_wire_s = wire_time_s(len(request) + answer_bytes, self._baud) if self._baud else 0.0
        deadline = start + on_wire_s + self._timeout_s
        while not is_whole(data) and len(data) < GULP_BYTES and (more := self._receive(deadline)):
            data += more
        return data, max(time.monotonic() - start - on_wire_s, 0)

    def settle(self) -> tuple[bytes, bool]:
        """Wait until the line falls silent; return what came meanwhile, and whether it is silent."""
        heard, patience = b"", time.monotonic() + self._timeout_s
        while more := self._receive(time.monotonic() + max(self._silence_s, _SETTLED_S)):
            heard += more
            if time.monotonic() > patience or len(heard) > GULP_BYTES:
                return heard, False
        return heard, True

    def _receive(self, deadline: float) -> bytes:
        data = self._port.receive(deadline)
        if data:
            self._quiet_until = time.monotonic() + self._silence_s
        return data
