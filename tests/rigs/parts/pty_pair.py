"""Real pseudo-terminals that stand for serial lines: a peer made of bytes, and pymodbus as a peer."""

import asyncio
import contextlib
import os
import pty
import select
import struct
import threading
import time
import tty
from pathlib import Path

from pymodbus.framer import FramerRTU
from pymodbus.server import ModbusSerialServer

PATIENCE_S = 20.0


def answer_frame(unit_id, function, *words):
    """Return the answer with these registers, closed by pymodbus's own CRC."""
    body = struct.pack(f">BBB{len(words)}H", unit_id, function, 2 * len(words), *words)
    return body + struct.pack(">H", FramerRTU.compute_CRC(body))


class PtyLine:
    """A pseudo-terminal whose slave is found at `path`, a link that survives unplugging."""

    def __init__(self, path: Path):
        self.path = path
        self.plug()

    def plug(self):
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._slave))

    def unplug(self):
        self.path.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self.master)


class Peer:
    """Answers what arrives on a line: `answer(request)` returns bytes to send, or None for silence.

    It knows that a read request is 8 bytes long and nothing else of the protocol.
    """

    REQUEST_BYTES = 8

    def __init__(self, line: PtyLine, answer):
        self.line = line
        self.requests = []
        self.gaps_s = []
        self._answer = answer
        self._stop_read, self._stop_write = os.pipe()
        self._late = []
        self._thread = threading.Thread(target=self._serve, name="peer")

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *exc):
        os.write(self._stop_write, b"x")
        self._thread.join(PATIENCE_S)
        for timer in self._late:
            timer.join(PATIENCE_S)
        assert not self._thread.is_alive()
        os.close(self._stop_read)
        os.close(self._stop_write)

    def send_after(self, delay_s, data):
        """Send bytes later, as a slow probe does."""
        timer = threading.Timer(delay_s, os.write, (self.line.master, data))
        self._late.append(timer)
        timer.start()

    def _serve(self):
        pending, answered = b"", None
        while True:
            ready, _, _ = select.select([self.line.master, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            pending += os.read(self.line.master, 1024)
            if answered is not None:
                self.gaps_s.append(time.monotonic() - answered)
            while len(pending) >= self.REQUEST_BYTES:
                request, pending = pending[: self.REQUEST_BYTES], pending[self.REQUEST_BYTES :]
                self.requests.append(request)
                if reply := self._answer(request):
                    answered = time.monotonic()
                    os.write(self.line.master, reply)


class Bridge:
    """Carries bytes between the masters of two pseudo-terminals, so that both ends are serial ports."""

    def __init__(self, a: PtyLine, b: PtyLine):
        self._ends = {a.master: b.master, b.master: a.master}
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._carry, name="bridge")

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *exc):
        os.write(self._stop_write, b"x")
        self._thread.join(PATIENCE_S)
        os.close(self._stop_read)
        os.close(self._stop_write)

    def _carry(self):
        while True:
            ready, _, _ = select.select([*self._ends, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            for end in ready:
                os.write(self._ends[end], os.read(end, 1024))


@contextlib.contextmanager
def pymodbus_line(folder: Path, devices, baud=19200):
    """A line at the far end of which pymodbus serves `devices`; gives the path of our end."""
    ours, theirs = PtyLine(folder / "ours"), PtyLine(folder / "theirs")
    ready = threading.Event()
    ends = []

    async def serve():
        server = ModbusSerialServer(
            devices, port=str(theirs.path), baudrate=baud, ignore_missing_devices=True
        )
        ends.append((asyncio.get_running_loop(), server))
        await server.serve_forever(background=True)
        ready.set()
        await server.serving

    thread = threading.Thread(target=lambda: asyncio.run(serve()), name="pymodbus")
    thread.start()
    try:
        assert ready.wait(PATIENCE_S), "pymodbus did not open its port"
        with Bridge(ours, theirs):
            yield ours.path
    finally:
        if ends:
            loop, server = ends[0]
            asyncio.run_coroutine_threadsafe(server.shutdown(), loop).result(PATIENCE_S)
        thread.join(PATIENCE_S)
        ours.unplug()
        theirs.unplug()
