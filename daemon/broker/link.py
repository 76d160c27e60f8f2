"""What the rack says over its connection: alarms in order, at least once, and signs of life."""

from collections import deque
from collections.abc import Callable, Sequence

import structlog

from daemon.broker.connection import IN_FLIGHT_AT_MOST, Connection
from daemon.broker.messages import heartbeat_message
from daemon.journal.journal import Journal
from drivers.readings import Clock
from rules.alarms.event import Course
from rules.calling.records import Voice

log = structlog.get_logger()

RETRY_REFUSED_MS = 60_000


class BrokerLink:
    """Publishes the journal's outbox, and marks what the broker confirms or refuses.

    What falls due goes by the steady `clock`; by `utc`, which may be set back, only what is written down.
    """

    def __init__(
        self,
        connection: Connection,
        topic: str,
        heartbeat_s: float,
        clock: Clock,
        utc: Clock,
        voice: Callable[[], Voice],
    ) -> None:
        self._connection = connection
        self._voice = voice
        self._topic = topic
        self._clock, self._utc = clock, utc
        self._heartbeat_ms = round(heartbeat_s * 1000)
        self._heartbeat_due_ms = clock.now_ms()
        self._retry_due_ms = clock.now_ms() + RETRY_REFUSED_MS
        self._published_up_to = 0
        self._in_flight: dict[int, int] = {}
        self._known_lost = 0
        self._confirmed: deque[tuple[int, str | None]] = deque()
        connection.on_confirmed = self._confirmed.append

    def deliver(self, journal: Journal) -> None:
        """Mark what was confirmed, and publish what waits."""
        self._mark(journal)
        if not self._connection.connected:
            return
        if self._connection.lost != self._known_lost and self._in_flight:
            return  # paho sends again what was under way a moment after "connected": none overtakes it
        self._known_lost = self._connection.lost
        now_ms = self._clock.now_ms()
        if now_ms >= self._retry_due_ms and not self._in_flight:
            # Everything that waits once more from the oldest on, so that it comes in order again.
            self._retry_due_ms = now_ms + RETRY_REFUSED_MS
            self._published_up_to = 0
        room = IN_FLIGHT_AT_MOST - len(self._in_flight)
        for waiting in journal.outbox.waiting(self._published_up_to, room):
            self._in_flight[self._connection.publish(waiting.message).mid] = waiting.id
            self._published_up_to = waiting.id

    def _mark(self, journal: Journal) -> None:
        confirmed = [self._confirmed.popleft() for _ in range(len(self._confirmed))]
        ours = [(key, refusal) for number, refusal in confirmed if (key := self._in_flight.pop(number, None))]
        if not ours:
            return
        with journal.transaction():
            for key, refusal in ours:
                if refusal is not None:
                    journal.outbox.mark_refused(key, refusal)
                    log.error("broker_refuses", message=key, reason=refusal)
                else:
                    journal.outbox.mark_delivered(key, self._utc.now_ms())

    def heartbeat(self, now: Callable[[], tuple[int, int, Sequence[Course]]]) -> None:
        """Give a sign of life when one is due.

        `now` works out the newest input, how many alarms stand, and where the water of these is.
        """
        now_ms = self._clock.now_ms()
        if now_ms >= self._heartbeat_due_ms and self._connection.connected:
            self._heartbeat_due_ms = now_ms + self._heartbeat_ms
            last_seq, alarms, courses = now()
            said = last_seq, alarms, self._voice(), courses
            sign = heartbeat_message(self._topic, self._utc.now_ms(), *said, self._heartbeat_ms)
            self._connection.publish(sign, qos=0)
