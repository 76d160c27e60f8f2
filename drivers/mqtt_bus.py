"""The probes that publish over one MQTT broker: subscribes, decodes, emits. MQTT version 5 only."""

import secrets
import ssl
import threading
from contextlib import suppress
from functools import partial
from itertools import combinations

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from drivers import errors
from drivers.flood import SHUT_MS, Gates
from drivers.mqtt_message import Measurement, MqttTopic, check_age, filters_of, measure, overlap
from drivers.mqtt_packets import Packet, Packets, topic_of
from drivers.outage import Outage
from drivers.payload import MAX_PAYLOAD_BYTES, json_says
from drivers.readings import RECEIPTS_OPEN, Emit, Reading, Receipt, Surroundings, Trouble, Waited

KEEP_ALIVE_S = 30
# What the broker sends, a commit and a stop end the wait; what falls due by itself comes so much late.
LOOP_S = 4
# The broker keeps for us what is published while we are away, for so long at most.
SESSION_S = 86_400
# What is larger is not even sent to us; what is smaller and too large all the same is told with its bytes.
MAX_PACKET_BYTES = 4 * MAX_PAYLOAD_BYTES
# Our own mark is back when nothing has come for so long, or it never will be.
MARK_WITHIN_MS = 10_000
WAITED_BYTES_KEPT = 4_096


