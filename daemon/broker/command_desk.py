"""The desk at which commands through the broker arrive, are checked, written down and answered.

ROOT/RACK/command            commands, one JSON object each (see `daemon.broker.command_message`)
ROOT/RACK/answer[/...]       answers; the MQTT 5 response topic of a command may name one of these

A command that passes the door goes the way of `bellwatch ack`: into the box of requests,
from which the watch takes it. It lies there under its id before the broker hears that it was taken
in, so a repeat does nothing and is only answered again.
"""

import json
import queue
import threading
from contextlib import suppress
from dataclasses import dataclass

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.client import ConnectFlags, MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daemon.broker.client import KEEP_ALIVE_S, broker_client
from daemon.broker.command_message import Command, command_of, id_in
from daemon.errors import CommandError, RequestError
from daemon.journal.asking import DESK_WAITS_S, RequestBox
from daemon.journal.journal import Journal
from daemon.settings.commands import CommandSettings
from daemon.settings.rack import BrokerSettings
from daemon.words import iso_time
from drivers.readings import Clock

log = structlog.get_logger()

WAITING_AT_MOST = 50
IN_ONE_TURN = 20


@dataclass(frozen=True, slots=True)
class _Arrival:
    payload: bytes
    kept: bool
    answer_topic: str
    correlation: bytes | None


@dataclass(frozen=True, slots=True)
class _Open:
    """A command that waits for the watch: its id, its request, and where the answer goes."""

    id: str
    request: str
    asked: _Arrival


class CommandDesk:
    """A companion of the service: `run` keeps the connection, `step` does the work in the service's turn.

    `refused` counts commands that did not pass the door.
    """

    def __init__(
        self, broker: BrokerSettings, commands: CommandSettings, topic: str, journal: Journal, clock: Clock
    ) -> None:
        self.refused = 0
        self._allowed = frozenset(commands.kinds)
        self._topic = topic
        self._box = RequestBox(journal.path, DESK_WAITS_S)
        self._clock = clock
        self._arrivals: queue.Queue[_Arrival] = queue.Queue(WAITING_AT_MOST)
        self._overrun = threading.Event()
        self._open: list[_Open] = []
        self._client = self._new_client(broker)
        self._broker = broker

    def _new_client(self, broker: BrokerSettings) -> mqtt.Client:
        client = broker_client(broker)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def run(self, stop: threading.Event) -> None:
        """Receive until `stop` is set; a broker that is away is tried again."""
        self._client.connect_async(self._broker.host, self._broker.port, KEEP_ALIVE_S)
        self._client.loop_start()
        try:
            stop.wait()
        finally:
            self._client.disconnect()
            self._client.loop_stop()

    def step(self, _now_ms: int) -> None:
        """Write down what has come, and answer what has been decided."""
        if self._overrun.is_set():
            self._overrun.clear()
            log.error("commands_overrun", at_most=WAITING_AT_MOST)
        with suppress(queue.Empty):
            for _ in range(IN_ONE_TURN):
                self._take(self._arrivals.get_nowait())
        for waiting in list(self._open):
            if (refusal := self._box.known_answer(waiting.request)) is not None:
                self._open.remove(waiting)
                self._answer(waiting.asked, waiting.id, refusal)

    def _take(self, asked: _Arrival) -> None:
        try:
            if asked.kept:
                raise CommandError("kept by the broker (retain); a command is for now, send it without")
            command = command_of(asked.payload, self._clock.now_ms(), self._allowed)
            self._open.append(_Open(command.id, self._request(command), asked))
        except CommandError as refused:
            self.refused += 1
            why = str(refused)
        else:
            return
        log.error("command_refused", why=why, payload=repr(asked.payload[:256]), refused=self.refused)
        self._answer(asked, id_in(asked.payload), why)

    def _request(self, command: Command) -> str:
        """Return the request of a command, made now unless the command came before."""
        try:
            return self._box.ask(command.kind, command.who, command.body, command.id)
        except RequestError as error:
            raise CommandError(str(error)) from error

    def _answer(self, asked: _Arrival, command: str, refusal: str) -> None:
        body = {
            "id": command,
            "done": not refusal,
            "refusal": refusal,
            "at": iso_time(self._clock.now_ms()),
        }
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if asked.correlation is not None:
            properties.CorrelationData = asked.correlation
        self._client.publish(
            asked.answer_topic, json.dumps(body, ensure_ascii=False), qos=1, properties=properties
        )

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if not reason.is_failure:
            client.subscribe(f"{self._topic}/command", qos=1)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: object,
        _message_id: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        if reasons[0].is_failure:
            log.error("broker_refuses_commands", topic=f"{self._topic}/command", why=str(reasons[0]))
        else:
            log.info("commands_enabled", topic=f"{self._topic}/command", kinds=sorted(self._allowed))

    def _on_message(self, _client: mqtt.Client, _data: object, message: MQTTMessage) -> None:
        """Take a command in; where too many wait it is left out, and its sender repeats it."""
        arrival = _Arrival(
            bytes(message.payload),
            message.retain,
            self._answer_topic(getattr(message.properties, "ResponseTopic", None)),
            getattr(message.properties, "CorrelationData", None),
        )
        try:
            self._arrivals.put_nowait(arrival)
        except queue.Full:
            self._overrun.set()

    def _answer_topic(self, wanted: object) -> str:
        """Return where an answer goes: only below this rack's own topic, whatever the sender asks for."""
        usual = f"{self._topic}/answer"
        if isinstance(wanted, str) and wanted.startswith(f"{usual}/") and not set(wanted) & set("+#\x00"):
            return wanted
        return usual
