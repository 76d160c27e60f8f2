"""A network between two ends on loopback: slow, cut, or broken off now and then."""

import socket
import threading
import time
from contextlib import suppress

from tests.rigs.parts.mosquitto import free_port


class Network:
    """Carries connections to `target`; `delay_s` before each piece, `cut` holds everything back."""

    def __init__(self, target):
        self.port = free_port()
        self.delay_s = 0.0
        self.cut = False
        self.target = target
        self._pairs = []
        self._ended = threading.Event()
        self._server = socket.create_server(("127.0.0.1", self.port))
        self._server.settimeout(0.1)
        self._thread = threading.Thread(target=self._accept)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ended.set()
        self.break_off()
        self._thread.join()
        self._server.close()

    def break_off(self):
        """Break every connection off."""
        for pair in list(self._pairs):
            for end in pair:
                with suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def _accept(self):
        carriers = []
        while not self._ended.is_set():
            try:
                ours, _ = self._server.accept()
            except TimeoutError:
                continue
            try:
                theirs = socket.create_connection(("127.0.0.1", self.target), timeout=5)
            except OSError:
                ours.close()
                continue
            self._pairs.append((ours, theirs))
            for source, drain in ((ours, theirs), (theirs, ours)):
                carriers.append(threading.Thread(target=self._carry, args=(source, drain)))
                carriers[-1].start()
        for carrier in carriers:
            carrier.join()

    def _carry(self, source, drain):
        with suppress(OSError):
            source.settimeout(0.2)
            while not self._ended.is_set():
                try:
                    piece = source.recv(65_536)
                except TimeoutError:
                    continue
                if not piece:
                    break
                while self.cut and not self._ended.is_set():
                    time.sleep(0.02)
                time.sleep(self.delay_s)
                drain.sendall(piece)
        for end in (source, drain):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
