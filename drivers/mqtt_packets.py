"""Which packets of an MQTT session are open: taken in, and not confirmed to the broker yet.

MQTT 5.0, 4.3.2 and 4.4: a broker sends an unconfirmed packet again, under the same number and marked as
a duplicate, after each new connection of the session. Bytes and numbers only.
"""

import queue
from dataclasses import dataclass

import paho.mqtt.client as mqtt


@dataclass(slots=True)
class Packet:
    """One publication as the broker numbers it."""

    number: int
    is_committed: bool = False


def topic_of(message: mqtt.MQTTMessage) -> str:
    """Return a message's topic; empty where it is none, as a broker that checks nothing hands on."""
    try:
        return message.topic
    except UnicodeDecodeError:
        return ""


class Packets:
    """Tells repeats, and says what may be confirmed over the connection that is; `commit` from any thread."""

    def __init__(self) -> None:
        self._known: dict[int, Packet] = {}
        self._sent_here: dict[int, Packet] = {}
        self._committed: queue.SimpleQueue[Packet] = queue.SimpleQueue()

    def connected(self, session_kept: bool) -> None:
        """Begin with a new connection; nothing can be confirmed over it that did not come over it."""
        self._sent_here.clear()
        if not session_kept:
            self._known.clear()

    def arrived(self, number: int, duplicate: bool) -> Packet | None:
        """Note what the broker sent; return it where it is new, None for a repeat."""
        known = self._known.get(number) if duplicate else None
        packet = self._sent_here[number] = self._known[number] = known or Packet(number)
        if known is None:
            return packet
        if known.is_committed:
            self._committed.put(known)
        return None

    def commit(self, packet: Packet) -> None:
        """Say that what the packet held is safe."""
        packet.is_committed = True
        self._committed.put(packet)

    def confirmable(self) -> list[int]:
        """Return the numbers to confirm to the broker now, each once.

        They stay known: a confirmation can be lost with its connection, and the packet then comes again.
        """
        numbers = []
        while not self._committed.empty():
            packet = self._committed.get_nowait()
            if self._sent_here.get(packet.number) is packet:
                del self._sent_here[packet.number]
                numbers.append(packet.number)
        return numbers
