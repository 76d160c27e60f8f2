"""What the rack hears of itself: whether the link carries anything, who else uses its name, what was kept.

1. The link lives while our own heartbeats come back from the broker; that it says "connected" proves nothing.
2. A heartbeat of another journal or another machine under our name is a second rack: both are at risk, since
   people and the on-call process would take one for the other.
3. A standing alarm that the broker kept of our journal, with a number or a run that it has not come to: the
   journal went back, and numbers are begun anew so that none is used twice. Where the alarm does not stand,
   and nobody else uses our name, the broker is to forget it.
"""

import json
import re
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import structlog

from daemon.broker.connection import BEATS_MISSED, Connection
from daemon.broker.noted import LINK, Link, link_of
from daemon.broker.notices import TWO_RACKS, Notices
from daemon.journal.outbox import Message
from daemon.tables.values import json_object
from rules.alarms.life_cycle import State
from rules.calling.records import Voice

log = structlog.get_logger()

ALONE_AFTER_MS = 600_000
IN_ONE_TURN = 200
_OF_VOICE = ("journal", "run", "boot", "host")


class Echo:
    """A chore of the service."""

    def __init__(
        self,
        connection: Connection,
        topic: str,
        notices: Notices,
        voice: Callable[[], Voice],
        heartbeat_s: float,
    ) -> None:
        self._heard = connection.hear([f"{topic}/heartbeat", f"{topic}/alarm/#"], IN_ONE_TURN * 5)
        self._topic = topic
        self._notices = notices
        self._journal = notices.journal
        self._voice = voice
        self._lost_after_ms = round(heartbeat_s * 1000) * BEATS_MISSED
        self._link = replace(link_of(self._journal), since_ms=None)
        self._began_ms: int | None = None
        self._echo_ms: int | None = None
        self._rival_ms = 0
        self._stale: set[str] = set()

    def step(self, now_ms: int) -> None:
        """Take in what has come, and write down how the link is where that has changed."""
        if self._began_ms is None:
            self._began_ms = self._rival_ms = now_ms
        for arrival in self._heard.take(IN_ONE_TURN):
            body = json_object(arrival.payload)
            if arrival.topic.endswith("/heartbeat"):
                if not arrival.kept:  # of before our start, say: nobody speaks now
                    self._take_heartbeat(body, now_ms)
            elif arrival.kept:
                self._take_kept(arrival.topic, body)
        last_ms = self._began_ms if self._echo_ms is None else self._echo_ms
        lost, changed = now_ms - last_ms >= self._lost_after_ms, self._link.since_ms is None
        if lost and (self._link.alive or changed):
            log.error("link_lost", why="our own heartbeats do not come back from the broker")
            self._keep(Link(False, last_ms, self._link.rival))
        elif self._echo_ms is not None and not lost and (not self._link.alive or changed):
            log.info("link_lives")
            self._keep(Link(True, now_ms, self._link.rival))
        if self._link.rival and now_ms - self._rival_ms >= ALONE_AFTER_MS:
            self._keep(replace(self._link, rival=""))
        if self._stale and now_ms - self._began_ms >= self._lost_after_ms:
            self._forget_stale()

    def _take_heartbeat(self, body: dict[str, Any], now_ms: int) -> None:
        own = self._voice()
        voice = Voice(**{name: str(body.get(name, ""))[:64] for name in _OF_VOICE})
        if voice.key == own.key:
            self._echo_ms = now_ms
            return
        self._rival_ms = now_ms
        if self._link.rival != voice.name:
            self._link.rival = voice.name
            details = {"own": own.name, "other": voice.name}
            self._notices.say(TWO_RACKS, details, now_ms, (LINK, json.dumps(asdict(self._link))))

    def _take_kept(self, topic: str, body: dict[str, Any]) -> None:
        number, last = str(body.get("id", "")).rpartition(":")[2], self._journal.history.last_event_number()
        if body.get("journal") != self._journal.id or not re.fullmatch("[0-9]{1,16}", number):
            return
        unknown = body.get("run") not in {run.id for run in self._journal.state.runs()}
        if not unknown and (body.get("run") != self._journal.run_id or int(number) <= last):
            return
        if not self._stale:
            self._journal.begin_run(f"the broker kept event {number} ({topic}), the journal ends with {last}")
        self._stale.add(topic)

    def _forget_stale(self) -> None:
        """Let the broker forget alarms that our journal lost, unless they stand or may be another rack's."""
        newest = self._journal.history.newest_event_of_each_alarm()
        stand = {event.alarm for event in newest if event.state is not State.NORMAL}
        stale = {topic for topic in self._stale if topic.removeprefix(f"{self._topic}/alarm/") not in stand}
        if not self._link.rival:
            with self._journal.transaction():
                self._journal.outbox.put(Message(topic, "", retain=True) for topic in sorted(stale))
        self._stale = set()

    def _keep(self, link: Link) -> None:
        self._link = link
        with self._journal.transaction():
            self._journal.state.keep_record(LINK, link)
