"""Gateways on real sockets: pymodbus with its probes, and a peer made of bytes."""

import asyncio
import contextlib
import socket
import threading

from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer

from tests.rigs.parts.mosquitto import free_port

PATIENCE_S = 20.0


@contextlib.contextmanager
def pymodbus_gateway(devices, framer=FramerType.SOCKET, port=None):
    """A server of pymodbus on this machine; gives its port."""
    port = port or free_port()
    ready, ends = threading.Event(), []

    async def serve():
        server = ModbusTcpServer(
            devices, framer=framer, address=("127.0.0.1", port), ignore_missing_devices=True
        )
        ends.append((asyncio.get_running_loop(), server))
        await server.serve_forever(background=True)
        ready.set()
        await server.serving

    thread = threading.Thread(target=lambda: asyncio.run(serve()), name="pymodbus")
    thread.start()
    try:
        assert ready.wait(PATIENCE_S), "pymodbus did not open its port"
        yield port
    finally:
        if ends:
            loop, server = ends[0]
            asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(PATIENCE_S)
        thread.join(PATIENCE_S)


class TcpPeer:
    """Serves one connection after the other: `body(connection)` does as it likes with each."""

    def __init__(self, body):
        self._body = body
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self.port = self._listener.getsockname()[1]
        self.connections = 0
        self.over = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="gateway")

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *exc):
        self.over.set()
        self._thread.join(PATIENCE_S)
        self._listener.close()
        assert not self._thread.is_alive()

    def _serve(self):
        while not self.over.is_set():
            try:
                connection, _ = self._listener.accept()
            except TimeoutError:
                continue
            self.connections += 1
            connection.settimeout(0.1)
            with connection, contextlib.suppress(OSError):
                self._body(connection)


def requests(connection, over):
    """Yield what a client sends until it hangs up."""
    while not over.is_set():
        try:
            data = connection.recv(1024)
        except TimeoutError:
            continue
        if not data:
            return
        yield data
