"""The on-call process: hears the racks, keeps the rota, owes people calls and makes them.

One thread does everything but send. Each turn takes in what has come, and commits what it changes
together with the calls that it causes; only then are they sent and the broker's messages confirmed.
Crash only, as the daemon: a supervisor starts it again, and it goes on from its file. A message alone must
never end it, for it would come again at each start: what cannot be taken is set aside, told and confirmed.
"""

import re
import sqlite3
import threading
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo

import structlog

from daemon.broker.command_message import id_in
from daemon.broker.connection import Arrival
from daemon.broker.said import Replied, said_of
from daemon.clock import STEPPED_MS, SteadyClock, ahead_of_people_ms
from daemon.errors import CommandError, OnCallError
from daemon.oncall.call_text import call_text, call_title
from daemon.oncall.link import In, LinkIs, OnCallLink, Rival, Taken
from daemon.oncall.messages import Cleared, CommandAnswer, Heard, Heartbeat, WatchWord, heard, rack_of
from daemon.oncall.outbox import OnCallOutbox
from daemon.oncall.settings import PageSettings
from daemon.oncall.store import Ask, OnCallStore, Passed
from daemon.supervisor import tell_supervisor
from daemon.tables.types import NAME_PATTERN
from rules.alarms.life_cycle import Priority
from rules.calling.escalation import Escalation
from rules.calling.pair import SAID_AT_MOST, OtherSays, Sent
from rules.calling.problems import Given
from rules.calling.records import Answer, Call, CallKind, Reply, Upshot, Word
from rules.errors import InputError

log = structlog.get_logger()

TURN_MS = 250
DEAF_MS = 10_000
"""After a stretch without a turn that is longer than this, what came in it is still to be taken in."""
PAUSE_MS = 300_000
"""After a longer stretch without a turn, what fell due in it is told once, not as often as was missed."""
PASS_ON_AGAIN_MS = 15_000
PASS_ON_FOR_MS = 900_000
PAST_WITHIN_MS = 5_000
"""A broker that is there tells at once which numbers were given out; without one we do not wait for long."""
SIGNS_BEFORE_MISSING = 6
SENT_SAID_MS = 1_800_000
LOG_REFUSED_EVERY_MS = 10_000
BYTES_LOGGED = 1_000
RUNS_KEPT = 1_000
"""Of so many runs of racks it is known that they were asked for what stands; then all are asked once more."""


class _CannotTakeError(Exception):
    """A message could not be taken, for no reason that the door knows."""


