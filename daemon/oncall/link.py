"""The on-call process's side of the broker: hears every rack, and misses nothing while it is away.

The session is kept by the broker for a month, so events that are published while this process is
down come afterwards; a message is confirmed only once what it caused is committed. Should the
broker lose its sessions, the retained alarm topics tell what stands.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.broker.connection import RECEIVED_AT_MOST, Arrival, Connection
from daemon.journal.outbox import Message
from daemon.oncall.store import Passed
from daemon.settings.rack import BrokerSettings
from daemon.words import iso_time

WAITING_AT_MOST = 5 * RECEIVED_AT_MOST


@dataclass(frozen=True, slots=True)
class LinkIs:
    """The broker is reached and listens to us (`up`), or no longer."""

    up: bool


class OnCallLink:
    """Hears every rack below `root`. `name` is that of the session: no two processes may share it."""

    def __init__(self, broker: BrokerSettings, name: str, *, answers: bool) -> None:
        self.root = broker.topic_root
        self._answer_topic = f"answer/{name}"
        topics = ["+/event", "+/alarm/#", "+/watch", "+/heartbeat", "+/notice"]
        topics += [f"+/{self._answer_topic}"] if answers else []
        self._listening = 0
        self.connection = Connection(broker, "no rack can be heard", kept_as=f"bellwatch-oncall-{name}")
        self._racks = self.connection.hear([f"{self.root}/{topic}" for topic in topics], WAITING_AT_MOST)
        self.connection.start()

    def take(self) -> list[Arrival | LinkIs]:
        """Return what has come since the last time: the state of the link, then messages in order."""
        taken: list[Arrival | LinkIs] = []
        if (listening := self.connection.listening) != self._listening:
            self._listening = listening
            taken = [LinkIs(up=False), LinkIs(up=True)] if listening else [LinkIs(up=False)]
        return [*taken, *self._racks.take(RECEIVED_AT_MOST)]

    def confirm(self, arrivals: Sequence[Arrival | LinkIs]) -> None:
        """Tell the broker that messages need not come again."""
        for arrival in arrivals:
            if isinstance(arrival, Arrival):
                self.connection.confirm(arrival)

    def acknowledge(self, passed: Passed, now_ms: int) -> None:
        """Ask a rack to acknowledge an alarm, and to answer where we hear it."""
        said = {"id": passed.id, "kind": "acknowledge", "who": passed.who, "issued_at": iso_time(now_ms)}
        rack = f"{self.root}/{passed.rack}"
        payload = json.dumps(said | {"body": {"alarm": passed.alarm}})
        command = Message(f"{rack}/command", payload, retain=False)
        self.connection.publish(command, respond_to=f"{rack}/{self._answer_topic}")
