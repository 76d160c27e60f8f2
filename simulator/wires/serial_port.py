"""A pseudo-terminal that a master opens like a serial port, with one thread that answers.

A frame is what stands between two silences of 3.5 characters, as on a real line.
"""

import contextlib
import os
import select
import termios
import threading
import tty
from collections.abc import Callable
from pathlib import Path

from simulator.errors import WireError

BITS_PER_CHARACTER = 11  # Modbus RTU: start, 8 data, parity or second stop, stop
FAST_SILENCE_S = 0.00175  # fixed above 19200 baud by the serial line specification (from memory)
FAST_BAUD = 19200


def silence_s(baud: int) -> float:
    """How long the line must be quiet before what came is taken as a frame."""
    return FAST_SILENCE_S if baud > FAST_BAUD else 3.5 * BITS_PER_CHARACTER / baud


class SerialPort:
    """Carries frames between a master on the pseudo-terminal and `reply`, which may return nothing."""

    def __init__(self, link: Path, reply: Callable[[bytes], bytes], baud: int, reply_delay_s: float) -> None:
        self.link = link
        self._reply = reply
        self._silence_s = silence_s(baud)
        self._delay_s = reply_delay_s
        self._thread: threading.Thread | None = None

    def plug(self) -> None:
        """Makes the pseudo-terminal, lays the link to it and starts to answer."""
        # The slave's end stays open here too: else the master's end reports a hang-up
        # whenever nobody has the port open, and waiting on it would spin.
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        try:
            self.link.unlink(missing_ok=True)
            self.link.symlink_to(os.ttyname(self._slave))
        except OSError as error:
            os.close(self._master)
            os.close(self._slave)
            raise WireError(f"{self.link}: cannot lay the link to the port: {error.strerror}") from error
        os.set_blocking(self._master, False)
        self._stop = threading.Event()
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="serial-port", daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Takes the link away and hangs up, as when the adapter is pulled; nothing if it is out already."""
        if self._thread is None:
            return
        self.link.unlink(missing_ok=True)
        self._stop.set()
        os.write(self._wake_write, b".")
        self._thread.join()
        self._thread = None
        for descriptor in (self._master, self._slave, self._wake_read, self._wake_write):
            os.close(descriptor)

    def _serve(self) -> None:
        heard = b""
        while not self._stop.is_set():
            # With part of a frame in hand wait for the silence that ends it, else for ever.
            timeout = self._silence_s if heard else None
            ready, _, _ = select.select([self._master, self._wake_read], [], [], timeout)
            if self._master in ready:
                heard = (heard + os.read(self._master, 4096))[-4096:]
            elif not ready:
                self._answer(heard)
                heard = b""

    def _answer(self, frame: bytes) -> None:
        answer = self._reply(frame)
        if answer and not self._stop.wait(self._delay_s):
            # Replies that nobody fetches fill the line's buffer; what no longer fits is lost, as on a wire.
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, answer)
