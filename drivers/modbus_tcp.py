"""Modbus behind a gateway: Modbus TCP, whose frames are numbered, and RTU frames over a TCP connection.

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (the header: transaction, protocol 0,
length, unit).
"""

import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Self

from drivers.errors import PortLostError
from drivers.modbus import with_crc
from drivers.ports.serial_port import GULP_BYTES
from drivers.ports.tcp_port import TcpWay
from drivers.rtu_wire import RtuWire

HEADER_BYTES = 6
# Unit, function and at least one byte; MODBUS Application Protocol V1.1b3, 4.1: a PDU has 253 bytes at most.
BODY_BYTES = range(3, 255)
_NUMBERS = 0x10000
_SETTLED_S = 0.05


@dataclass(frozen=True, slots=True)
class GatewayLine:
    """A gateway and how to speak with it: "tcp" frames, or those of the serial line ("rtu").

    `timeout_ms` is the time until an answer is here, that on the wire behind the gateway included.
    """

    host: str
    tcp_port: int = 502
    frames: str = "tcp"
    timeout_ms: int = 2000
    retries: int = 2

    @property
    def port(self) -> str:
        """The gateway in a message."""
        return TcpWay(self.host, self.tcp_port).name

    @property
    def look_at(self) -> str:
        """What to look at when a probe does not answer."""
        return (
            "check power and wiring behind the gateway, unit_id, the gateway's own time-out, and frames "
            f'(now "{self.frames}")'
        )

    def open(self) -> "RtuWire | NumberedWire":
        """Connect."""
        way = TcpWay(self.host, self.tcp_port)
        return RtuWire(way, self.timeout_ms) if self.frames == "rtu" else NumberedWire(way, self.timeout_ms)


def numbered(number: int, body: bytes) -> bytes:
    """Return a Modbus TCP frame; `body` is the unit and what is asked of it."""
    return struct.pack(">HHH", number, 0, len(body)) + body


def next_frame(data: bytes) -> tuple[int, bytes, bytes] | None:
    """Return number and body of the first frame, and the bytes behind it; None until it is whole.

    Raises PortLostError where no frame can begin: in a stream nobody can find the next one.
    """
    if len(data) < HEADER_BYTES:
        return None
    number, protocol, size = struct.unpack(">HHH", data[:HEADER_BYTES])
    if protocol or size not in BODY_BYTES:
        raise PortLostError(
            'what the gateway sends is not Modbus TCP; does it want frames = "rtu", or is its port another?',
            data,
        )
    end = HEADER_BYTES + size
    return None if len(data) < end else (number, data[HEADER_BYTES:end], data[end:])


class NumberedWire:
    """A connection of numbered frames, seen from above as a line of RTU frames.

    Only a frame with the number of the question is its answer. All others are held back until somebody
    listens between two questions, so that none is taken for the answer to a later one.
    """

    def __init__(self, way: TcpWay, timeout_ms: int) -> None:
        self._name, self._timeout_s = way.name, timeout_ms / 1000
        self._port = way.open()
        self._number = 0
        self._begun = self._others = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self._port.close()

    def pause(self) -> None:
        """Numbered frames need no silence between them."""

    def hear(self) -> bytes:
        """Return what has come unasked, or for an earlier question."""
        heard = self._receive(time.monotonic(), None)
        heard, self._others = self._others + heard, b""
        return heard

    def ask(
        self, request: bytes, _answer_bytes: int, is_whole: Callable[[bytes], bool]
    ) -> tuple[bytes, float]:
        """Send a request; return its answer, empty after the time-out, and the seconds until then.

        PortLostError where a frame was begun before and is not over: what comes is counted as its bytes.
        """
        self._number = (self._number + 1) % _NUMBERS
        start, answer, in_step = time.monotonic(), b"", not self._begun
        self._port.write(numbered(self._number, request[:-2]))
        until_s = start + self._timeout_s
        while not is_whole(answer) and len(answer) < GULP_BYTES and time.monotonic() < until_s:
            answer += self._receive(until_s, self._number)
            in_step |= not self._begun
        if not (answer or in_step):
            text = f"{self._name}: a frame that it sends never ends; the connection is made anew"
            raise PortLostError(text, self._begun)
        return answer, time.monotonic() - start

    def settle(self) -> tuple[bytes, bool]:
        """Let the gateway go on; return what came with it, and that no silence need be waited for."""
        return self._receive(time.monotonic() + _SETTLED_S, None), True

    def _receive(self, until_s: float, number: int | None) -> bytes:
        """Return what comes of the frame of that number; keep the others. Without a number all are others."""
        self._begun += self._port.receive(until_s)
        answer = b""
        try:
            while found := next_frame(self._begun):
                its_number, body, self._begun = found
                if its_number == number:
                    answer += with_crc(body)
                else:
                    self._others += with_crc(body)
        except PortLostError as lost:
            raise PortLostError(f"{self._name}: {lost}", lost.raw) from None
        if len(self._others) > GULP_BYTES:
            raise PortLostError(f"{self._name}: it sends far more than it is asked for", self._others)
        return answer