class OnCall:
    """The process for all racks of one broker."""

    def __init__(
        self,
        store: OnCallStore,
        link: OnCallLink,
        outbox: OnCallOutbox,
        resumed: tuple[Escalation, list[Given]],
        notes: Mapping[str, str],
        zone: tzinfo,
        clock: SteadyClock,
        *,
        passes_on: bool,
        page: PageSettings | None = None,
    ) -> None:
        self._store = store
        self._link = link
        self._outbox = outbox
        self._notes = notes
        self._zone = zone
        self._clock = clock
        self._passes_on = passes_on
        self._page = page
        self.refused = 0
        self._set_aside: list[Arrival] = []
        self._taken: Taken = {}
        self._replied: list[Replied] = []
        self._called: set[int] = set()
        self._asked: set[tuple[str, str]] = set()
        self._ask_again: set[tuple[str, str]] = set()
        self._log_refused_from_ms = 0
        self._team, self._given = resumed
        self._before = self._team.snapshot()
        self._keys = {problem.number: problem.key for problem in self._team.problems()}
        self._sign_due_ms = 0
        self._starting = True
        self._went_back_ms: int | None = None
        self._past_by_ms = clock.now_ms() + PAST_WITHIN_MS

    def run(self, stop: threading.Event) -> None:
        """Watch over the racks until `stop` is set."""
        log.info("on_call", person=self._team.duty.on_call(self._clock.now_ms()))
        tell_supervisor("READY=1")
        try:
            while not self._clock.wait(stop, self._clock.now_ms() + TURN_MS):
                self.turn()
                tell_supervisor("WATCHDOG=1")
        finally:
            tell_supervisor("STOPPING=1")
            self._link.connection.stop()
            self._outbox.close()
            with self._store.transaction():
                self._outbox.settle(self._clock.now_ms(), lambda _call: None)
            self._store.close()
            log.info("stopped", refused_messages=self.refused or None)

    def turn(self) -> None:
        """Take in what has come, commit what it changes, then send and confirm."""
        self._given += self._link.given_before()
        now_ms = max(self._clock.now_ms(), self._team.clock_ms)
        if self._starting and not self._link.past_is_told and now_ms < self._past_by_ms:
            return
        self._follow_people()
        arrivals, asked = self._link.take(), self._store.asked()
        while not self._commit(arrivals, asked, now_ms):
            pass
        self._link.confirm(arrivals)
        self._link.reply(self._replied, now_ms)
        newest, duty = self._team.newest_number, self._team.duty
        self._link.receipt(self._taken, newest, now_ms - duty.ahead_ms, self._ask_again, duty.rota)
        self._asked = self._ask_again | (self._asked if len(self._asked) < RUNS_KEPT else set())
        self._sign(now_ms)
        self._link.give_out(self._team.calls.given)
        self._outbox.send(now_ms)
        self._pass_on(now_ms)

    def _follow_people(self) -> None:
        """Go by the people's clock, which may have been set back behind ours."""
        ahead_ms, duty = ahead_of_people_ms(self._clock), self._team.duty
        if abs(ahead_ms - duty.ahead_ms) >= STEPPED_MS:
            log.warning("clock_is_ahead", by_s=ahead_ms / 1000)
            self._team.go_by(replace(duty, ahead_ms=ahead_ms))

    def _commit(self, arrivals: Sequence[In], asked: Sequence[Ask], now_ms: int) -> bool:
        """Commit what the inputs change; False, and nothing is changed, where one is set aside now."""
        self._taken, self._replied, self._ask_again = {}, [], set()
        # What is called for in this turn is not sent yet: an answer in it is to what was said before.
        self._called = {its.number for its in self._team.problems() if its.told and not its.is_due_anew}
        try:
            with self._store.transaction():
                upshots = [self._given_before(now_ms), self._catch_up(now_ms)]
                upshots += [self._take(arrival, now_ms) for arrival in arrivals]
                upshots += [self._do(ask, now_ms) for ask in asked]
                failed: list[str] = []
                if self._outbox.settle(now_ms, failed.append) or asked:
                    self._sign_due_ms = now_ms
                upshots += [self._team.undelivered(call, now_ms) for call in failed]
                upshots.append(self._team.advance(now_ms))
                for upshot in upshots:
                    self._keep(upshot, now_ms)
                changed = self._starting or arrivals or asked or failed or self._given
                if changed or any(upshot.calls or upshot.settled for upshot in upshots):
                    self._before = self._team.snapshot()
                    self._store.keep_state(self._before)
        except _CannotTakeError:
            self._team = Escalation.restore(self._before, self._team.duty)
            return False
        self._starting, self._set_aside, self._given = False, [], []
        return True

    def _catch_up(self, now_ms: int) -> Upshot:
        """Let time pass; after a start nothing is heard before the broker is reached anew."""
        gap_ms = now_ms - self._team.clock_ms
        if self._starting or gap_ms > DEAF_MS:
            self._team.listen_anew(now_ms)
        late = gap_ms > PAUSE_MS
        upshot = self._team.resume(now_ms) if late else self._team.advance(now_ms)
        if self._starting:
            self._keep(upshot, now_ms)
            return self._team.link(False, now_ms)
        return upshot

    def _take(self, arrival: In, now_ms: int) -> Upshot:
        if isinstance(arrival, LinkIs):
            self._asked = set()
            return self._team.link(arrival.up, now_ms)
        if isinstance(arrival, Rival):
            return self._team.rival(arrival.who, arrival.what, now_ms)
        if arrival in self._set_aside:
            return self._garbled(arrival, now_ms)
        try:
            if who := self._link.who_says(arrival):
                return self._take_said(arrival, who, now_ms)
            return self._hear(heard(self._link.root, arrival.topic, arrival.payload, arrival.kept), now_ms)
        except (OnCallError, InputError) as refused:
            self._refuse(arrival, str(refused), now_ms)
            return self._garbled(arrival, now_ms)
        except sqlite3.Error:  # not the message's fault
            raise
        except Exception as error:
            # Whatever nobody thought of: the same message would end the process at every start.
            self._refuse(arrival, repr(error), now_ms)
            self._set_aside.append(arrival)
            raise _CannotTakeError from error

    def _given_before(self, now_ms: int) -> Upshot:
        """Give out no number twice, should our file be an older copy.

        At a start numbers are left out unless the broker kept our very last ones (it may have forgotten), and
        after a long time away, since an older copy of both agrees with itself. It is told once in a life: two
        of one name would outbid each other.
        """
        own = self._team.calls.given
        first, second, third = (max(numbers) for numbers in zip(*(self._given or [own]), strict=True))
        known = first, second, third
        if all(its <= mine for its, mine in zip(known, own, strict=True)):
            sure = self._link.past_is_told and known == own
            if self._starting and not (sure and now_ms - self._team.clock_ms <= PAUSE_MS):
                self._team.calls.skip()
            return Upshot()
        if self._went_back_ms not in (None, now_ms):
            return Upshot()
        self._went_back_ms = now_ms
        log.error("file_went_back", given_out=known, own=own)
        self._store.revoke(now_ms)
        return self._team.given_before(known, now_ms)

    def _hear(self, word: Heard | None, now_ms: int) -> Upshot:
        if word is None:
            return Upshot()
        if isinstance(word, Word):
            # What cannot be said later is refused now.
            self._text(Call("", CallKind.ALARM, 0, "", word.event.priority, now_ms, (word,)))
        if isinstance(word, Word) and word.mention:
            return self._team.mention(word, now_ms)
        if isinstance(word, Word):
            event = word.event
            log.info(
                "heard", rack=word.rack, alarm=event.alarm, step=event.trigger, priority=event.priority.word
            )
            upshot = self._team.hear(word, now_ms)
            if word.run:
                self._taken.setdefault((word.rack, word.journal, word.run), []).append(event.number)
            return upshot
        if isinstance(word, OtherSays):
            return self._team.other(word, now_ms)
        if isinstance(word, Cleared):
            problem = self._team.calls.home(word.rack, word.alarm)
            if problem and problem.stands(word.alarm):  # it may come late, over a newer word: ask what stands
                self._asked = {(rack, run) for rack, run in self._asked if rack != word.rack}
            return self._team.clear(word.rack, word.alarm, now_ms)
        return self._take_sign(word, now_ms)

    def _refuse(self, arrival: Arrival, why: str, now_ms: int) -> None:
        """Count what cannot be taken, and log it with its bytes unless that was done a moment ago."""
        self.refused += 1
        if now_ms < self._log_refused_from_ms:
            return
        self._log_refused_from_ms = now_ms + LOG_REFUSED_EVERY_MS
        payload = repr(arrival.payload[:BYTES_LOGGED])
        log.error("message_refused", why=why[:BYTES_LOGGED], payload=payload, refused=self.refused)

    def _garbled(self, arrival: Arrival, now_ms: int) -> Upshot:
        """Tell people that a rack sends what cannot be read, as urgently as what that may hide."""
        level = arrival.topic.removeprefix(f"{self._link.root}/").split("/")[1:2]
        alarming = level in (["event"], ["alarm"])
        priority = Priority.CRITICAL if alarming else Priority.MEDIUM
        return self._team.garbled(rack_of(self._link.root, arrival.topic), priority, now_ms)

    def _take_sign(self, word: Heartbeat | WatchWord | CommandAnswer, now_ms: int) -> Upshot:
        if isinstance(word, Heartbeat):
            if word.voice.run:  # the answer is our sign of life
                self._taken.setdefault((word.rack, word.voice.journal, word.voice.run), [])
                self._ask_again |= {(word.rack, word.voice.run)} - self._asked
            beat = word.rack, word.alarms, word.at_ms, now_ms, word.voice, word.courses, word.every_ms
            return self._team.heartbeat(*beat)
        if isinstance(word, WatchWord):
            return self._team.watch(
                word.rack,
                word.state,
                now_ms,
                kept=word.kept,
                voice=word.voice,
                since=word.since,
                vessels=word.vessels,
            )
        if self._store.answered(word.command, word.refusal):
            log.info("rack_answered", rack=word.rack, refusal=word.refusal or None)
        return Upshot()

    def _do(self, ask: Ask, now_ms: int) -> Upshot:
        """Take what somebody says about a problem; what is seen is told to its racks where that is wanted."""
        if ask.answer is None:
            log.error("request_refused", request=ask.id, problem=ask.problem)
            self._store.answer(ask, now_ms, f"{ask.problem}: not an answer that this bellwatch knows")
            return Upshot()
        upshot = self._answer(ask.problem, ask.answer, now_ms)
        self._store.answer(ask, now_ms, upshot.refusal)
        return upshot

    def _take_said(self, arrival: Arrival, who: str, now_ms: int) -> Upshot:
        """Take an answer over the broker, once, for what is left of its problems; say what came of it."""
        whole = Upshot()
        try:
            said = said_of(arrival, who, self._team.duty.rota.people, self._clock.shown_ms())
        except CommandError as refused:
            self._refuse(arrival, str(refused), now_ms)
            self._replied.append(Replied(arrival, id_in(arrival.payload), str(refused)))
            return whole
        if (refusal := self._store.replied(f"{who} {said.id}")) is None:
            of_rack = self._team.calls.of_rack(said.all_of or "")
            calling = [its.number for its in of_rack if its.urgency is not None and its.told]
            refusals = [] if said.problems or calling else [f"{said.all_of}: nothing of it calls now"]
            unheard = {its.number for its in self._team.problems()} - self._called
            for number in dict.fromkeys(said.problems or calling):
                if number in unheard:  # a guess must not silence what nobody has heard of
                    refusals.append(f"{number}: nobody was called about it yet")
                    continue
                upshot = self._answer(number, said.answer(who), now_ms)
                whole.calls += upshot.calls
                whole.settled += upshot.settled
                refusals += filter(None, [upshot.refusal])
            refusal = "; ".join(refusals)
            self._store.keep_reply(f"{who} {said.id}", refusal, now_ms)
        self._replied.append(Replied(arrival, said.id, refusal))
        return whole

    def _answer(self, number: int, answer: Answer, now_ms: int) -> Upshot:
        calling = [
            member.word
            for problem in self._team.problems()
            if problem.number == number
            for member in problem.calling()
            if member.word.journal and re.fullmatch(NAME_PATTERN, member.word.rack)  # else two would hear
        ]
        upshot = self._team.answer(number, answer.counted_from(-now_ms), now_ms)
        who, reply = answer.who, answer.reply
        log.info("answered", problem=number, who=who, reply=reply, refusal=upshot.refusal or None)
        if self._passes_on and not upshot.refusal and reply in (Reply.SEEN, Reply.ON_MY_WAY):
            commands = [Passed(uuid.uuid4().hex, word.rack, word.event.alarm, who) for word in calling]
            self._store.pass_on(commands, now_ms, now_ms + PASS_ON_FOR_MS)
        return upshot

    def _sign(self, now_ms: int) -> None:
        """Tell the other watcher that we live, what was taken from us and what people answered."""
        pair = self._team.duty.pair
        if pair is None or now_ms < self._sign_due_ms:
            return
        self._sign_due_ms = now_ms + pair.missing_after_ms // SIGNS_BEFORE_MISSING
        sent = self._store.newest_sent(now_ms - SENT_SAID_MS)[:SAID_AT_MOST]
        standing = {problem.number: problem.key for problem in self._team.problems()}
        self._keys = {number: self._keys.get(number, "") for number, *_ in sent} | standing
        said = (
            Sent(self._keys.get(number, ""), CallKind(kind), Priority(priority), max(now_ms - at_ms, 0))
            for number, kind, priority, at_ms in sent
        )
        self._link.sign(OtherSays(tuple(said), self._team.stances(), self._team.duty.mark))

    def _pass_on(self, now_ms: int) -> None:
        for passed in self._store.to_pass_on(now_ms) if self._passes_on else ():
            self._link.acknowledge(passed, self._clock.shown_ms())
            self._store.passed_on(passed.id, now_ms + PASS_ON_AGAIN_MS)

    def _keep(self, upshot: Upshot, now_ms: int) -> None:
        """Write down whom we owe what, and drop calls that nobody needs any more."""
        for call in upshot.calls:
            self._keys[call.problem] = call.key
            text = self._text(call)
            log.warning("call", call=call.id, to=call.person, text=text)
            self._store.owe(call, call_title(call), self._text(call, self._link_of(call, now_ms)))
        for problem in upshot.settled:
            self._store.drop(problem, now_ms)

    def _link_of(self, call: Call, now_ms: int) -> str:
        """Return the address to answer a call at; to who never opened one on a phone it is of no use.

        A drill is there to find out.
        """
        page, numbers = self._page, call.numbers
        opens = call.kind is CallKind.DRILL or self._store.when_reached(call.person) is not None
        if page is None or not numbers or not opens:
            return ""
        until_ms = now_ms + round(1000 * page.link_s)
        return page.address_of(self._store.link_for(call.person, numbers, now_ms, until_ms))

    def _text(self, call: Call, link: str = "") -> str:
        return call_text(call, self._notes, self._zone, link)
