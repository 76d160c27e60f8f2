"""The probes that publish over one MQTT broker: subscribes, decodes, emits. MQTT version 5 only."""

import secrets
import ssl
import threading
from collections import defaultdict

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from drivers.errors import (
    PayloadError,
    PortLostError,
    ProbeError,
    RefusedError,
    SetupError,
    StaleReadingError,
)
from drivers.mqtt_message import Measurement, MqttTopic, check_age, measure
from drivers.outage import Outage
from drivers.readings import Clock, Emit, Reading, Trouble

KEEP_ALIVE_S = 30
# How long a stop request may go unnoticed.
LOOP_S = 0.2


class MqttBus:
    """The body of one thread: keeps the subscriptions alive and turns messages into readings.

    `repeats` counts measurements that were not newer than the last of their probe and quantity, such as
    a message delivered twice under QoS 1; they are dropped without further notice.
    """

    def __init__(
        self,
        name: str,
        host: str,
        port: int,
        topics: tuple[MqttTopic, ...],
        clock: Clock,
        emit: Emit,
        username: str | None = None,
        password: str | None = None,
        tls: bool = False,
        ca_file: str | None = None,
    ) -> None:
        if not topics:
            raise SetupError(f"{name}: no probes on this bus")
        self.repeats = 0
        self._name = name
        self._host, self._port = host, port
        self._username, self._password = username, password
        self._tls = _tls_context(name, ca_file) if tls else None
        self._clock = clock
        self._emit = emit
        self._probes: defaultdict[str, list[MqttTopic]] = defaultdict(list)
        for topic in topics:
            self._probes[topic.topic].append(topic)
        self._newest_ms: dict[tuple[str, str], int] = {}
        self._outage = Outage()
        self._asked: dict[int | None, list[str]] = {}
        self._goodbye: ProbeError | None = None

    def run(self, stop: threading.Event) -> None:
        """Receive until `stop` is set; a broker that is away is tried again, the unexpected is raised."""
        client = self._new_client()
        try:
            while not stop.is_set():
                try:
                    self._receive(client, stop)
                except (PortLostError, RefusedError) as lost:
                    now_ms = self._clock.now_ms()
                    if self._outage.failed(str(lost), now_ms):
                        self._complain(lost, None, str(lost))
                    self._clock.wait(stop, self._outage.retry_ms(now_ms))
        finally:
            client.disconnect()

    def _new_client(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"bellwatch-{self._name}-{secrets.token_hex(4)}",
            protocol=mqtt.MQTTv5,
        )
        if self._username is not None:
            client.username_pw_set(self._username, self._password)
        if self._tls:
            client.tls_set_context(self._tls)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        return client

    def _receive(self, client: mqtt.Client, stop: threading.Event) -> None:
        """Connect and serve one connection until it ends."""
        self._goodbye = None
        try:
            # A session kept by the broker would deliver undated readings long after they were made.
            client.connect(self._host, self._port, KEEP_ALIVE_S, clean_start=True)
        except OSError as error:
            raise PortLostError(
                f"broker {self._host}:{self._port} cannot be reached: {error.strerror or error}; "
                "is it running, and are host, port and tls right?"
            ) from error
        while not stop.is_set():
            code = client.loop(LOOP_S)
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise self._goodbye or PortLostError(
                    f"broker {self._host}:{self._port}: connection lost; is the broker or the network down?"
                )

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: object,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _props: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._goodbye = RefusedError(
                f"broker {self._host}:{self._port} refuses the connection: {reason}; "
                "check username and password_file, and that the broker speaks MQTT 5"
            )
            return
        self._asked.clear()
        _, message_id = client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in self._probes])
        self._asked[message_id] = list(self._probes)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: object,
        message_id: int,
        reasons: list[ReasonCode],
        _props: Properties | None,
    ) -> None:
        for topic, reason in zip(self._asked.pop(message_id), reasons, strict=True):
            if not reason.is_failure:
                self._outage.over()
                continue
            refusal = RefusedError(
                f"broker {self._host}:{self._port} refuses the subscription: {reason}; "
                f"its access list must let user {self._username!r} subscribe"
            )
            for probe in self._probes[topic]:
                self._complain(refusal, probe, f"{probe.probe} on {topic}: {refusal}")

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: object,
        flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _props: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._goodbye = PortLostError(
                f"broker {self._host}:{self._port} closes the connection: {reason}; see the broker's log"
            )

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        arrival_ms = self._clock.now_ms()
        probes = self._probes[message.topic]
        understood = [self._take(probe, message, arrival_ms) for probe in probes]
        if not any(understood):
            names = ", ".join(field.senml_name or "" for probe in probes for field in probe.fields)
            nothing = PayloadError(
                f"{message.topic}: no record of the SenML pack is named as expected: {names}",
                bytes(message.payload),
            )
            self._complain(nothing, probes[0] if len(probes) == 1 else None, str(nothing))

    def _take(self, probe: MqttTopic, message: mqtt.MQTTMessage, arrival_ms: int) -> bool:
        """Emit what a message holds for one probe; return whether it holds anything for it, good or bad."""
        try:
            found, errors = measure(probe, bytes(message.payload), arrival_ms)
        except PayloadError as error:
            self._refuse(probe, "message", error, message)
            return True
        for quantity, unread in errors:
            self._refuse(probe, quantity, unread, message)
        for measurement in found:
            if self._is_repeat(probe, measurement):
                self.repeats += 1
                continue
            try:
                check_age(probe, measurement, message.retain, arrival_ms)
            except StaleReadingError as stale:
                self._refuse(probe, measurement.quantity, stale, message)
                continue
            self._newest_ms[probe.probe, measurement.quantity] = measurement.time_ms
            self._emit(Reading(probe.probe, measurement.quantity, measurement.value, measurement.time_ms))
        return bool(found or errors)

    def _is_repeat(self, probe: MqttTopic, measurement: Measurement) -> bool:
        newest_ms = self._newest_ms.get((probe.probe, measurement.quantity))
        return newest_ms is not None and measurement.time_ms <= newest_ms

    def _refuse(self, probe: MqttTopic, what: str, error: ProbeError, message: mqtt.MQTTMessage) -> None:
        error.raw = bytes(message.payload)
        self._complain(error, probe, f"{probe.probe} ({what}) on {probe.topic}: {error}")

    def _complain(self, error: ProbeError, probe: MqttTopic | None, text: str) -> None:
        name = probe.probe if probe else None
        self._emit(Trouble(self._name, name, error.kind, text, error.raw, self._clock.now_ms()))


def _tls_context(name: str, ca_file: str | None) -> ssl.SSLContext:
    """Return a context that checks the broker against `ca_file`, or else the system's authorities."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if ca_file is None:
        context.load_default_certs()
        return context
    try:
        context.load_verify_locations(ca_file)
    except OSError as error:
        raise SetupError(f"{name}: ca_file {ca_file}: {error}; it must be a readable PEM file") from error
    return context
