"""The desk at which commands through the broker arrive, are checked, written down and answered.

ROOT/RACK/command            commands, one JSON object each (see `daemon.broker.command_message`)
ROOT/RACK/answer[/...]       answers; the MQTT 5 response topic of a command may name one of these

A command that passes the door goes the way of `bellwatch ack`: into the box of requests,
from which the watch takes it. It lies there under its id before the broker hears that it was taken
in, so a repeat does nothing and is only answered again.
"""

import json

import structlog

from daemon.broker.command_message import command_of, id_in
from daemon.broker.connection import Arrival, Connection
from daemon.errors import CommandError, RequestError
from daemon.journal.asking import DESK_WAITS_S, RequestBox
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.settings.commands import CommandSettings
from daemon.words import iso_time
from drivers.readings import Clock

log = structlog.get_logger()

WAITING_AT_MOST = 50
IN_ONE_TURN = 20


class CommandDesk:
    """A chore of the service; `refused` counts commands that did not pass the door."""

    def __init__(
        self, connection: Connection, commands: CommandSettings, topic: str, journal: Journal, clock: Clock
    ) -> None:
        self.refused = 0
        self._allowed = frozenset(commands.kinds)
        self._topic = topic
        self._box = RequestBox(journal.path, DESK_WAITS_S)
        self._clock = clock
        self._connection = connection
        self._commands = connection.hear([f"{topic}/command"], WAITING_AT_MOST)
        self._open: list[tuple[str, str, Arrival]] = []  # id, request, where the answer goes

    def step(self, _now_ms: int) -> None:
        """Write down what has come, and answer what has been decided."""
        for asked in self._commands.take(IN_ONE_TURN):
            self._take(asked)
        for waiting in list(self._open):
            command, request, asked = waiting
            if (refusal := self._box.known_answer(request)) is not None:
                self._open.remove(waiting)
                self._answer(asked, command, refusal)

    def _take(self, asked: Arrival) -> None:
        try:
            if asked.kept:
                raise CommandError("kept by the broker (retain); a command is for now, send it without")
            command = command_of(asked.payload, self._clock.now_ms(), self._allowed)
            request = self._box.ask(command.kind, command.who, command.body, command.id)  # or the one before
            self._open.append((command.id, request, asked))
        except (CommandError, RequestError) as refused:
            self.refused += 1
            why = str(refused)
        else:
            return
        log.error("command_refused", why=why, payload=repr(asked.payload[:256]), refused=self.refused)
        self._answer(asked, id_in(asked.payload), why)

    def _answer(self, asked: Arrival, command: str, refusal: str) -> None:
        said = {"id": command, "done": not refusal, "refusal": refusal, "at": iso_time(self._clock.now_ms())}
        body = json.dumps(said, ensure_ascii=False)
        answer = Message(self._answer_topic(asked.response_topic), body, retain=False)
        self._connection.publish(answer, correlation=asked.correlation)

    def _answer_topic(self, wanted: str | None) -> str:
        """Return where an answer goes: only below this rack's own topic, whatever the sender asks for."""
        usual = f"{self._topic}/answer"
        if wanted is not None and wanted.startswith(f"{usual}/") and not set(wanted) & set("+#\x00"):
            return wanted
        return usual
