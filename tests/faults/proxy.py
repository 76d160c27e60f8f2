"""A network between two ends on loopback: slow, cut, broken off now and then, or losing what it confirms."""

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
                self._pass(piece, source, drain)
        for end in (source, drain):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _pass(self, piece, _source, drain):
        drain.sendall(piece)


class Lossy(Network):
    """Confirms to its sender each publication whose topic holds one of `drops` (MQTT 5), and loses it."""

    def __init__(self, target):
        super().__init__(target)
        self.drops = ()
        self.dropped = 0
        self._begun = {}

    def _pass(self, piece, source, drain):
        begun = self._begun.pop(source, b"") + piece
        while packet := _whole(begun):
            begun = begun[len(packet) :]
            if self._is_lost(packet):
                self.dropped += 1
                source.sendall(b"\x40\x02" + _number(packet))
            else:
                drain.sendall(packet)
        self._begun[source] = begun

    def _is_lost(self, packet):
        publication = packet[0] & 0xF6 == 0x32  # QoS 1
        return publication and any(part in _topic(packet) for part in self.drops)


def _whole(data):
    """Return the first packet of a stream, empty while it is not whole (MQTT 5, 2.1)."""
    length = 0
    for at, byte in enumerate(data[1:5]):
        length |= (byte & 0x7F) << (7 * at)
        if not byte & 0x80:
            end = at + 2 + length
            return data[:end] if len(data) >= end else b""
    return b""


def _topic(packet):
    body = packet[1:].lstrip(bytes(range(0x80, 0x100)))[1:]
    return body[2 : 2 + int.from_bytes(body[:2], "big")]


def _number(packet):
    body = packet[1:].lstrip(bytes(range(0x80, 0x100)))[1:]
    begin = 2 + int.from_bytes(body[:2], "big")
    return body[begin : begin + 2]
