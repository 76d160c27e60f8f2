"""What stands, said again to every broker that lets us in: it may have forgotten, or kept an old word.

A broker that was killed may come back without its retained messages, or with those of half an hour
ago. So upon each connection the newest word on every alarm that stands, or ended lately, is put
into the outbox once more, under the id of its event; who knows it already passes it over. So it is where an
on-call process asks: it may have missed an end.
"""

from collections.abc import Callable
from dataclasses import dataclass

from daemon.broker.connection import Connection
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import State

LATELY_MS, AGAIN_AFTER_MS = 86_400_000, 10_000


@dataclass(slots=True)
class StandingAlarms:
    """A chore of the service; `words` turns an event into the messages that it makes us publish."""

    journal: Journal
    connection: Connection
    words: Callable[[AlarmEvent], list[Message]]
    told: int = 0
    asked: bool = False
    _again_from_ms: int = 0

    def step(self, now_ms: int) -> None:
        """Say again what stands, if there is a new connection since the last time or somebody asked."""
        asked = self.asked and now_ms >= self._again_from_ms
        if (connection := self.connection.connections) == self.told and not asked:
            return
        events = self.journal.history.newest_event_of_each_alarm()
        messages = [
            message
            for event in events
            if event.state is not State.NORMAL or asked or event.at_ms > now_ms - LATELY_MS
            for message in self.words(event)
            if message.retain
        ]
        with self.journal.transaction():
            self.journal.outbox.put(messages)
        self.told = connection
        if asked:
            self.asked, self._again_from_ms = False, now_ms + AGAIN_AFTER_MS
