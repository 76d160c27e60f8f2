"""A TCP connection to a gateway that has a line of probes behind it."""

import os
import select
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from drivers.errors import PortLostError
from drivers.ports.serial_port import GULP_BYTES

_CONNECT_S = 3.0
_WRITE_S = 1.0
# What we sent and nobody confirmed for so long ends a connection: a gateway without power says no goodbye.
_DEAD_AFTER_MS = 10_000
# Where we only listen, the system asks after so long a silence whether the other end is still there.
_STILL_S, _ASK_EVERY_S = 10, 5
# A gateway that forgot this connection and holds it open all the same may serve another one.
_ASKED_IN_VAIN = 5


@dataclass(frozen=True, slots=True)
class TcpWay:
    """The address of a gateway."""

    host: str
    port: int

    @property
    def name(self) -> str:
        """The gateway in a message."""
        return f"gateway {self.host}:{self.port}"

    def open(self) -> "TcpPort":
        """Connect; PortLostError says why not."""
        with _connection_errors(self.name, "is it on, and are host and port right?"):
            connection = socket.create_connection((self.host, self.port), _CONNECT_S)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _DEAD_AFTER_MS)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _STILL_S)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, _ASK_EVERY_S)
            connection.settimeout(_WRITE_S)
        return TcpPort(connection, self.name)


class TcpPort:
    """An open connection."""

    def __init__(self, connection: socket.socket, name: str) -> None:
        self._connection, self._name = connection, name
        self._in_vain = 0

    def write(self, data: bytes) -> None:
        """Send bytes; PortLostError also where nothing at all came back for the last five times."""
        if self._in_vain == _ASKED_IN_VAIN:
            raise PortLostError(f"{self._name}: nothing comes back on this connection; it is made anew")
        self._in_vain += 1
        with _connection_errors(self._name, "connection lost"):
            self._connection.sendall(data)

    def receive(self, until_s: float) -> bytes:
        """Return what is there, or else what comes first until then."""
        with _connection_errors(self._name, "connection lost"):
            if not select.select([self._connection], [], [], max(until_s - time.monotonic(), 0))[0]:
                return b""
            data = self._connection.recv(GULP_BYTES)
        self._in_vain = 0
        if not data:
            raise PortLostError(f"{self._name} closes the connection; does it serve another master?")
        return data

    def wake(self) -> None:
        """Leave the break before an SDI-12 command to the gateway."""

    def close(self) -> None:
        """Let go of the connection."""
        self._connection.close()


@contextmanager
def _connection_errors(name: str, hint: str) -> Iterator[None]:
    try:
        yield
    except (OSError, UnicodeError) as error:  # a name that none can be is no OSError
        code = getattr(error, "errno", None) or 0
        why = os.strerror(code) if code > 0 else str(error)
        raise PortLostError(f"{name}: {why}; {hint}") from error
