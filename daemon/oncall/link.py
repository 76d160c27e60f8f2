"""The on-call process's link to the broker: hears every rack, and misses nothing while it is away.

The session is kept by the broker for a month, so events that are published while this process is
down come afterwards; a message is confirmed only once what it caused is committed. Should the
broker lose its sessions, the retained alarm topics tell what stands.
"""

import json
import queue
from contextlib import suppress
from dataclasses import dataclass

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon.broker.client import KEEP_ALIVE_S, LinkWords, broker_client
from daemon.oncall.store import Passed
from daemon.settings.rack import BrokerSettings
from daemon.words import iso_time

log = structlog.get_logger()

SESSION_S = 30 * 86_400
RECEIVED_AT_MOST = 200


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message as it came; `connection` numbers the connection that it came over."""

    topic: str
    payload: bytes
    kept: bool
    message_id: int
    qos: int
    connection: int


@dataclass(frozen=True, slots=True)
class LinkIs:
    """The broker is reached and listens to us (`up`), or no longer."""

    up: bool


class OnCallLink:
    """Subscribes to every rack below `root`; all but the callbacks is for the thread of the process.

    `name` is that of the session at the broker: no two processes may share it.
    """

    def __init__(self, broker: BrokerSettings, name: str, *, answers: bool) -> None:
        self.root = broker.topic_root
        self._answer_topic = f"answer/{name}"
        topics = ["+/event", "+/alarm/#", "+/watch", "+/heartbeat", "+/notice"]
        topics += [f"+/{self._answer_topic}"] if answers else []
        self._topics = [f"{self.root}/{topic}" for topic in topics]
        self._arrivals: queue.SimpleQueue[Arrival | LinkIs] = queue.SimpleQueue()
        self._connection = 0
        self._words = LinkWords(broker)
        self._client = self._connecting(broker, name)

    def _connecting(self, broker: BrokerSettings, name: str) -> mqtt.Client:
        client = broker_client(broker, f"bellwatch-oncall-{name}", manual_ack=True)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        session.SessionExpiryInterval = SESSION_S
        session.ReceiveMaximum = RECEIVED_AT_MOST
        client.connect_async(
            broker.host, broker.port, keepalive=KEEP_ALIVE_S, clean_start=False, properties=session
        )
        client.loop_start()
        return client

    def take(self) -> list[Arrival | LinkIs]:
        """Return what has come since the last time, in order."""
        taken: list[Arrival | LinkIs] = []
        with suppress(queue.Empty):
            while len(taken) < RECEIVED_AT_MOST:
                taken.append(self._arrivals.get_nowait())
        return taken

    def confirm(self, arrivals: list[Arrival | LinkIs]) -> None:
        """Tell the broker that messages need not come again; over a newer connection they do."""
        for arrival in arrivals:
            if isinstance(arrival, Arrival) and arrival.qos and arrival.connection == self._connection:
                self._client.ack(arrival.message_id, arrival.qos)

    def acknowledge(self, passed: Passed, now_ms: int) -> None:
        """Ask a rack to acknowledge an alarm, and to answer where we hear it."""
        body = {
            "id": passed.id,
            "kind": "acknowledge",
            "who": passed.who,
            "issued_at": iso_time(now_ms),
            "body": {"alarm": passed.alarm},
        }
        answering = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        answering.ResponseTopic = f"{self.root}/{passed.rack}/{self._answer_topic}"
        self._client.publish(
            f"{self.root}/{passed.rack}/command", json.dumps(body), qos=1, properties=answering
        )

    def stop(self) -> None:
        """Leave; the broker keeps for us what comes meanwhile."""
        self._client.disconnect()
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
        self._connection += 1
        # Subscribing anew also brings what the broker keeps: what stands, should events have been lost.
        client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in self._topics])

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: object,
        _message_id: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        refused = [topic for topic, reason in zip(self._topics, reasons, strict=True) if reason.is_failure]
        if refused:
            self._words.change("broker_refuses_subscription", ", ".join(refused))
            return
        self._words.change("broker_connected")
        self._arrivals.put(LinkIs(up=True))

    def _on_message(self, _client: mqtt.Client, _data: object, message: MQTTMessage) -> None:
        self._arrivals.put(
            Arrival(
                message.topic,
                bytes(message.payload),
                message.retain,
                message.mid,
                message.qos,
                self._connection,
            )
        )

    def _on_connect_fail(self, _client: mqtt.Client, _data: object) -> None:
        self._words.change("broker_unreachable", "nothing answers there; no rack can be heard")

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: object,
        _flags: DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._words.lost(str(reason))
        self._arrivals.put(LinkIs(up=False))
