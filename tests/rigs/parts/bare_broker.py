"""A broker of a few lines that checks nothing: mosquitto keeps from its clients what is ill-formed.

Layouts: MQTT 5.0, 2.1 (packets), 3.2, 3.3, 3.9; packets of less than 128 bytes.
"""

import struct

from tests.rigs.parts.gateway import TcpPeer, requests


def frame(kind, body):
    """A packet of this first byte."""
    return bytes([kind, len(body)]) + body


def published(topic, payload, number):
    """A publication at QoS 1; the topic is bytes that need be no text."""
    return frame(0x32, struct.pack(">H", len(topic)) + topic + struct.pack(">HB", number, 0) + payload)


def granted(number, count):
    """The answer to a subscription to so many topics."""
    return struct.pack(">HB", number, 0) + bytes([1] * count)


class BareBroker(TcpPeer):
    """Answers each subscription by `answer(number, count)`, and then publishes; `heard` is all that came."""

    host = "127.0.0.1"

    def __init__(self, answer=granted, publishes=()):
        super().__init__(self._broker)
        self._answer, self._publishes, self.heard = answer, publishes, b""

    def _broker(self, connection):
        for data in requests(connection, self.over):
            self.heard += data
            if data[0] == 0x10:
                connection.sendall(frame(0x20, b"\0\0\0"))
            elif data[0] == 0x82:
                number, count = struct.unpack(">H", data[2:4])[0], data.count(b"\x01", 5)
                connection.sendall(b"".join((frame(0x90, self._answer(number, count)), *self._publishes)))
