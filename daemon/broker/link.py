"""The link to the broker: alarms go out in order, at least once, and are marked when confirmed.

MQTT 5, since only there does the confirmation of a publication say why it was refused.
"""

import queue
import sys
from contextlib import suppress
from socket import SHUT_RDWR
from socket import socket as Socket  # noqa: N812 - a class with a small letter

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.client import ConnectFlags, DisconnectFlags
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daemon.broker.client import KEEP_ALIVE_S, LinkWords, broker_client
from daemon.broker.messages import heartbeat_message, watch_message
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.settings.rack import BrokerSettings
from drivers.readings import Clock

log = structlog.get_logger()

IN_FLIGHT_AT_MOST = 20
RETRY_REFUSED_MS = 60_000
GOODBYE_S = 3.0


class BrokerLink:
    """Publishes the journal's outbox; every method is for the thread of the watch.

    `connections` counts how often a broker has let us in.

    paho's own thread only reports: confirmations wait in a queue until `deliver` marks them.
    """

    def __init__(self, broker: BrokerSettings, topic: str, clock: Clock) -> None:
        self._topic = topic
        self._clock = clock
        self._heartbeat_ms = round(broker.heartbeat_s * 1000)
        self._heartbeat_due_ms = clock.now_ms()
        self._retry_due_ms = clock.now_ms() + RETRY_REFUSED_MS
        self._published_up_to = 0
        self._in_flight: dict[int, int] = {}
        self._confirmed: queue.SimpleQueue[tuple[int, ReasonCode]] = queue.SimpleQueue()
        self._where = f"{broker.host}:{broker.port}"
        self._words = LinkWords(broker)
        self.connections = 0
        self._client = self._connecting(broker)

    def _connecting(self, broker: BrokerSettings) -> mqtt.Client:
        client = broker_client(broker)
        gone = watch_message(self._topic, "gone", self._clock.now_ms())
        client.will_set(gone.topic, gone.payload, qos=1, retain=True)
        client.max_inflight_messages_set(IN_FLIGHT_AT_MOST)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.connect_async(broker.host, broker.port, keepalive=KEEP_ALIVE_S)
        client.loop_start()
        return client

    @property
    def connected(self) -> bool:
        """Return whether the broker has let us in."""
        return self._client.is_connected()

    def deliver(self, journal: Journal) -> None:
        """Mark what was confirmed, and publish what waits."""
        self._mark(journal)
        if not self.connected:
            return
        now_ms = self._clock.now_ms()
        if now_ms >= self._retry_due_ms and not self._in_flight:
            # Everything that waits once more from the oldest on, so that it comes in order again.
            self._retry_due_ms = now_ms + RETRY_REFUSED_MS
            self._published_up_to = 0
        room = IN_FLIGHT_AT_MOST - len(self._in_flight)
        for waiting in journal.outbox.waiting(self._published_up_to, room):
            self._in_flight[self._send(waiting.message, qos=1)] = waiting.id
            self._published_up_to = waiting.id

    def _send(self, message: Message, qos: int) -> int:
        return self._client.publish(message.topic, message.payload, qos=qos, retain=message.retain).mid

    def _mark(self, journal: Journal) -> None:
        confirmed: list[tuple[int, ReasonCode]] = []
        while not self._confirmed.empty():
            confirmed.append(self._confirmed.get())
        ours = [(key, reason) for mid, reason in confirmed if (key := self._in_flight.pop(mid, None))]
        if not ours:
            return
        with journal.transaction():
            for key, reason in ours:
                if reason.is_failure:
                    journal.outbox.mark_refused(key, str(reason))
                    log.error("broker_refuses", message=key, reason=str(reason), broker=self._where)
                else:
                    journal.outbox.mark_delivered(key, self._clock.now_ms())

    def heartbeat(self, last_seq: int, alarms: int) -> None:
        """Give a sign of life when one is due."""
        now_ms = self._clock.now_ms()
        if now_ms >= self._heartbeat_due_ms and self.connected:
            self._heartbeat_due_ms = now_ms + self._heartbeat_ms
            self._send(heartbeat_message(self._topic, now_ms, last_seq, alarms), qos=0)

    def stop(self) -> None:
        """Say that the watch was stopped on purpose, and leave."""
        if self.connected:
            said = self._client.publish(
                *_parts(watch_message(self._topic, "stopped", self._clock.now_ms())), qos=1, retain=True
            )
            with suppress(RuntimeError):  # the broker left first
                said.wait_for_publish(GOODBYE_S)
        self._client.disconnect()
        self._client.loop_stop()

    def break_off(self) -> None:
        """Leave without a word, so that the broker says "gone" for us (the last will)."""
        socket = self._client.socket()
        if isinstance(socket, Socket):  # TLS sockets are sockets too
            with suppress(OSError):  # it is gone already
                # Before the loop stops: with messages under way it would wait for a broker that hangs.
                socket.shutdown(SHUT_RDWR)
        self._client.loop_stop()

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._words.change("broker_refuses_connection", str(reason))
            return
        self._words.change("broker_connected")
        self.connections += 1
        client.publish(
            *_parts(watch_message(self._topic, "watching", self._clock.now_ms())), qos=1, retain=True
        )

    def _on_connect_fail(self, _client: mqtt.Client, _data: object) -> None:
        reason = sys.exc_info()[1]  # paho calls this where it has caught the error, and does not pass it on
        self._words.change("broker_unreachable", f"{reason}; alarms wait in the journal")

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: object,
        _flags: DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._words.lost(str(reason))

    def _on_publish(
        self, _client: mqtt.Client, _data: object, mid: int, reason: ReasonCode, _properties: Properties
    ) -> None:
        self._confirmed.put((mid, reason))


def _parts(message: Message) -> tuple[str, str]:
    return message.topic, message.payload
