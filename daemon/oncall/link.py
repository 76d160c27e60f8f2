"""The on-call process's side of the broker: hears every rack, and misses nothing while it is away.

The session is kept by the broker for a month, so events that are published while this process is
down come afterwards; a message is confirmed only once what it caused is committed. Should the
broker lose its sessions, the retained alarm topics tell what stands.
"""

import json
import socket
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass

from daemon.broker.connection import RECEIVED_AT_MOST, Arrival, Connection
from daemon.journal.outbox import Message
from daemon.oncall.messages import PAIR, sign_payload
from daemon.oncall.store import Passed
from daemon.settings.rack import BrokerSettings
from daemon.tables.values import one_line
from daemon.words import iso_time
from rules.calling.pair import OtherSays

WAITING_AT_MOST = 5 * RECEIVED_AT_MOST
SIGNS_AT_MOST = 20
CLOSED_OFTEN, WITHIN_S = 5, 600.0
"""Thrown out so often, while the broker lets us in again, is no broker that was started anew."""


@dataclass(frozen=True, slots=True)
class LinkIs:
    """The broker is reached and listens to us (`up`), or no longer."""

    up: bool


@dataclass(frozen=True, slots=True)
class Rival:
    """Another process takes our place at the broker again and again; `who` names both."""

    who: str


@dataclass(frozen=True, slots=True)
class Receipt:
    """What an on-call process (`by`, on `host`) has taken on: numbers, and the highest known of the run."""

    by: str
    host: str
    journal: str
    run: str
    numbers: list[int]
    newest: int
    at: str


def receipt_message(topic: str, receipt: Receipt) -> Message:
    """Return how a rack is told what is committed of it; without numbers it is a sign of life."""
    return Message(f"{topic}/taken/{receipt.by}", json.dumps(asdict(receipt)), retain=False)


Taken = dict[tuple[str, str, str], list[int]]
"""By rack, journal and run: the numbers of the events that are committed."""


class OnCallLink:
    """Hears every rack below `root`. `name` is that of the session: no two processes may share it.

    `other` is the name of the other watcher of a pair.
    """

    def __init__(
        self, broker: BrokerSettings, name: str, state_id: str, *, answers: bool, other: str = ""
    ) -> None:
        self.root = broker.topic_root
        self._name, self._host = name, socket.gethostname()
        self._own = f"state {state_id[:6]} on {self._host}"
        self._other = "an unknown one"
        self._presence_topic = f"{self.root}/_oncall/name/{name}"
        self._closed: deque[float] = deque()
        self._counted = 0
        self._answer_topic = f"answer/{name}"
        topics = ["+/event", "+/alarm/#", "+/watch", "+/heartbeat", "+/notice"]
        topics += [f"+/{self._answer_topic}"] if answers else []
        self._listening = 0
        self.connection = Connection(broker, "no rack can be heard", kept_as=f"bellwatch-oncall-{name}")
        self._racks = self.connection.hear([f"{self.root}/{topic}" for topic in topics], WAITING_AT_MOST)
        self._presences = self.connection.hear([self._presence_topic], WAITING_AT_MOST)
        pair = [f"{self.root}/{PAIR}{other}"] if other else []
        self._other_says = self.connection.hear(pair, SIGNS_AT_MOST)
        self.connection.start()

    def take(self) -> list[Arrival | LinkIs | Rival]:
        """Return what has come since the last time: the state of the link, then messages in order."""
        taken: list[Arrival | LinkIs | Rival] = []
        if (listening := self.connection.listening) != self._listening:
            self._listening = listening
            taken = [LinkIs(up=False), LinkIs(up=True)] if listening else [LinkIs(up=False)]
            if listening:
                self.connection.publish(Message(self._presence_topic, self._own, retain=True))
        said = self._other_says.take(SIGNS_AT_MOST)
        return [*taken, *self._rivals(), *self._racks.take(RECEIVED_AT_MOST), *said]

    def _rivals(self) -> list[Rival]:
        """Return whether another program under our name takes our place at the broker again and again.

        It shows in connections that are closed on us; who it is, a process of ours says at every connection.
        """
        for arrival in self._presences.take(RECEIVED_AT_MOST):
            said = one_line(arrival.payload.decode(errors="replace"))[:80]
            self.connection.confirm(arrival)
            if said != self._own:
                self._other = said
        now_s, closed = time.monotonic(), self.connection.closed
        self._closed.extend([now_s] * (closed - self._counted))
        self._counted = closed
        while self._closed and self._closed[0] < now_s - WITHIN_S:
            self._closed.popleft()
        if len(self._closed) < CLOSED_OFTEN:
            return []
        self._closed.popleft()
        return [Rival(f"{self._name}: {self._own} and {self._other}")]

    def receipt(self, taken: Taken, newest: Callable[[str, str], int], now_ms: int) -> None:
        """Tell racks what of theirs is committed; `newest` gives the highest number known of a rack's run."""
        for (rack, journal, run), numbers in taken.items():
            receipt = Receipt(
                self._name, self._host, journal, run, numbers, newest(rack, run), iso_time(now_ms)
            )
            self.connection.publish(receipt_message(f"{self.root}/{rack}", receipt))

    def sign(self, says: OtherSays) -> None:
        """Give the other watcher a sign of life; one that comes late is worth nothing."""
        if self.connection.connected:
            sign = Message(f"{self.root}/{PAIR}{self._name}", sign_payload(says), retain=False)
            self.connection.publish(sign, qos=0)

    def confirm(self, arrivals: Sequence[Arrival | LinkIs | Rival]) -> None:
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
