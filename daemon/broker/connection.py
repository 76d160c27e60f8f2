"""One connection to a broker: login, encryption, patience, few words, and what is said and heard over it.

MQTT 5, since only there does the confirmation of a publication say why it was refused. paho's own
thread only reports: what it hears waits for the thread that takes it. An error that nobody thought
of ends that thread and is raised where the owner looks next, while paho would still say "connected".
"""

import socket
import ssl
import sys
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon.errors import Finding, SettingsError
from daemon.journal.outbox import Message
from daemon.settings.rack import BrokerSettings
from drivers.mqtt_packets import topic_of

log = structlog.get_logger()

Presence = Callable[[str], Message]

LONGEST_RECONNECT_S = 30
KEEP_ALIVE_S = 30
LOOKS_EVERY_S = 5.0
"""What is published or comes wakes paho's thread; by itself it looks so often whether a ping is due."""
IN_FLIGHT_AT_MOST = 20
RECEIVED_AT_MOST = 200
PACKET_AT_MOST = 65_536
"""Bytes of a message that the broker passes on to us; none that we can read is nearly as long."""
BEATS_MISSED = 3
"""What does not come back for so many heartbeats is lost."""
SESSION_S = 30 * 86_400
CLOSED = frozenset({128, 142})
"""The other end closed: without a word (how paho says it), or as somebody came by our name (MQTT 5, 3.14.2.1;
mosquitto before 2.1 does not say so)."""
GOODBYE_S = 3.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message as it came, kept by the broker or for now; `connection` numbers what it came over."""

    topic: str
    payload: bytes
    kept: bool
    response_topic: str | None
    correlation: bytes | None
    message_id: int
    qos: int
    connection: int


class Hearing:
    """What comes on some topics, until it is taken; what more than `room` messages wait for is left out.

    Where each is confirmed once it is taken, the broker bounds how many that is to be done with wait. What is
    not `needed` a broker may refuse.
    """

    def __init__(
        self, topics: Sequence[str], room: int | None, qos: int, *, confirms: bool, needed: bool
    ) -> None:
        self.topics, self.qos, self.needed = topics, qos, needed
        self._room = room
        self._confirms = confirms
        self._waiting: deque[Arrival] = deque()
        self._overrun = False

    def put(self, arrival: Arrival) -> bool:
        """Return whether a message is for us; it waits where there is room."""
        if not any(mqtt.topic_matches_sub(topic, arrival.topic) for topic in self.topics):
            return False
        bounded = self._confirms and arrival.qos
        if self._room is None or bounded or len(self._waiting) < self._room:
            self._waiting.append(arrival)
        else:
            self._overrun = True
        return True

    def take(self, at_most: int) -> list[Arrival]:
        """Return what has waited longest, in the order in which it came."""
        if self._overrun:
            self._overrun = False
            log.error("messages_left_out", topics=self.topics, more_than=self._room)
        return [self._waiting.popleft() for _ in range(min(at_most, len(self._waiting)))]


class Connection:
    """One connection, for the thread of its owner; ask to hear before the start.

    `away` says in the log what it means that the broker is not reached. `presence` makes the retained
    word on the owner: "watching", "stopped" and, as the last will, "gone". A session that is `kept_as`
    a name brings what came while we were away, and each message until it is confirmed.
    `connections` counts how often a broker has let us in, `closed` how often it threw us out, `lost` any end,
    `news` all that came of it.
    `on_confirmed` hears of each message that the broker has taken, by its number, or else why it refuses it;
    it is called in paho's thread. `trouble` is why we are not in, as far as anybody said.
    SettingsError where the password or the authority cannot be read.
    """

    def __init__(
        self, broker: BrokerSettings, away: str, presence: Presence | None = None, kept_as: str = ""
    ) -> None:
        self.connections = self.closed = self.lost = self.news = 0
        self.trouble = ""
        self.on_confirmed: Callable[[tuple[int, str | None]], None] = lambda _: None
        self._broker = broker
        self._away = away
        self._presence = presence
        self._kept_as = kept_as
        self._hearings: list[Hearing] = []
        self._listening = 0
        self._said = ""
        self._client = self._new_client()

    def _new_client(self) -> "_Client":
        client = _Client(
            CallbackAPIVersion.VERSION2, self._kept_as, protocol=mqtt.MQTTv5, manual_ack=bool(self._kept_as)
        )
        if self._broker.username is not None:
            password = self._broker.password()
            client.username_pw_set(self._broker.username, password.get_secret_value() if password else None)
        if self._broker.tls:
            client.tls_set_context(_tls_context(self._broker.ca_file))
        if self._presence is not None:
            gone = self._presence("gone")
            client.will_set(gone.topic, gone.payload, qos=1, retain=gone.retain)
        client.reconnect_delay_set(1, LONGEST_RECONNECT_S)
        client.max_inflight_messages_set(IN_FLIGHT_AT_MOST)
        client.on_connect = lambda _client, _data, _flags, reason, _more: self._on_connect(reason)
        client.on_connect_fail = lambda _client, _data: self._on_connect_fail()
        client.on_disconnect = lambda _client, _data, _flags, reason, _more: self._on_disconnect(reason)
        client.on_subscribe = lambda _client, _data, _id, reasons, _more: self._on_subscribe(reasons)
        client.on_message = lambda _client, _data, message: self._on_message(message)
        client.on_publish = lambda _client, _data, number, reason, _more: self._on_publish(number, reason)
        return client

    def hear(
        self, topics: Sequence[str], room: int | None = None, qos: int = 1, *, needed: bool = True
    ) -> Hearing:
        """Return where messages on `topics` will wait; without `room` there is no bound.

        Topics are MQTT filters. Where two of a connection overlap, a message may come twice. What comes at
        QoS 0 is not kept for us, and takes no place in the broker's queue from what does not.
        """
        self._hearings.append(Hearing(topics, room, qos, confirms=bool(self._kept_as), needed=needed))
        return self._hearings[-1]

    def start(self) -> None:
        """Connect, and again whenever the connection is lost, until `stop` or `break_off`."""
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        session.SessionExpiryInterval = SESSION_S if self._kept_as else 0
        session.ReceiveMaximum = RECEIVED_AT_MOST
        session.MaximumPacketSize = PACKET_AT_MOST
        fresh = False if self._kept_as else mqtt.MQTT_CLEAN_START_FIRST_ONLY
        self._client.connect_async(
            self._broker.host, self._broker.port, KEEP_ALIVE_S, clean_start=fresh, properties=session
        )
        self._client.loop_start()

    @property
    def connected(self) -> bool:
        """Return whether the broker has let us in; raises what ended paho's thread."""
        if self._client.ended_by is not None:
            raise self._client.ended_by
        return self._client.is_connected()

    @property
    def listening(self) -> int:
        """Return the number of the connection over which we hear all that we need, 0 without one."""
        return self._listening if self.connected else 0

    def publish(
        self, message: Message, qos: int = 1, respond_to: str | None = None, correlation: bytes | None = None
    ) -> mqtt.MQTTMessageInfo:
        """Hand over a message, to a broker that is away once it is back; `mid` is the number to confirm."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if respond_to is not None:
            properties.ResponseTopic = respond_to
        if correlation is not None:
            properties.CorrelationData = correlation
        return self._client.publish(message.topic, message.payload, qos, message.retain, properties)

    def confirm(self, arrival: Arrival) -> None:
        """Tell the broker that a message need not come again; over a newer connection it does."""
        if arrival.qos and arrival.connection == self.connections:
            self._client.ack(arrival.message_id, arrival.qos)

    def stop(self) -> None:
        """Say that the owner was stopped on purpose, and leave."""
        if self._presence is not None and self._client.is_connected():
            with suppress(RuntimeError):  # the broker left first
                self.publish(self._presence("stopped")).wait_for_publish(GOODBYE_S)
        self._client.disconnect()
        self._client.loop_stop()

    def break_off(self) -> None:
        """Leave without a word, so that the broker says "gone" for us (the last will)."""
        link = self._client.socket()
        if isinstance(link, socket.socket):  # TLS sockets are sockets too
            with suppress(OSError):  # it is gone already
                # Before the loop stops: with messages under way it would wait for a broker that hangs.
                link.shutdown(socket.SHUT_RDWR)
        self._client.loop_stop()

    # In paho's thread

    def _on_connect(self, reason: ReasonCode) -> None:
        if reason.is_failure:
            self._say("broker_refuses_connection", str(reason))
            return
        self.connections += 1
        self.news += 1
        if self._presence is not None:
            self.publish(self._presence("watching"))
        if self._topics():
            # Subscribing anew also brings what the broker keeps: what stands, should events have been lost.
            wanted = [(topic, hearing.qos) for hearing in self._hearings for topic in hearing.topics]
            self._client.subscribe([(topic, SubscribeOptions(qos=qos)) for topic, qos in wanted])
        else:
            self._say("broker_connected")

    def _on_subscribe(self, reasons: list[ReasonCode]) -> None:
        asked = [(topic, hearing.needed) for hearing in self._hearings for topic in hearing.topics]
        if len(asked) != len(reasons):
            self._say("broker_refuses_subscription", "it answers another one; does it speak MQTT 5?")
            return
        refused = [its for its, reason in zip(asked, reasons, strict=True) if reason.is_failure]
        if not any(needed for _, needed in refused):
            self._listening = self.connections
        topics = ", ".join(topic for topic, _ in refused)
        self._say("broker_refuses_subscription" if topics else "broker_connected", topics)

    def _on_connect_fail(self) -> None:
        reason = sys.exc_info()[1]  # paho calls this where it has caught the error, and does not pass it on
        self._say("broker_unreachable", f"{reason}; {self._away}")

    def _on_disconnect(self, reason: ReasonCode) -> None:
        self._listening = 0
        self.lost += 1
        self.closed += reason.value in CLOSED
        if self._said in {"broker_connected", "broker_refuses_subscription"}:  # else the reason has been told
            self._say("broker_disconnected", str(reason))

    def _on_message(self, message: mqtt.MQTTMessage) -> None:
        arrival = Arrival(
            topic_of(message),
            bytes(message.payload),
            message.retain,
            getattr(message.properties, "ResponseTopic", None),
            getattr(message.properties, "CorrelationData", None),
            message.mid,
            message.qos,
            self.connections,
        )
        wanted = [hearing.put(arrival) for hearing in self._hearings]
        self.news += 1
        if not any(wanted):  # a kept session still hears what an earlier run asked for
            self.confirm(arrival)

    def _on_publish(self, number: int, reason: ReasonCode) -> None:
        self.on_confirmed((number, str(reason) if reason.is_failure else None))
        self.news += 1  # after it, as with all that is counted: who sees the number finds it there

    def _topics(self) -> list[str]:
        return [topic for hearing in self._hearings for topic in hearing.topics]

    def _say(self, what: str, why: str = "") -> None:
        """Log what has become of the connection, unless that was the last word on it."""
        self.trouble = "" if what == "broker_connected" else why
        if what != self._said:
            self._said = what
            log.warning(what, broker=f"{self._broker.host}:{self._broker.port}", why=why or None)


class _Client(mqtt.Client):
    """paho's client, whose thread does not end unseen."""

    ended_by: BaseException | None = None

    def loop_forever(
        self, timeout: float = LOOKS_EVERY_S, retry_first_connection: bool = False
    ) -> MQTTErrorCode:
        """Do the work of paho's thread, and keep what ends it."""
        try:
            return super().loop_forever(timeout, retry_first_connection)
        except BaseException as error:
            log.critical("thread_died", of="Connection", why=repr(error), exc_info=True)
            self.ended_by = error
            return MQTTErrorCode.MQTT_ERR_UNKNOWN


def _tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """Return how to encrypt the connection: with the system's authorities, or with the one in a file."""
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except OSError as error:  # also what ssl says of a file that holds no certificate
        why = (error.strerror or str(error)).lower()
        found = f'"{ca_file}", which cannot be used ({why})'
        raise SettingsError([Finding("ca_file", found, "the broker's CA certificate, in PEM")]) from error