class MqttBus:
    """The body of one thread: keeps the subscriptions alive and turns messages into readings.

    A message is confirmed to the broker when its receipt is, that is, after the commit. The broker keeps
    the session while we are away. What it kept comes first after we are back, and then a mark that we
    publish to ourselves: a message before the mark had waited, and only its own time, if it has one, says
    when it was measured.

    `repeats` counts what was delivered twice: packets of the session, and dated measurements that were not
    newer than the last of their probe and quantity; they are dropped without further notice.
    """

    def __init__(
        self,
        name: str,
        host: str,
        port: int,
        topics: tuple[MqttTopic, ...],
        around: Surroundings,
        emit: Emit,
        username: str | None = None,
        password: str | None = None,
        tls: bool = False,
        ca_file: str | None = None,
    ) -> None:
        if not topics:
            raise errors.SetupError(f"{name}: no probes on this bus")
        self.repeats = 0
        self._name = name
        self._host, self._port = host, port
        self._broker = f"broker {host}:{port}"
        self._username, self._password = username, password
        self._tls = _tls_context(name, ca_file) if tls else None
        self._around = around
        self._clock = around.clock
        self._emit = emit
        self._probes = _by_topic(name, topics)
        self._gates = Gates(self._probes)
        self._listened = self._gates.listened()
        self._gave = False
        self._arrived_ms = dict.fromkeys(self._probes, 0)
        self._packets = Packets()
        self._keeps_session = True
        self._mark_topic = f"{around.topic}/mark/{name}"
        self._mark = ""
        self._mark_due_ms = 0
        self._waited = 0
        self._newest_ms: dict[tuple[str, str], int] = {}
        self._outage = Outage()
        self._asked: dict[int | None, list[str]] = {}
        self._goodbye: errors.ProbeError | None = None
        self._client = self._new_client()

    def run(self, stop: threading.Event) -> None:
        """Receive until `stop` is set; a broker that is away is tried again, the unexpected is raised."""
        threading.Thread(target=self._wake_at, args=(stop,), daemon=True).start()
        try:
            while not stop.is_set():
                try:
                    self._receive(stop)
                except (errors.PortLostError, errors.RefusedError) as lost:
                    now_ms = self._clock.now_ms()
                    if self._outage.failed(str(lost), now_ms):
                        self._complain(lost, None)
                    self._clock.wait(stop, self._outage.retry_ms(now_ms))
        finally:
            self._client.disconnect()

    def _wake_at(self, stop: threading.Event) -> None:
        stop.wait()
        self._client.wake()

    def _new_client(self) -> "_Client":
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"bellwatch-{self._around.id}-{self._name}",
            protocol=mqtt.MQTTv5,
            manual_ack=True,
        )
        if self._username is not None:
            client.username_pw_set(self._username, self._password)
        if self._tls:
            client.tls_set_context(self._tls)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        return client

    def _receive(self, stop: threading.Event) -> None:
        """Connect and serve one connection until it ends."""
        client, self._goodbye = self._client, None
        try:
            kept = self._keeps_session
            wanted = _connect_properties(kept)
            client.connect(self._host, self._port, KEEP_ALIVE_S, clean_start=not kept, properties=wanted)
        except OSError as error:
            raise errors.PortLostError(
                f"{self._broker} cannot be reached: {error.strerror or error}; "
                "is it running, and are host, port and tls right?"
            ) from error
        while not stop.is_set():
            code = client.loop(LOOP_S)
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise self._goodbye or errors.PortLostError(
                    f"{self._broker}: connection lost; is the broker or the network down?"
                )
            for number in self._packets.confirmable():
                client.ack(number, 1)
            self._gates.open_again(self._clock.now_ms())
            self._listen_anew(client)
            if self._mark and self._clock.now_ms() > self._mark_due_ms:
                self._do_without_session("it does not come back")

    def _on_connect(
        self, client: mqtt.Client, _data: object, flags: mqtt.ConnectFlags, reason: ReasonCode, _props: object
    ) -> None:
        if reason.is_failure:
            self._goodbye = errors.RefusedError(
                f"{self._broker} refuses the connection: {reason}; "
                "check username and password_file, and that the broker speaks MQTT 5"
            )
            return
        self._packets.connected(flags.session_present)
        self._asked.clear()
        self._waited = 0
        self._mark = secrets.token_hex(8) if flags.session_present else ""
        self._mark_due_ms = self._clock.now_ms() + MARK_WITHIN_MS
        self._listened = self._gates.listened()
        if flags.session_present:  # what was subscribed to, or not, as the connection broke, nobody knows
            self._unsubscribe(client, self._gates.known() - set(self._listened))
        marks = [self._mark_topic] if self._keeps_session else []
        self._subscribe(client, [*self._listened, *marks])

    def _subscribe(self, client: mqtt.Client, topics: list[str]) -> None:
        if not topics:
            return
        _, message_id = client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in topics])
        self._asked[message_id] = topics

    def _on_subscribe(
        self, client: mqtt.Client, _data: object, message_id: int, reasons: list[ReasonCode], _props: object
    ) -> None:
        asked = self._asked.pop(message_id, [])
        if len(asked) != len(reasons):
            raise errors.PortLostError(f"{self._broker} answers another subscription; does it speak MQTT 5?")
        for topic, reason in zip(asked, reasons, strict=True):
            if topic == self._mark_topic:
                if self._mark:
                    client.publish(topic, self._mark, qos=1)
                continue
            if not reason.is_failure:
                self._outage.over()
                continue
            refusal = errors.RefusedError(
                f"{self._broker} refuses the subscription: {reason}; "
                f"its access list must let user {self._username!r} subscribe"
            )
            for probe in self._probes[self._filter_of(topic) or topic]:
                self._complain(refusal, probe, f"{probe.probe} on {topic}: {refusal}")

    def _on_disconnect(
        self, _client: object, _data: object, flags: mqtt.DisconnectFlags, reason: ReasonCode, _props: object
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._goodbye = errors.PortLostError(
                f"{self._broker} closes the connection: {reason}; see the broker's log"
            )

    def _on_publish(
        self, _client: object, _data: object, _number: int, reason: ReasonCode, _: object
    ) -> None:
        if reason.is_failure:
            self._mark_due_ms = 0

    def _do_without_session(self, why: str) -> None:
        """Connect anew, without what the broker keeps: nobody could tell its age."""
        self._keeps_session, self._mark = False, ""
        raise errors.RefusedError(
            f"{self._broker}: no own mark on {self._mark_topic}, {why}, so what the broker "
            "keeps for us while we are away is not used; its access list must let user "
            f"{self._username!r} read and write there"
        )

    def _on_message(self, client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        arrival_ms = self._clock.now_ms()
        packet = self._packets.arrived(message.mid, message.dup) if message.qos else None
        if message.qos and packet is None:
            self.repeats += 1
            return
        self._mark_due_ms = arrival_ms + MARK_WITHIN_MS
        if not topic_of(message):
            text = f"{self._broker}: a message came under a topic that is no text (MQTT 5.0, 1.5.4)"
            self._complain(errors.GarbledAnswerError(text, bytes(message.payload)), None)
        elif message.topic == self._mark_topic:
            self._pass_mark(message)
        elif (topic := self._filter_of(message.topic)) is None:
            # Of a session that was begun under other settings.
            client.unsubscribe([it for it in filters_of(message.topic) if it not in self._probes])
        elif self._mark or self._gates.lets_in(topic, message.topic, arrival_ms):
            # Two messages of one millisecond are two readings.
            self._arrived_ms[topic] = max(arrival_ms, self._arrived_ms[topic] + 1)
            self._gave = False
            self._take_in(message, self._probes[topic], self._arrived_ms[topic])
            if self._gave and self._gates.found_home(topic, message.topic):
                client.unsubscribe(message.topic)  # of a session that ended while its wildcard was shut
            if packet is not None:
                self._emit(Receipt(partial(self._commit, packet)))
            return
        elif self._listen_anew(client):
            self._tell_flood(message, topic)
        if packet is not None:
            self._packets.commit(packet)

    def _commit(self, packet: Packet) -> None:
        self._packets.commit(packet)
        self._client.wake()

    def _filter_of(self, topic: str) -> str | None:
        if topic in self._probes:
            return topic
        return next((it for it in self._probes if mqtt.topic_matches_sub(it, topic)), None)

    def _pass_mark(self, message: mqtt.MQTTMessage) -> None:
        """What comes from now on is new."""
        if not self._mark or message.payload != self._mark.encode():
            return
        self._mark = ""
        if self._waited:
            text = (
                f"{self._waited} undated readings waited at the broker; they are kept in the journal and not "
                "judged, since nobody knows when they were measured (SenML can say so)"
            )
            self._complain(errors.StaleReadingError(text), None)

    def _tell_flood(self, message: mqtt.MQTTMessage, topic: str) -> None:
        for probe in self._probes[topic]:
            flood = errors.RefusedError(
                f"{probe.probe} on {message.topic}: it publishes far too often and is shut out for "
                f"{SHUT_MS // 1000} s; look at what it sends, or who else sends there",
                bytes(message.payload),
            )
            self._complain(flood, probe)

    def _listen_anew(self, client: mqtt.Client) -> bool:
        """Listen to what the gates let in; return whether that has changed."""
        topics = self._gates.listened()
        if topics == self._listened:
            return False
        self._unsubscribe(client, set(self._listened) - set(topics))  # first, or a message comes by two ways
        self._subscribe(client, sorted(set(topics) - set(self._listened)))
        self._listened = topics
        return True

    def _unsubscribe(self, client: mqtt.Client, topics: set[str]) -> None:
        if topics:
            client.unsubscribe(sorted(topics))

    def _take_in(self, message: mqtt.MQTTMessage, probes: list[MqttTopic], arrival_ms: int) -> None:
        understood = [self._take(probe, message, arrival_ms) for probe in probes]
        if not any(understood):
            names = ", ".join(field.senml_name or "" for probe in probes for field in probe.fields)
            nothing = errors.PayloadError(
                f"{message.topic}: no record of the SenML pack is named as expected: {names}",
                bytes(message.payload),
            )
            self._complain(nothing, probes[0] if len(probes) == 1 else None)

    def _take(self, probe: MqttTopic, message: mqtt.MQTTMessage, arrival_ms: int) -> bool:
        """Emit what a message holds for one probe; return whether it holds anything for it, good or bad."""
        utc_ms = self._around.utc_ms(arrival_ms)
        try:
            if probe.only_if and not json_says(bytes(message.payload), *probe.only_if):
                return True
            found, unread = measure(probe, bytes(message.payload), utc_ms)
        except errors.PayloadError as error:
            self._refuse(probe, "message", error, message)
            return True
        for quantity, why in unread:
            self._refuse(probe, quantity, why, message)
        waited = bool(self._mark) and not message.retain
        if undated := [it for it in found if waited and not it.dated]:
            self._waited += len(undated)
            payload = bytes(message.payload[:WAITED_BYTES_KEPT])
            self._emit(Waited(probe.probe, message.topic, payload))
        for measurement in found:
            if measurement in undated:
                continue
            if measurement.is_repeat(self._newest_ms.get((probe.probe, measurement.quantity), -1), utc_ms):
                self.repeats += 1
                continue
            try:
                check_age(probe, measurement, message.retain, waited, utc_ms)
            except errors.StaleReadingError as stale:
                self._refuse(probe, measurement.quantity, stale, message)
                continue
            self._hand_on(probe, measurement, arrival_ms - utc_ms)
        return bool(found or unread)

    def _hand_on(self, probe: MqttTopic, measurement: Measurement, behind_ms: int) -> None:
        """Emit a measurement by the axis, which was `behind_ms` behind UTC at its arrival."""
        self._gave = True
        time_ms = measurement.time_ms + behind_ms
        if measurement.dated:
            self._newest_ms[probe.probe, measurement.quantity] = measurement.time_ms
            time_ms = self._around.axis_ms(measurement.time_ms)
        self._emit(Reading(probe.probe, measurement.quantity, measurement.value, time_ms))

    def _refuse(
        self, probe: MqttTopic, what: str, error: errors.ProbeError, message: mqtt.MQTTMessage
    ) -> None:
        error.raw = bytes(message.payload)
        self._complain(error, probe, f"{probe.probe} ({what}) on {probe.topic}: {error}")

    def _complain(self, error: errors.ProbeError, probe: MqttTopic | None, text: str = "") -> None:
        name, said = probe.probe if probe else None, text or str(error)
        self._emit(Trouble(self._name, name, error.kind, said, error.raw, self._clock.now_ms()))


class _Client(mqtt.Client):
    """paho's client, whose wait in `loop` any thread may end."""

    def wake(self) -> None:
        if self._sockpairW is not None:
            with suppress(BlockingIOError):  # it is awake
                self._sockpairW.send(b"0")


def _by_topic(name: str, topics: tuple[MqttTopic, ...]) -> dict[str, list[MqttTopic]]:
    """Return the probes of each topic; SetupError where a broker might send a message twice."""
    probes: dict[str, list[MqttTopic]] = {}
    for topic in topics:
        probes.setdefault(topic.topic, []).append(topic)
    if any(overlap(one, other) for one, other in combinations(probes, 2)):
        raise errors.SetupError(f"{name}: topics of one bus must be the same, or have no message in common")
    return probes


def _connect_properties(keeps_session: bool) -> Properties:
    """Return what we ask of the broker: to keep the session, and to send no more than we can take."""
    wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    wanted.SessionExpiryInterval = SESSION_S if keeps_session else 0
    wanted.ReceiveMaximum = RECEIPTS_OPEN
    wanted.MaximumPacketSize = MAX_PACKET_BYTES
    return wanted


def _tls_context(name: str, ca_file: str | None) -> ssl.SSLContext:
    """Return a context that checks the broker against `ca_file`, or else the system's authorities."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if ca_file is None:
        context.load_default_certs()
        return context
    try:
        context.load_verify_locations(ca_file)
    except OSError as error:
        why = f"ca_file {ca_file}: {error}; it must be a readable PEM file"
        raise errors.SetupError(f"{name}: {why}") from error
    return context
