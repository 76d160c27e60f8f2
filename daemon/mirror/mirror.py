"""The mirror: a copy of readings and alarm events on a server, some time after they are journaled.

A thread of its own reads what is committed and sends it in batches, in order. The journal only
keeps how far it has come, so a week without the server costs nothing but that. Sending again what
was sent is harmless (a point is known by its tags and time), so progress is written down seldom, and
what a server took shortly before its connection broke is sent again: it may have died with it.
"""

import sqlite3
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

import structlog

from daemon.errors import JournalError
from daemon.journal.dating import Dating
from daemon.journal.inputs import NumberedReading
from daemon.journal.journal import Journal
from daemon.journal.outbox import Progress, RefusedPoint
from daemon.mirror.lines import event_line, reading_line, reading_prefix
from daemon.mirror.server import MirrorServer, RefusedError, TooLargeError, UnreachableError
from daemon.settings.rack import MirrorSettings
from rules.alarms.history import alarm_event_from_json

log = structlog.get_logger()

READINGS_AT_ONCE = 5_000
EVENTS_AT_ONCE = 500
DEADLINE_S = 30.0
LOOKS_EVERY_S = 2.0
BREATHES_S = 0.02
FIRST_RETRY_S, LONGEST_RETRY_S = 1.0, 300.0
PROGRESS_EVERY_MS = 60_000
SENT_AGAIN_S = 60.0
"""Servers keep what they have accepted in memory for a few seconds before it is on their disk."""

WAITS_FOR_CLOCK = "waits until the machine's clock is synchronised"
NOT_FINITE = "not sent: no finite number"


@dataclass(frozen=True, slots=True)
class Batch:
    """Points that follow the progress so far, and the progress once the server has them."""

    lines: list[str]
    not_finite: list[RefusedPoint]
    then: Progress


