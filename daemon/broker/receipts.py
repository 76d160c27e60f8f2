"""Receipts from end to end: what an on-call process has taken on, what nobody has, and whether one is heard.

ROOT/RACK/taken/NAME    what the on-call process NAME has committed: journal, run and numbers of events; an
                        empty list is its sign of life, the answer to each heartbeat

That a broker confirmed an alarm says only that it took it. An alarm that calls and of which no receipt comes
within its time is said in status, in the journal and by a notice, and announced again under its id, until
one comes or it calls no more. So it is where an on-call process was ever heard, or the settings expect one.
"""

from dataclasses import dataclass
from typing import Any

import structlog

from daemon.broker.connection import BEATS_MISSED, Connection
from daemon.broker.noted import ONCALL, oncall_heard
from daemon.broker.notices import NO_ONCALL, NOT_TAKEN, Notices
from daemon.broker.standing_alarms import StandingAlarms
from daemon.tables.values import json_object, one_line, utc_ms
from rules.alarms.event import AlarmEvent
from rules.alarms.history import alarm_event_from_json
from rules.alarms.life_cycle import Priority
from rules.calling.records import Stand, stand_of

log = structlog.get_logger()

IN_ONE_TURN, NAME_AT_MOST = 200, 60
_MIN = 60_000
TAKEN_WITHIN_MS = {
    Priority.CRITICAL: 2 * _MIN,
    Priority.HIGH: 5 * _MIN,
    Priority.MEDIUM: 15 * _MIN,
    Priority.LOW: 60 * _MIN,
}
"""Project judgement: taking on takes seconds; the rest is for a broker that comes back."""


@dataclass(slots=True)
class _Open:
    event: AlarmEvent
    due_ms: int
    told: bool = False


class Receipts:
    """A chore of the service."""

    def __init__(
        self,
        connection: Connection,
        topic: str,
        notices: Notices,
        heartbeat_s: float,
        standing: StandingAlarms,
        *,
        expected: bool,
    ) -> None:
        self._heard = connection.hear([f"{topic}/taken/+"], IN_ONE_TURN * 5)
        self._notices = notices
        self._journal = notices.journal
        self._lost_after_ms = round(heartbeat_s * 1000) * BEATS_MISSED
        self._expected = expected
        self._noted = oncall_heard(self._journal)
        self._now = oncall_heard(self._journal)
        self._open: dict[str, _Open] = {}
        self._followed: int | None = None
        self._seen: tuple[str, int] | None = None
        self._last_ms = 0
        self._standing = standing

    def step(self, now_ms: int) -> None:
        """Follow the events, take in receipts, and say what nobody has taken."""
        self._follow(now_ms)
        for arrival in self._heard.take(IN_ONE_TURN):
            if not arrival.kept:  # none of ours is: it would say of any time that somebody lives
                self._take(json_object(arrival.payload), now_ms)
        if self._now.alive and now_ms - self._last_ms >= self._lost_after_ms:
            self._now.alive, self._now.since_ms = False, self._last_ms
            self._notices.say(NO_ONCALL, {"by": self._now.by}, now_ms)
        if self._expected or self._now.by:
            self._announce_again([it for it in self._open.values() if it.due_ms <= now_ms], now_ms)
        self._now.untaken = {it.event.alarm: it.event.since_ms for it in self._open.values() if it.told}
        if self._now != self._noted:
            with self._journal.transaction():
                self._journal.state.keep_record(ONCALL, self._now)
            self._noted = oncall_heard(self._journal)

    def _follow(self, now_ms: int) -> None:
        if (written := (self._journal.run_id, self._journal.commits)) == self._seen:
            return
        if self._followed is None:  # whoever takes things on hears at each connection what stands
            events, self._last_ms = self._journal.history.newest_event_of_each_alarm(), now_ms
        else:
            events = [alarm_event_from_json(it) for it in self._journal.history.event_bodies(self._followed)]
        for event in events:
            if stand_of(event.state) is not Stand.CALLS:
                self._open.pop(event.alarm, None)
                continue
            due_ms, before = now_ms + TAKEN_WITHIN_MS[event.priority], self._open.get(event.alarm)
            told, due_ms = (before.told, min(before.due_ms, due_ms)) if before else (False, due_ms)
            self._open[event.alarm] = _Open(event, due_ms, told)
        self._followed, self._seen = self._journal.history.last_event_number(), written

    def _take(self, body: dict[str, Any], now_ms: int) -> None:
        numbers, newest, last = (
            body.get("numbers"),
            body.get("newest"),
            self._journal.history.last_event_number(),
        )
        ours = (body.get("journal"), body.get("run")) == (self._journal.id, self._journal.run_id)
        if not (ours and isinstance(numbers, list) and type(newest) is int):
            return
        self._last_ms = now_ms
        self._hear_duty(body)
        self._now.by = one_line(f"{body.get('by')} on {body.get('host')}")[:100]
        if not self._now.alive:
            self._now.alive, self._now.since_ms = True, now_ms
            log.info("oncall_heard", by=self._now.by)
        self._open = {name: it for name, it in self._open.items() if it.event.number not in numbers}
        self._standing.asked |= body.get("again") is True
        if newest > last:
            self._journal.begin_run(f"{self._now.by} has heard event {newest}, the journal ends with {last}")

    def _hear_duty(self, body: dict[str, Any]) -> None:
        """Note who is on call, for people to read; an older process does not say it."""
        said = (body.get(key) for key in ("on_call", "then"))
        on_call, then = (one_line(it).strip()[:NAME_AT_MOST] if isinstance(it, str) else "" for it in said)
        try:
            until_ms = utc_ms(str(body["until"])) if body.get("until") else None
        except ValueError:  # no moment: then none of it is worth anything
            on_call, until_ms, then = "", None, ""
        self._now.on_call, self._now.until_ms, self._now.then = on_call, until_ms, then

    def _announce_again(self, due: list[_Open], now_ms: int) -> None:
        if not due:
            return
        with self._journal.transaction():
            self._journal.outbox.put(message for it in due for message in self._notices.words(it.event))
        fresh = [it.event.alarm for it in due if not it.told]
        for it in due:
            it.told, it.due_ms = True, now_ms + TAKEN_WITHIN_MS[it.event.priority]
            log.error(
                "alarm_not_taken", alarm=it.event.alarm, number=it.event.number, did="announced it again"
            )
        if fresh:
            self._notices.say(NOT_TAKEN, {"alarms": ", ".join(fresh)}, now_ms)
