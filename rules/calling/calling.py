"""Who is called when: the steps from a problem to calls, each taken at one moment.

1. A problem that begins to call, or becomes more urgent by what was not told yet, is called from the top of
   the line-up, after the time in which alarms of one cause gather; it is repeated, and goes on down the
   line-up, until it is seen. What is over unanswered and comes back goes on as `problems` says (5., 6.).
2. What is not urgent waits for the end of the quiet hours, or for the digest.
3. A problem that is over, or that nobody need be called for, calls nobody more. Who was called is told that
   it is over, unless people sleep or only a hold has ended: then the digest says it.
4. Below critical a person gets no more than the flood gate admits; the rest is told as one call.
5. Seen is not solved: what somebody has seen and still stands is called again in time, whatever else ends,
   from that person on, or from the next where a promise to be there has run out. Whoever was called knows it.
6. A call carries the number of its problem and its own; no number is ever used twice.
7. A drill is called by day as a critical alarm, beside the flood gate, and ends when anything real is called.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from rules.alarms.life_cycle import OF_PEOPLE, Priority, State, Trigger
from rules.calling.calls import Calls
from rules.calling.drill import Outcome
from rules.calling.duty import Duty, Manner, When
from rules.calling.problems import Problem
from rules.calling.records import LET_GO, Answer, Call, CallKind, Reply, Stand, Upshot, Word

AT_THE_RACK = Answer(Reply.SEEN, "")
"""Of a problem that was acknowledged at the rack itself, by somebody whom the rack names."""
_ABOUT = {
    CallKind.ALARM: (Stand.CALLS,),
    CallKind.TAKEN: (Stand.CALLS, Stand.SEEN, Stand.SILENCED),
    CallKind.RETURNED: (Stand.OVER,),
}


@dataclass(frozen=True, slots=True)
class Caller:
    """Takes steps at `now_ms` under the team's agreement; `calls` and `upshot` are changed."""

    duty: Duty
    calls: Calls
    now_ms: int
    upshot: Upshot

    def take(self, word: Word) -> None:
        """Take a word on an alarm into account."""
        if word.event.trigger in OF_PEOPLE:
            self.calls.rested.forget(word.rack, [word.event.alarm])
        problem, left = self._home(word)
        if problem is None:
            if word.stand is not Stand.CALLS:
                return
            self.calls.last_number = self.duty.number_after(self.calls.last_number)
            problem = Problem(self.calls.last_number, word.problem)
            self.calls.problems[problem.key] = problem
        if left is not None:
            problem.go_on_from(left)
        before, event = problem.urgency, word.event
        problem.take(word)
        self.calls.belongs(word, problem)
        if event.trigger is Trigger.SHELVED and event.priority is Priority.CRITICAL:
            problem.answer, problem.answered_ms = Answer(Reply.QUIET, event.who, event.until_ms), self.now_ms
            self._tell_others(problem, event.who)
        elif word.stand is Stand.SEEN and before is not None and problem.urgency is None:
            problem.answer = problem.again_ms = None  # whatever was said before
        self.review(problem, before)

    def _home(self, word: Word) -> tuple[Problem | None, Problem | None]:
        """Return the problem that an alarm belongs to now; a newly named cause takes it from another, which
        is given as well if the alarm was its last."""
        problem, left = self.calls.home(word.rack, word.event.alarm), None
        if problem and word.event.cause and word.problem != problem.key:
            before = problem.urgency
            self.calls.leave(problem, [word])
            if problem.members:
                if was := problem.was.pop(word.event.alarm, None):
                    self.calls.rested.put(word.rack, word.event.alarm, was, self.now_ms)
                self.review(problem, before)
            else:
                self.upshot.settled.append(problem.number)
                left = problem
            problem = None
        return problem or self.calls.problems.get(word.problem), left

    def end(
        self, rack: str, chosen: Callable[[Word], bool], trigger: Trigger = Trigger.RETURNED
    ) -> list[Word]:
        """Take those alarms of a rack as over that are `chosen`; return the last words on them."""
        last: list[Word] = []
        for problem in self.calls.of_rack(rack):
            stood = (member.word for member in problem.members.values() if member.stand is not Stand.OVER)
            last += self._end(
                problem, [word for word in stood if word.rack == rack and chosen(word)], trigger
            )
        return last

    def clear(self, rack: str, alarm: str) -> None:
        """Take an alarm as over."""
        problem = self.calls.home(rack, alarm)
        if problem and problem.stands(alarm):
            self._end(problem, [problem.members[alarm].word], Trigger.RETURNED)

    def _end(self, problem: Problem, words: list[Word], trigger: Trigger) -> list[Word]:
        before = problem.urgency
        for word in words:
            problem.take(replace(word, event=replace(word.event, state=State.NORMAL, trigger=trigger)))
        if words:
            self.review(problem, before)
        return words

    def review(self, problem: Problem, before: Priority | None) -> None:
        """Start, go on with or stop calling, now that the urgency may differ from what it was `before`."""
        now, again_ms = problem.urgency, problem.again_ms
        if problem.seen is None:
            problem.again_ms = None
        elif again_ms is None:  # seen at the rack, the last of it or while others call
            problem.ask_again(AT_THE_RACK, self.duty, self.now_ms)
        if problem.again_ms != again_ms:
            self.calls.plan(problem, problem.due_ms)
        if not problem.open:
            self._close(problem)
        elif now is None and before is not None:
            self._settle(problem)
        elif now is not None and (before is None or now > before):
            due_ms = problem.rise_due_ms(now, self.now_ms + self.duty.gather_ms)
            problem.rise()
            self.calls.plan(problem, due_ms)

    def answer(self, number: int, answer: Answer) -> None:
        """Take what somebody says about a problem, by its number; refused where nothing is left to say."""
        problem = next((found for found in self.calls.in_order() if found.number == number), None)
        late = problem is None and answer.reply is not Reply.NEXT
        if late and self.calls.rested.answered(number, answer, self.now_ms):
            return
        if problem is None or (problem.urgency is None and problem.seen is None):
            self.upshot.refusal = f"{number}: no problem of this number stands now"
        elif refusal := problem.refusal(answer, self.now_ms, self.now_ms + self.duty.gather_ms):
            self.upshot.refusal = f"{number}: {refusal}"
        elif not problem.said_twice(answer, self.now_ms):
            self._answered(problem, answer)

    def _answered(self, problem: Problem, answer: Answer) -> None:
        """Take what somebody says about a problem, and tell it to the others who were called."""
        problem.answer, problem.answered_ms = answer, self.now_ms
        if problem.is_drill and answer.reply is not Reply.NEXT:
            self.end_drill(Outcome.ANSWERED, answer)
            return
        if answer.reply is Reply.NEXT:
            if (urgency := problem.urgency) is not None:
                problem.go_on(urgency, self.manner(problem, urgency), self.now_ms)
            called = problem.step if urgency is not None else 0
            self.call_again(problem)
            problem.step = max(problem.step, called + 1)
            self.calls.plan(problem, self.now_ms)
        else:
            problem.see()
            for alarm, member in problem.members.items():
                self.calls.rested.forget(member.word.rack, [alarm])
                self.calls.rested.promise(member.word.rack, alarm, member.worst, answer, self.now_ms)
            problem.ask_again(answer, self.duty, self.now_ms)
            self._settle(problem)
        self._tell_others(problem, answer.who)

    def _tell_others(self, problem: Problem, who: str) -> None:
        self._write(problem, CallKind.TAKEN, [told for told in problem.told if told != who], Priority.LOW)

    def _settle(self, problem: Problem) -> None:
        """Call nobody more about what is seen or silenced, before it is asked about again."""
        self.upshot.settled.append(problem.number)
        problem.waits = False
        if problem.seen and (problem.answer is None or problem.answer.reply is Reply.NEXT):
            problem.answer, problem.answered_ms = AT_THE_RACK, self.now_ms
        self.calls.plan(problem, None)

    def call_again(self, problem: Problem) -> None:
        """Let what was seen call again, from whoever answered on, or the next one after that."""
        problem.call_again()
        problem.begin()
        problem.again_ms = None
        line_up, answer = self.duty.line_up(self.now_ms), problem.answer
        if answer and answer.who in line_up:
            passes_on = answer.reply in (Reply.ON_MY_WAY, Reply.NEXT)
            problem.step = line_up.index(answer.who) + passes_on

    def plan_anew(self, problem: Problem) -> None:
        """Plan by an agreement, or a people's clock, that may have been changed; what is called now is never
        put off by that."""
        problem.ask_sooner(self.duty, self.now_ms)
        self.calls.plan(problem, problem.due_ms)
        urgency = problem.urgency
        if urgency is None or (manner := self.manner(problem, urgency)).when is When.DIGEST:
            return
        if problem.waits or problem.due_ms is None:  # until the morning, or for the digest
            self.calls.plan(problem, self.waits_until_ms(problem, urgency) or self.now_ms)
        elif (again_ms := problem.repeated_ms(manner)) is not None:
            self.calls.plan(problem, min(problem.due_ms, max(again_ms, self.now_ms)))

    def call_now(self) -> None:
        """Call at once about everything critical that calls, each from where it stands."""
        for problem in self.calls.in_order():
            if problem.urgency is Priority.CRITICAL:
                self.calls.plan(problem, self.now_ms)

    def end_drill(self, outcome: Outcome, answer: Answer | None = None) -> None:
        """End the drill; who was called is told, unless a real call takes its place."""
        drill = self.calls.practice.going_on
        self.calls.practice.end(outcome, self.now_ms, answer)
        problem = self.calls.problems.get(drill.key) if drill else None
        if problem and problem.is_drill:
            trigger = Trigger.RELEASED if outcome is Outcome.BROKEN_OFF else Trigger.RETURNED
            self._end(problem, list(problem.words(Stand.CALLS, Stand.SEEN)), trigger)

    def call_due(self) -> bool:
        """Call for the problems that are due, the most urgent first; return whether there was one."""
        due = self.calls.take_due(self.now_ms)
        for problem in sorted(due, key=lambda problem: (-(problem.urgency or 0), problem.number)):
            self._call(problem)
        return bool(due)

    def _call(self, problem: Problem) -> None:
        """Call whoever is to be called for a problem now, and work out when the next call falls due."""
        now_ms, again_ms = self.now_ms, problem.again_ms
        if problem.urgency is None or (again_ms is not None and again_ms <= now_ms):
            self.call_again(problem)
        urgency = problem.urgency
        wait_ms = None if urgency is None else self.waits_until_ms(problem, urgency)
        problem.waits = wait_ms is not None
        if urgency is None or self.manner(problem, urgency).when is When.DIGEST or wait_ms is not None:
            self.calls.plan(problem, wait_ms)
            return
        line_up, was = self.duty.line_up(now_ms), self.calls.rested.back(problem, now_ms)
        manner = self.manner(problem, urgency)
        people = problem.turn(urgency, manner, now_ms, line_up, was)
        self._write(problem, CallKind.ALARM, people, urgency)
        self.calls.plan(problem, problem.repeated_ms(manner))

    def manner(self, problem: Problem, urgency: Priority) -> Manner:
        """Return how a problem is told; a drill as what is critical, but never in the quiet hours."""
        if problem.is_drill:
            return replace(self.duty.manners[Priority.CRITICAL], when=When.AWAKE)
        return self.duty.manners[urgency]

    def waits_until_ms(self, problem: Problem, urgency: Priority) -> int | None:
        """Return when the quiet hours end that keep a problem from being told now; None where none do."""
        if self.manner(problem, urgency).when is not When.AWAKE:
            return None
        return self.duty.quiet_ends_ms(self.now_ms)

    def _write(self, problem: Problem, kind: CallKind, people: list[str], urgency: Priority) -> None:
        """Write to people about one problem; below critical the flood gate may hold it back."""
        about, is_drill = problem.words(*_ABOUT[kind]), problem.is_drill
        if kind is CallKind.ALARM and is_drill:
            kind = CallKind.DRILL
        elif kind is CallKind.ALARM and self.calls.practice.going_on:
            self.end_drill(Outcome.BROKEN_OFF)
        problem.asked_in = 0 if kind is CallKind.ALARM else problem.asked_in
        if urgency < Priority.CRITICAL and not is_drill:
            people = [person for person in people if self._admits(person, problem, kind, about)]
        if people:
            self._tell(problem, kind, people, urgency, about)

    def _admits(self, person: str, problem: Problem, kind: CallKind, about: tuple[Word, ...]) -> bool:
        """Return whether the flood gate lets a message through; what it holds is told later."""
        flood = self.calls.flood
        if flood.admits(person, self.now_ms, self.duty):
            return True
        if kind is CallKind.ALARM:
            flood.hold(person, problem.number, self.now_ms, self.duty)
        else:
            self.calls.keep_for_digest(*(ended for ended in about if ended not in self.calls.gone))
        return False

    def _tell(
        self, problem: Problem, kind: CallKind, people: list[str], urgency: Priority, about: tuple[Word, ...]
    ) -> None:
        """Owe people a call, each one of its own number."""
        if kind is not CallKind.ALARM:  # it is known by the name under which people were called
            about = tuple(sorted(about, key=lambda word: word.event.alarm != problem.lead))
        first, again = problem.members[about[0].event.alarm], problem.calls > 0
        call = Call("", kind, problem.number, "", urgency, self.now_ms, about, answer=problem.answer)
        call = replace(
            call, key=problem.key, again=again, was=first.told, called_before=problem.called_before
        )
        for person in people:
            problem.calls += 1
            self.send(replace(call, id=f"{problem.number}.{problem.calls}", person=person))
            if person not in problem.told:
                problem.told.append(person)
        problem.asked = problem.calls if kind in (CallKind.ALARM, CallKind.DRILL) else problem.asked
        if kind is CallKind.ALARM:
            problem.lead, first.told = about[0].event.alarm, about[0].event.evidence.value

    def _close(self, problem: Problem) -> None:
        """Forget a problem that is over; who was called is told so, else the next digest says it."""
        self.upshot.settled.append(problem.number)
        ended = [word for word in problem.words(Stand.OVER) if word.event.trigger not in LET_GO]
        worst = max(member.worst for member in problem.members.values())
        if not problem.told or self.waits_until_ms(problem, worst) is not None:
            self.calls.keep_for_digest(*ended)
        elif ended:
            self._write(problem, CallKind.RETURNED, list(problem.told), Priority.LOW)
        self.calls.rested.keep(problem, self.now_ms)
        self.calls.leave(problem, problem.words(Stand.OVER))

    def send(self, call: Call) -> None:
        """Owe a call to who has not left; the second of two watchers lets it wait for the first."""
        if call.person not in self.duty.rota.people:
            return
        self.calls.written += 1
        if self.calls.waiting.holds:
            self.calls.waiting.hold(call)
        else:
            self.upshot.calls.append(call)
