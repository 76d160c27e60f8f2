"""The on-call process's side of the broker: hears every rack, and misses nothing while it is away.

The session is kept by the broker for a month, so events that are published while this process is
down come afterwards; a message is confirmed only once what it caused is committed. Should the
broker lose its sessions, the retained alarm topics tell what stands.
"""

import json
import re
import socket
import time
import uuid
from collections import deque
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import asdict, dataclass

from daemon.broker.connection import RECEIVED_AT_MOST, Arrival, Connection
from daemon.broker.said import Replied
from daemon.journal.outbox import Message
from daemon.oncall.messages import PAIR, sign_payload
from daemon.oncall.store import Passed
from daemon.settings.rack import BrokerSettings
from daemon.tables.values import json_object, one_line
from daemon.words import iso_time
from rules.calling.pair import OtherSays
from rules.calling.problems import Given
from rules.calling.records import TWO_CALL, TWO_LISTENERS
from rules.calling.rota import Rota, Shift

WAITING_AT_MOST = 5 * RECEIVED_AT_MOST
SIGNS_AT_MOST = 20
NAME_AT_MOST = 40
ANSWERS_AT_MOST = 5
"""In a turn of a quarter of a second: more than people say (project judgement)."""
_NUMBERS = ", numbers "
CLOSED_OFTEN, WITHIN_S = 5, 600.0
"""Thrown out so often, while the broker lets us in again, is no broker that was started anew."""


@dataclass(frozen=True, slots=True)
class LinkIs:
    """The broker is reached and listens to us (`up`), or no longer."""

    up: bool


@dataclass(frozen=True, slots=True)
class Rival:
    """What another process does: take our place at the broker again and again, or else; `who` names both."""

    who: str
    what: str = TWO_LISTENERS