@dataclass
class Mirror:
    """Copies a journal to a server; `run` is the body of a thread, `step` is for the thread of the watch."""

    settings: MirrorSettings
    rack: str
    journal: Journal
    dating: Callable[[], Dating]
    deadline_s: float = DEADLINE_S

    def __post_init__(self) -> None:
        """Go on from where the journal says that we were."""
        self._lock = threading.Lock()
        self._progress = self._kept = self.journal.outbox.mirrored()
        self._refused: list[RefusedPoint] = []
        self._kept_due_ms = 0
        self._prefixes: dict[int, str] = {}
        self._trail: deque[tuple[float, Progress]] = deque()

    # The thread of the watch

    def step(self, now_ms: int) -> None:
        """Write progress down now and then, and at once where something is to be known."""
        with self._lock:
            progress, refused = self._progress, self._refused
        news = bool(refused) or progress.trouble != self._kept.trouble
        if progress == self._kept or not (news or now_ms >= self._kept_due_ms):
            return
        with self.journal.transaction():
            self.journal.outbox.keep_mirrored(progress, refused, now_ms)
        self._kept, self._kept_due_ms = progress, now_ms + PROGRESS_EVERY_MS
        with self._lock:
            self._refused = self._refused[len(refused) :]

    # The thread of the mirror

    def run(self, stop: threading.Event) -> None:
        """Send what is new until `stop` is set; a server that is away is tried again, ever more seldom."""
        retry_s, connects = FIRST_RETRY_S, 1
        with closing(MirrorServer(self.settings, self.deadline_s)) as server:
            while not stop.is_set():
                if server.connects > connects:
                    connects = server.connects
                    self._go_back()
                try:
                    batch = self._next_batch()
                except (JournalError, sqlite3.Error) as error:  # gone this moment, say: the watch mends it
                    self._note_trouble(str(error))
                    batch = None
                if batch is None:
                    stop.wait(LOOKS_EVERY_S)
                    continue
                try:
                    refused = self._send(server, batch.lines, stop)
                except UnreachableError as error:
                    self._note_trouble(str(error))
                    stop.wait(max(retry_s, error.after_s))
                    retry_s = min(2 * retry_s, LONGEST_RETRY_S)
                    continue
                retry_s = FIRST_RETRY_S
                self._advance(batch.then, [*batch.not_finite, *refused])
                stop.wait(BREATHES_S)

    def _next_batch(self) -> Batch | None:
        """Return the oldest points that the server does not have; None where it has all that may be sent."""
        with self._lock:
            start = self._progress
        dating = self.dating()
        until_ms = dating.unsynchronised_from_ms()
        before_ms = until_ms or 2**62
        with closing(Journal(self.journal.path, writable=False)) as journal:
            newest_event = journal.history.last_event_number()
            _, newest_reading = journal.inputs.span() or (0, 0)
            if newest_event < start.event:  # another journal has taken the place of the former one
                start = Progress()
            events = journal.history.event_bodies(start.event, before_ms, EVENTS_AT_ONCE)
            rows = journal.inputs.rows(start.reading, newest_reading, before_ms)
            readings = list(islice(rows, READINGS_AT_ONCE))
            if any(row[2] not in self._prefixes for row in readings):
                sources = journal.inputs.sources()
                self._prefixes = {key: reading_prefix(self.rack, *names) for key, names in sources.items()}
        if not events and not readings:
            if max(newest_event - start.event, newest_reading - start.reading) > 0 and until_ms is not None:
                self._note_trouble(WAITS_FOR_CLOCK)
            return None
        return self._batch(start, events, readings, dating)

    def _batch(
        self, start: Progress, events: list[dict[str, Any]], readings: list[NumberedReading], dating: Dating
    ) -> Batch:
        lines = [event_line(self.rack, dating.dated(alarm_event_from_json(body))) for body in events]
        not_finite: list[RefusedPoint] = []
        for seq, at_ms, source, lag_ms, value in readings:
            line = reading_line(self._prefixes[source], value, dating.utc_ms(at_ms) - lag_ms)
            if line is None:
                not_finite.append(RefusedPoint(f"reading {seq}: {value}", NOT_FINITE))
            else:
                lines.append(line)
        then = replace(start, trouble="", event=events[-1]["number"] if events else start.event)
        if readings:
            then = replace(then, reading=readings[-1][0], taken_ms=dating.utc_ms(readings[-1][1]))
        return Batch(lines, not_finite, then)

    def _send(self, server: MirrorServer, lines: list[str], stop: threading.Event) -> list[RefusedPoint]:
        """Send points; return those that the server refuses, found by halving (good ones may go twice)."""
        refused: list[RefusedPoint] = []
        waiting = [lines] if lines else []
        while waiting:
            part = waiting.pop()
            if stop.is_set():
                raise UnreachableError("stopped in the middle of a batch; the next start goes on with it")
            try:
                server.write(part)
            except (RefusedError, TooLargeError) as error:
                if len(part) == 1:
                    refused.append(RefusedPoint(part[0], str(error)))
                else:
                    middle = len(part) // 2
                    waiting += [part[middle:], part[:middle]]
        return refused

    def _go_back(self) -> None:
        """Go on from where we were a minute ago."""
        with self._lock:
            if self._trail:
                self._progress = replace(self._trail[0][1], trouble=self._progress.trouble)

    def _advance(self, then: Progress, refused: list[RefusedPoint]) -> None:
        now_s = time.monotonic()
        while len(self._trail) > 1 and self._trail[1][0] < now_s - SENT_AGAIN_S:
            self._trail.popleft()
        with self._lock:
            self._trail.append((now_s, self._progress))
            recovered = self._progress.trouble
            self._progress = then
            self._refused = [*self._refused, *refused]
        if recovered:
            log.warning("mirror_goes_on", server=self.settings.url)
        for reason, count in sorted(Counter(point.reason for point in refused).items()):
            log.error("mirror_refused", points=count, reason=reason, server=self.settings.url)

    def _note_trouble(self, text: str) -> None:
        with self._lock:
            known = self._progress.trouble == text
            self._progress = replace(self._progress, trouble=text)
        if not known:
            log.warning("mirror_held_up", why=text, server=self.settings.url)
