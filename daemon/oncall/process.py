"""The on-call process: hears the racks, keeps the rota, owes people calls and makes them.

One thread does everything but send. Each turn takes in what has come, and commits what it changes
together with the calls that it causes; only then are they sent and the broker's messages confirmed.
Crash only, as the daemon: a supervisor starts it again, and it goes on from its file.
"""

import threading
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

import structlog

from daemon.broker.connection import Arrival
from daemon.clock import SteadyClock
from daemon.errors import OnCallError
from daemon.oncall.call_text import call_text, call_title
from daemon.oncall.link import LinkIs, OnCallLink
from daemon.oncall.messages import Answer, Cleared, Heard, Heartbeat, WatchWord, heard
from daemon.oncall.outbox import OnCallOutbox
from daemon.oncall.store import Ask, OnCallStore, Passed
from daemon.supervisor import tell_supervisor
from rules.calling.duty import Duty
from rules.calling.escalation import Escalation
from rules.calling.records import Upshot, Word

log = structlog.get_logger()

TURN_MS = 250
PAUSE_MS = 300_000
"""After a longer stretch without a turn, what fell due in it is told once, not as often as was missed."""
PASS_ON_AGAIN_MS = 15_000
PASS_ON_FOR_MS = 900_000


@dataclass
class OnCall:
    """The process for all racks of one broker."""

    store: OnCallStore
    link: OnCallLink
    outbox: OnCallOutbox
    duty: Duty
    notes: Mapping[str, str]
    zone: tzinfo
    clock: SteadyClock
    passes_on: bool

    def __post_init__(self) -> None:
        """Go on from the state that the file keeps."""
        self.refused = 0
        self._starting = True
        now_ms, state = self.clock.now_ms(), self.store.state()
        self._team = Escalation.restore(state, self.duty) if state else Escalation(self.duty, now_ms)

    def run(self, stop: threading.Event) -> None:
        """Watch over the racks until `stop` is set."""
        log.info("on_call", person=self._team.duty.rota.on_call(self.clock.now_ms()))
        tell_supervisor("READY=1")
        try:
            while not self.clock.wait(stop, self.clock.now_ms() + TURN_MS):
                self.turn()
                tell_supervisor("WATCHDOG=1")
        finally:
            tell_supervisor("STOPPING=1")
            self.link.connection.stop()
            self.outbox.close()
            with self.store.transaction():
                self.outbox.settle(self.clock.now_ms(), lambda _call: None)
            self.store.close()
            log.info("stopped", refused_messages=self.refused or None)

    def turn(self) -> None:
        """Take in what has come, commit what it changes, then send and confirm."""
        now_ms = max(self.clock.now_ms(), self._team.clock_ms)
        arrivals, asked = self.link.take(), self.store.asked()
        with self.store.transaction():
            upshots = [self._catch_up(now_ms)]
            upshots += [self._take(arrival, now_ms) for arrival in arrivals]
            upshots += [self._do(ask, now_ms) for ask in asked]
            failed: list[str] = []
            self.outbox.settle(now_ms, failed.append)
            upshots += [self._team.undelivered(call, now_ms) for call in failed]
            upshots.append(self._team.advance(now_ms))
            for upshot in upshots:
                self._keep(upshot, now_ms)
            if arrivals or asked or failed or any(upshot.calls or upshot.settled for upshot in upshots):
                self.store.keep_state(self._team.snapshot())
        self.link.confirm(arrivals)
        self.outbox.send(now_ms)
        for passed in self.store.to_pass_on(now_ms) if self.passes_on else ():
            self.link.acknowledge(passed, now_ms)
            self.store.passed_on(passed.id, now_ms + PASS_ON_AGAIN_MS)

    def _catch_up(self, now_ms: int) -> Upshot:
        """Let time pass; after a start nothing is heard before the broker is reached anew."""
        late = now_ms - self._team.clock_ms > PAUSE_MS
        upshot = self._team.resume(now_ms) if late else self._team.advance(now_ms)
        if self._starting:
            self._starting = False
            self._keep(upshot, now_ms)
            return self._team.link(False, now_ms)
        return upshot

    def _take(self, arrival: Arrival | LinkIs, now_ms: int) -> Upshot:
        if isinstance(arrival, LinkIs):
            return self._team.link(arrival.up, now_ms)
        word = self._understood(arrival)
        if isinstance(word, Word) and word.mention:
            return self._team.mention(word, now_ms)
        if isinstance(word, Word):
            rank = word.event.priority.word
            log.info("heard", rack=word.rack, alarm=word.event.alarm, step=word.event.trigger, priority=rank)
            return self._team.hear(word, now_ms)
        if isinstance(word, Cleared):
            return self._team.clear(word.rack, word.alarm, now_ms)
        return self._take_sign(word, now_ms)

    def _understood(self, arrival: Arrival) -> Heard | None:
        try:
            return heard(self.link.root, arrival.topic, arrival.payload, arrival.kept)
        except OnCallError as refused:
            self.refused += 1
            why = str(refused)
        log.error("message_refused", why=why, payload=repr(arrival.payload[:100]))
        return None

    def _take_sign(self, word: Heartbeat | WatchWord | Answer | None, now_ms: int) -> Upshot:
        if isinstance(word, Heartbeat):
            return self._team.heartbeat(word.rack, word.alarms, word.at_ms, now_ms)
        if isinstance(word, WatchWord):
            return self._team.watch(word.rack, word.state, now_ms, kept=word.kept)
        if isinstance(word, Answer) and self.store.answered(word.command, word.refusal):
            log.info("rack_answered", rack=word.rack, refusal=word.refusal or None)
        return Upshot()

    def _do(self, ask: Ask, now_ms: int) -> Upshot:
        """Take a problem as seen, and tell its racks so where that is wanted."""
        calling = [
            member.word
            for problem in self._team.problems()
            if problem.number == ask.problem
            for member in problem.calling()
            if member.word.journal
        ]
        upshot = self._team.acknowledge(ask.problem, now_ms)
        self.store.answer(ask, now_ms, upshot.refusal)
        log.info("acknowledged", problem=ask.problem, who=ask.who, refusal=upshot.refusal or None)
        if self.passes_on and not upshot.refusal:
            commands = [Passed(uuid.uuid4().hex, word.rack, word.event.alarm, ask.who) for word in calling]
            self.store.pass_on(commands, now_ms, now_ms + PASS_ON_FOR_MS)
        return upshot

    def _keep(self, upshot: Upshot, now_ms: int) -> None:
        """Write down whom we owe what, and drop calls that nobody needs any more."""
        for call in upshot.calls:
            text = call_text(call, self.notes, self.zone)
            log.warning("call", call=call.id, to=call.person, text=text)
            self.store.owe(call, call_title(call), text)
        for problem in upshot.settled:
            self.store.drop(problem, now_ms)