In = Arrival | LinkIs | Rival
"""What the process takes in from the broker."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What an on-call process (`by`, on `host`) has taken on: numbers, and the highest known of the run.

    `again` asks, once for each connection, what stands and what is over: an end may have been missed. Who is
    `on_call` there, `until` when and who `then` (empty: nobody else) is for people to read.
    """

    by: str
    host: str
    journal: str
    run: str
    numbers: list[int]
    newest: int
    at: str
    again: bool = False
    on_call: str = ""
    until: str = ""
    then: str = ""


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
        self,
        broker: BrokerSettings,
        name: str,
        state_id: str,
        *,
        answers: bool = False,
        hears_people: bool = False,
        other: str = "",
    ) -> None:
        self.root = broker.topic_root
        self._name, self._host = name, socket.gethostname()
        self._own = f"state {state_id[:6]} on {self._host}"
        self._other = "an unknown one"
        self._life = uuid.uuid4().hex[:6]
        self._given: Given = (0, 0, 0)
        self._given_said: Given | None = None
        self.past_is_told = False
        self._presence_topic = f"{self.root}/_oncall/name/{name}"
        self._closed: deque[float] = deque()
        self._counted = 0
        self._answer_topic = f"answer/{name}"
        topics = ["+/event", "+/alarm/#", "+/watch", "+/heartbeat", "+/notice"]
        topics += [f"+/{self._answer_topic}"] if answers else []
        self._said = f"{self.root}/_oncall/said/{name}/"
        self._listening = 0
        self._link: list[LinkIs] = []
        self.connection = Connection(broker, "no rack can be heard", kept_as=f"bellwatch-oncall-{name}")
        self._presences = self.connection.hear([self._presence_topic], WAITING_AT_MOST)  # comes first
        self._racks = self.connection.hear([f"{self.root}/{topic}" for topic in topics], WAITING_AT_MOST)
        # A flood of answers must fill neither our queue at the broker nor our turns: alarms come so, too.
        people = [f"{self._said}+"] if hears_people else []
        self._people = self.connection.hear(people, WAITING_AT_MOST, qos=0)
        pair = [f"{self.root}/{PAIR}{other}"] if other else []
        self._other_says = self.connection.hear(pair, SIGNS_AT_MOST)
        self._of_pair = {name, other}
        # An access list of before lacks this one: racks are heard all the same.
        self._receipts = self.connection.hear([f"{self.root}/+/taken/+"], SIGNS_AT_MOST, 0, needed=False)
        self.connection.start()

    def take(self) -> list[In]:
        """Return what has come since the last time: the state of the link, then messages in order."""
        link, self._link = self._link, []
        said = self._other_says.take(SIGNS_AT_MOST)
        said += self._people.take(ANSWERS_AT_MOST)
        rivals = [*self._rivals(), *self._beside()]
        return [*link, *rivals, *self._racks.take(RECEIVED_AT_MOST), *said]

    def _say_presence(self, *, retain: bool) -> None:
        said = f"{self._own}{_NUMBERS}{' '.join(map(str, self._given))} {self._life}"
        self.connection.publish(Message(self._presence_topic, said, retain))

    def given_before(self) -> list[Given]:
        """Return which last numbers are said to be given out under our name, in this life or in others.

        Once `past_is_told`, it was heard what the broker kept of it.
        """
        if (listening := self.connection.listening) != self._listening:
            self._listening = listening
            self._link += [LinkIs(up=False), LinkIs(up=True)] if listening else [LinkIs(up=False)]
            self.past_is_told, self._given_said = False, None
            if listening:  # it comes back after what the broker kept under our name
                self._say_presence(retain=False)
        given = []
        for arrival in self._presences.take(RECEIVED_AT_MOST):
            said = one_line(arrival.payload.decode(errors="replace"))[:200]
            self.connection.confirm(arrival)
            who, _, rest = said.partition(_NUMBERS)
            if who != self._own:
                self._other = who
            if numbers := re.fullmatch(r"(\d{1,7}) (\d{1,7}) (\d{1,7}) ([0-9a-f]{6})", rest, re.ASCII):
                given.append((int(numbers[1]), int(numbers[2]), int(numbers[3])))
                self.past_is_told |= numbers[4] == self._life and not arrival.kept
        return given

    def give_out(self, given: Given) -> None:
        """Let the broker keep which numbers are given out, before people are told: our file may go back."""
        self._given = given
        if self.past_is_told and given != self._given_said:
            self._say_presence(retain=True)
            self._given_said = given

    def _rivals(self) -> list[Rival]:
        """Return whether another program under our name takes our place at the broker again and again.

        It shows in connections that are closed on us; who it is, a process of ours says at every connection.
        """
        now_s, closed = time.monotonic(), self.connection.closed
        self._closed.extend([now_s] * (closed - self._counted))
        self._counted = closed
        while self._closed and self._closed[0] < now_s - WITHIN_S:
            self._closed.popleft()
        if len(self._closed) < CLOSED_OFTEN:
            return []
        self._closed.popleft()
        return [Rival(f"{self._name}: {self._own} and {self._other}")]

    def _beside(self) -> Iterator[Rival]:
        """Yield who else takes alarms on, and is no other watcher of ours: forgotten on some machine, say."""
        for arrival in self._receipts.take(SIGNS_AT_MOST):
            name = arrival.topic.rpartition("/")[2]
            if name not in self._of_pair and not arrival.kept:
                said, other = json_object(arrival.payload).get("host"), one_line(name)[:NAME_AT_MOST]
                host = one_line(said)[:NAME_AT_MOST] if isinstance(said, str) else "an unnamed machine"
                yield Rival(f"{self._name} on {self._host} and {other} on {host}", TWO_CALL)

    def receipt(
        self,
        taken: Taken,
        newest: Callable[[str, str], int],
        now_ms: int,
        again: Collection[tuple[str, str]],
        rota: Rota,
    ) -> None:
        """Tell racks what of theirs is committed; `newest` gives the highest number known of a rack's run.

        Racks that are to say `again` what stands are named, each with its run.
        """
        at, its = iso_time(now_ms), rota.shift(now_ms) if taken else Shift("")
        until = "" if its.until_ms is None else iso_time(its.until_ms)
        for (rack, journal, run), numbers in taken.items():
            known = numbers, newest(rack, run), at, (rack, run) in again
            receipt = Receipt(self._name, self._host, journal, run, *known, its.person, until, its.then)
            self.connection.publish(receipt_message(f"{self.root}/{rack}", receipt))

    def sign(self, says: OtherSays) -> None:
        """Give the other watcher a sign of life; one that comes late is worth nothing."""
        if self.connection.connected:
            sign = Message(f"{self.root}/{PAIR}{self._name}", sign_payload(says), retain=False)
            self.connection.publish(sign, qos=0)

    def who_says(self, arrival: Arrival) -> str:
        """Return the person in whose name an answer comes; empty where it is none."""
        return arrival.topic.removeprefix(self._said) if arrival.topic.startswith(self._said) else ""

    def reply(self, replied: Sequence[Replied], now_ms: int) -> None:
        """Tell people what came of their answers."""
        for it in replied:
            self.connection.publish(it.message(self.root, now_ms), correlation=it.to.correlation)

    def confirm(self, arrivals: Sequence[In]) -> None:
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
