"""The calling as a fold: over what racks say, acknowledgements, signs of life and time.

The same law as the engine's holds: inputs may be cut anywhere, with a snapshot and restore in
between, and the same calls come out, under the same ids. Inputs come in the order of their
arrival; each lets time pass up to its own moment first. The rules are those of `hearing` (what is
news), `problems` (what people are called about) and `calling` (who is called when).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rules.alarms.event import Course
from rules.alarms.life_cycle import Priority, Trigger
from rules.calling.calling import Caller
from rules.calling.calls import Calls
from rules.calling.daily import Agenda, begin_drill, practise, tell_held
from rules.calling.drill import Practice
from rules.calling.duty import Duty
from rules.calling.older import go_on_beyond, of_version_1
from rules.calling.pair import OtherSays, Stance, Taken, Waiting
from rules.calling.problems import Given, Problem
from rules.calling.racks.hearing import Hearing
from rules.calling.racks.signs import CALLS_FOR, EVERY_RACK, RIVALS, WATCHING, RackSigns, sign_word
from rules.calling.racks.voices import Voices
from rules.calling.records import DRILL, TWO_RACKS, UNREADABLE, Answer, Upshot, Voice, Word
from rules.calling.standing_in import goes_otherwise, of_the_other, stand_in
from rules.errors import InputError
from rules.plain import from_plain, to_plain

SNAPSHOT_VERSION = 2
NOBODY = Voice()
"""Of a rack that does not say who speaks."""


@dataclass(slots=True)
class _State:
    """Everything that a snapshot holds beside its version.

    `clock_ms` is how far time has passed, `on_call` whose turn it was then.
    """

    clock_ms: int
    hearing: Hearing
    signs: RackSigns
    calls: Calls
    voices: Voices = field(default_factory=Voices)
    on_call: str = ""


class Escalation:
    """The state of the calling; `duty` is the team's agreement and not part of the snapshot."""

    def __init__(self, duty: Duty, start_ms: int) -> None:
        calls = Calls(waiting=Waiting(start_ms), practice=Practice(start_ms))
        self._begin(duty, _State(start_ms, Hearing(), RackSigns(start_ms), calls))

    def _begin(self, duty: Duty, state: _State) -> None:
        self._state = state
        practice = state.calls.practice
        practice.lacking_ms = practice.lacking_ms or state.clock_ms  # an older version did not count
        waiting = state.calls.waiting
        waiting.holds = duty.pair is not None and duty.pair.second and not waiting.missing
        state.signs.expect((rack for rack in duty.racks if rack not in state.voices.apart), state.clock_ms)
        self.go_by(duty)

    def go_by(self, duty: Duty) -> None:
        """Go by the team's agreement, which may have been changed, or the people's clock set."""
        self.duty, state = duty, self._state
        self._agenda = Agenda.after(state.clock_ms, duty)
        caller = self._caller(Upshot())
        for problem in state.calls.problems.values():
            caller.plan_anew(problem)
        self._take_turns()

    def _take_turns(self) -> None:
        """Let who is on call now be called at once about what the one before was, and nobody has answered."""
        state, person = self._state, self.duty.on_call(self.clock_ms)
        if state.on_call not in ("", person):
            state.calls.begin_anew(self.clock_ms)
        state.on_call, self._agenda.turn_ends_ms = person, self.duty.turn_ends_ms(self.clock_ms)

    # Inputs

    def hear(self, word: Word, at_ms: int) -> Upshot:
        """Take a rack's word on an alarm; what is no newer than the last word on it is passed over."""
        voices, heard_as = self._state.voices, word.rack
        name = voices.name(heard_as, word.journal, word.boot)
        self._state.hearing.refuse_too_many(name, self._state.signs.racks, word)
        upshot, state = self.advance(at_ms), self._state
        word = replace(word, rack=voices.name(heard_as, word.journal, word.boot))
        caller = self._caller(upshot)
        if state.hearing.begins_anew(word):
            caller.end(word.rack, lambda known: known.journal != word.journal and self._left(heard_as, known))
        if state.hearing.is_news(word, state.calls.newest_ms(word)):
            caller.take(word)
        return upshot

    def clear(self, rack: str, alarm: str, at_ms: int) -> Upshot:
        """Take the broker's word that an alarm no longer stands."""
        upshot = self.advance(at_ms)
        problem = self._state.calls.home(rack, alarm)
        if problem and problem.stands(alarm):
            self._state.hearing.cleared(rack, alarm)
        self._caller(upshot).clear(rack, alarm)
        return upshot

    def mention(self, word: Word, at_ms: int) -> Upshot:
        """Take something worth knowing that is no alarm: the next digest says it, or somebody is called."""
        self._state.hearing.refuse_too_many(word.rack, self._state.signs.racks)
        upshot, calls, kind = self.advance(at_ms), self._state.calls, word.event.condition
        if kind in CALLS_FOR:
            told = self._state.signs.is_wrong(word.rack, kind, CALLS_FOR[kind], at_ms)
            self._take_all(told, upshot)
        elif kind == DRILL:
            begin_drill(self._caller(upshot), word)
        elif all((known.rack, known.event.cause) != (word.rack, word.event.cause) for known in calls.gone):
            calls.keep_for_digest(word)
        return upshot

    def heartbeat(
        self,
        rack: str,
        alarms: int,
        rack_ms: int,
        at_ms: int,
        voice: Voice = NOBODY,
        courses: Sequence[Course] = (),
        every_ms: int = 0,
    ) -> Upshot:
        """Take a rack's sign of life: its own time, how many alarms stand on it, where their water is now.

        It gives one `every_ms` (0: it does not say).
        """
        self._state.hearing.refuse_too_many(rack, self._state.signs.racks)
        upshot = self.advance(at_ms)
        name = self._speaks(rack, voice, upshot)
        self._take_all(self._state.signs.heard(name, at_ms), upshot)
        self._state.signs.racks[name].every_ms = every_ms
        self._state.hearing.lives(name, voice, rack_ms)

        def is_over(word: Word) -> bool:
            if voice.journal not in ("", word.journal):
                return self._left(rack, word)
            if word.boot not in ("", voice.boot) and not self._left(rack, word, word.boot):
                return False  # a copy of its card knows nothing of it
            return alarms == 0 and bool(word.journal) and word.event.at_ms <= rack_ms

        self._caller(upshot).end(name, is_over)
        self._state.calls.follow(name, voice.journal, courses, rack_ms)
        return upshot

    def watch(
        self,
        rack: str,
        state: str,
        at_ms: int,
        *,
        kept: bool,
        voice: Voice = NOBODY,
        since: str = "",
        vessels: int = 0,
    ) -> Upshot:
        """Take what the rack's watch topic says; `kept` tells that the broker kept it from before."""
        self._state.hearing.refuse_too_many(rack, self._state.signs.racks)
        upshot = self.advance(at_ms)
        if state == WATCHING and not kept:
            name = self._speaks(rack, voice, upshot)
        else:
            name = self._state.voices.name(rack, voice.journal, voice.boot)
        told = self._state.signs.said(name, state, at_ms, kept=kept, since=since)
        self._state.signs.expect((it for it in self.duty.racks if it == name), at_ms)
        if (its := self._state.signs.racks.get(name)) and vessels:
            its.vessels = vessels
        return self._take_all(told, upshot)

    def garbled(self, rack: str, priority: Priority, at_ms: int) -> Upshot:
        """Take into account that a message cannot be read; it may hide an alarm of `priority`.

        A rack that never gave a sign of life is not blamed: its name may be made up like the rest.
        """
        upshot, signs = self.advance(at_ms), self._state.signs
        sender = rack if rack in signs.racks else EVERY_RACK
        return self._take_all(signs.is_wrong(sender, UNREADABLE, priority, at_ms), upshot)

    def rival(self, who: str, what: str, at_ms: int) -> Upshot:
        """Take into account that another process takes our place at the broker, or calls people beside us."""
        upshot = self.advance(at_ms)
        return self._take_all(self._state.signs.is_wrong(EVERY_RACK, what, RIVALS[what], at_ms, who), upshot)

    def other(self, says: OtherSays, at_ms: int) -> Upshot:
        """Take what the other watcher says: it lives, what it has called, what people answered it."""
        upshot, calls, pair = self.advance(at_ms), self._state.calls, self.duty.pair
        if pair is None:
            return upshot
        waiting = calls.waiting
        if waiting.told:
            self._take_all([of_the_other(self._caller(upshot), pair, ended=True)], upshot)
        waiting.heard_ms, waiting.missing, waiting.told, waiting.holds = at_ms, False, False, pair.second
        waiting.drop_covered(says, self.duty, pair, at_ms)
        self._take_all(goes_otherwise(self._caller(upshot), says, self._state.signs), upshot)
        waiting.taken = {key: taken for key, taken in waiting.taken.items() if key in calls.problems}
        for stance in says.stances:
            problem = calls.problems.get(stance.problem)
            if problem and stance.answer and waiting.is_new(stance, problem):
                waiting.taken[problem.key] = Taken(stance.answered, at_ms)
                answered = self.answer(problem.number, stance.answer.counted_from(-at_ms), at_ms)
                upshot.calls += answered.calls
                upshot.settled += answered.settled
        return upshot

    def given_before(self, known: Given, at_ms: int) -> Upshot:
        """Take it that our own numbers went back, and that others know of later ones."""
        self._refuse_the_past(at_ms)
        self._state.clock_ms = at_ms
        told = go_on_beyond(self._caller(Upshot()), known, self._state.signs)
        return self._take_all(told, self.resume(at_ms))

    def link(self, up: bool, at_ms: int) -> Upshot:
        """Take into account whether the broker is reached; at first it is not."""
        upshot = self.advance(at_ms)
        if up:
            self._state.voices.allow_again(at_ms)
        return self._take_all(self._state.signs.link(up, at_ms), upshot)

    def answer(self, number: int, answer: Answer, at_ms: int) -> Upshot:
        """Take what somebody says about a problem, by its number; refused where nothing is left to say."""
        upshot = self.advance(at_ms)
        self._caller(upshot).answer(number, answer)
        return upshot

    def undelivered(self, call_id: str, at_ms: int) -> Upshot:
        """Note that a call reached its person by no route: the next person is called at once.

        Word of a call from before the calling began anew changes nothing: its own first call is still due.
        """
        upshot = self.advance(at_ms)
        for problem in self.problems():
            newest = problem.was_asked_by(call_id) and problem.handed_ms is not None
            if newest and problem.urgency is not None and problem.failed + 1 < len(self.duty.rota.people):
                problem.failed += 1
                problem.step += 1
                problem.handed_ms, problem.waits = at_ms, False
                self._state.calls.plan(problem, at_ms)
        return upshot

    def advance(self, until_ms: int) -> Upshot:
        """Let time pass: everything that falls due up to `until_ms` happens, each at its own moment."""
        self._refuse_the_past(until_ms)
        upshot, state = Upshot(), self._state
        while (due_ms := self._next_due_ms()) is not None and due_ms <= until_ms:
            state.clock_ms = max(state.clock_ms, due_ms)
            self._happen(upshot)
        state.clock_ms = until_ms
        return upshot

    def resume(self, at_ms: int) -> Upshot:
        """Go on at `at_ms` after a time in which nobody was here to call: what fell due, falls due now."""
        self._refuse_the_past(at_ms)
        self._state.clock_ms = at_ms
        self._agenda = Agenda.after(at_ms, self.duty)
        self._take_turns()
        self.listen_anew(at_ms)
        return self.advance(at_ms)

    def listen_anew(self, at_ms: int) -> None:
        """Blame nobody for not having been heard up to `at_ms`: we did not listen."""
        self._state.signs.resume(at_ms)
        self._state.voices.allow_again(at_ms)
        self._state.calls.waiting.listening_ms = at_ms

    # What people look at

    @property
    def clock_ms(self) -> int:
        """Return the moment up to which everything has happened."""
        return self._state.clock_ms

    def newest_number(self, rack: str, run: str) -> int:
        """Return the highest number of an event that was heard of a rack's run, 0 without one."""
        return self._state.hearing.newest(self._state.voices.names(rack), run)

    def problems(self) -> list[Problem]:
        """Return the problems that stand, by number; for looking only."""
        return self._state.calls.in_order()

    @property
    def calls(self) -> Calls:
        """Return the state of the calling; for looking only."""
        return self._state.calls

    def stances(self) -> tuple[Stance, ...]:
        """Return what is to be said to the other watcher of the problems that stand."""
        return self._state.calls.waiting.stances(self._state.calls.problems, self.clock_ms)

    # Snapshot

    def snapshot(self) -> dict[str, Any]:
        """Return the whole state as plain JSON values; `Escalation.restore` is the exact inverse."""
        return {"version": SNAPSHOT_VERSION, **to_plain(self._state)}

    @classmethod
    def restore(cls, data: dict[str, Any], duty: Duty) -> "Escalation":
        """Return the state that `snapshot` wrote down, under a duty that may have changed since."""
        if data.get("version") == 1:
            data = of_version_1(data)
        if data.get("version") != SNAPSHOT_VERSION:
            raise InputError(f"snapshot version {data.get('version')}; this one reads {SNAPSHOT_VERSION}")
        escalation = cls.__new__(cls)
        state = {key: value for key, value in data.items() if key != "version"}
        escalation._begin(duty, from_plain(_State, state))
        return escalation

    # The steps

    def _caller(self, upshot: Upshot) -> Caller:
        return Caller(self.duty, self._state.calls, self._state.clock_ms, upshot)

    def _left(self, rack: str, word: Word, boot: str = "") -> bool:
        """Return whether a word is of a journal of the rack (at a start) that is not heard any more."""
        since_ms = self.clock_ms - self._state.signs.silent_ms(self._state.voices.names(rack), self.duty)
        return bool(word.journal) and not self._state.voices.lives(rack, word.journal, since_ms, boot)

    def _speaks(self, rack: str, voice: Voice, upshot: Upshot) -> str:
        """Note who gives a sign of life as `rack`; return the name under which that is known."""
        state, now_ms = self._state, self.clock_ms
        for former in state.voices.moved(rack, voice):
            self._one_again(former, upshot)
        within_ms = state.signs.silent_ms(state.voices.names(rack), self.duty)
        if state.voices.hear(rack, voice, now_ms, within_ms):
            self._name_anew([rack], rack, upshot)
            state.signs.expect(state.voices.apart[rack].values(), now_ms)
            who = " and ".join(name.removeprefix(f"{rack} ") for name in state.voices.apart[rack].values())
            word = sign_word(rack, TWO_RACKS, Priority.CRITICAL, now_ms, now_ms, who)
            self._take_all([word], upshot)
        return state.voices.name(rack, voice.journal, voice.boot)

    def _one_again(self, rack: str, upshot: Upshot) -> None:
        """Take the speakers of a rack for one again."""
        self._name_anew(self._state.voices.apart.pop(rack).values(), rack, upshot)
        since_ms = self.clock_ms
        word = sign_word(rack, TWO_RACKS, Priority.CRITICAL, since_ms, since_ms, ended=True)
        self._take_all([word], upshot)

    def _name_anew(self, former: Iterable[str], rack: str, upshot: Upshot) -> None:
        """Call what stands under former names of a rack under those that its speakers have now."""
        caller, state = self._caller(upshot), self._state
        for name in former:
            stood = caller.end(name, lambda _word: True, Trigger.RELEASED)
            state.calls.rested.forget(name, [word.event.alarm for word in stood])  # it was never over
            state.signs.racks.pop(name, None)
            for word in stood:
                if word.journal:
                    caller.take(replace(word, rack=state.voices.name(rack, word.journal, word.boot)))

    def _take_all(self, words: Iterable[Word], upshot: Upshot) -> Upshot:
        for word in words:
            self._caller(upshot).take(word)
        return upshot

    def _refuse_the_past(self, at_ms: int) -> None:
        if at_ms < self.clock_ms:
            raise InputError(f"time cannot run back from {self.clock_ms} to {at_ms} ms")

    def _next_due_ms(self) -> int | None:
        calls, voices, signs = self._state.calls, self._state.voices, self._state.signs
        dues = [calls.due_ms(), calls.flood.due_ms(), voices.due_ms(), signs.due_ms(self.duty)]
        dues += [self._agenda.due_ms(), calls.practice.due_ms()]
        dues += [calls.waiting.due_ms(self.duty.pair, signs.linked_ms)]
        return min((due_ms for due_ms in dues if due_ms is not None), default=None)

    def _happen(self, upshot: Upshot) -> None:
        """Let the one thing happen that is due first."""
        now_ms, state, caller = self.clock_ms, self._state, self._caller(upshot)
        calls = state.calls
        if (state.signs.due_ms(self.duty) or now_ms + 1) <= now_ms:
            self._take_all(state.signs.fall_silent(now_ms, self.duty), upshot)
        elif alone := state.voices.silent_for_long(now_ms):
            for rack in alone:
                self._one_again(rack, upshot)
        elif (self._agenda.turn_ends_ms or now_ms + 1) <= now_ms:
            self._take_turns()
        elif caller.call_due():
            return
        elif (calls.flood.due_ms() or now_ms + 1) <= now_ms:
            tell_held(caller)
        elif (calls.waiting.due_ms(self.duty.pair, state.signs.linked_ms) or now_ms + 1) <= now_ms:
            stand_in(caller, state.signs.linked_ms)
        elif calls.practice.due_ms() <= now_ms:
            practise(caller)
        else:
            self._agenda.tell(caller, state.signs)
