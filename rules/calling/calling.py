"""Who is called when: the steps from a problem to calls, each taken at one moment.

1. A problem that begins to call, or becomes more urgent, is called from the top of the line-up, after the
   time in which alarms of one cause gather; it is repeated, and goes on down the line-up, until it is seen.
2. What is not urgent waits for the end of the quiet hours, or for the digest.
3. A problem that is over, or that nobody need be called for, calls nobody more. Who was called is told that
   it is over, unless people sleep or only a hold has ended: then the digest says it.
4. Below critical a person gets no more than the flood gate admits; the rest is told as one call.
5. A call carries the number of its problem and its own; no number is ever used twice.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.duty import Duty, When
from rules.calling.flood import FloodGate
from rules.calling.problems import Problem
from rules.calling.records import LET_GO, Call, CallKind, Stand, Upshot, Word

SUMMARY_LISTS = 20
GONE_KEPT = 200


@dataclass(slots=True)
class Calls:
    """The state of the calling: problems by key, what is over for the digest, and the last numbers used."""

    problems: dict[str, Problem] = field(default_factory=dict)
    last_number: int = 0
    summaries: int = 0
    gone: list[Word] = field(default_factory=list)
    flood: FloodGate = field(default_factory=FloodGate)

    def in_order(self) -> list[Problem]:
        """Return the problems that stand, by number."""
        return sorted(self.problems.values(), key=lambda problem: problem.number)

    def newest_ms(self, word: Word) -> int:
        """Return when the last word on the same alarm was said; -1 where there is none."""
        known = (problem.member(word) for problem in self.problems.values())
        return max((member.word.event.at_ms for member in known if member), default=-1)

    def keep_for_digest(self, *words: Word) -> None:
        """Keep what is over, or worth knowing, until the next digest says it."""
        self.gone = [*self.gone, *words][-GONE_KEPT:]


@dataclass(frozen=True, slots=True)
class Caller:
    """Takes steps at `now_ms` under the team's agreement; `calls` and `upshot` are changed."""

    duty: Duty
    calls: Calls
    now_ms: int
    upshot: Upshot

    def take(self, word: Word) -> None:
        """Take a word on an alarm into account."""
        problem = self._home(word)
        if problem is None:
            if word.stand is not Stand.CALLS:
                return
            self.calls.last_number += 1
            problem = Problem(self.calls.last_number, word.problem)
            self.calls.problems[problem.key] = problem
        before = problem.urgency
        problem.take(word)
        self.review(problem, before)

    def _home(self, word: Word) -> Problem | None:
        """Return the problem that an alarm belongs to now; a newly named cause takes it from another."""
        for problem in list(self.calls.problems.values()):
            if problem.member(word) is None:
                continue
            if not word.event.cause or word.problem == problem.key:
                return problem
            before = problem.urgency
            del problem.members[word.event.alarm]
            if problem.members:
                self.review(problem, before)
            else:
                del self.calls.problems[problem.key]
                self.upshot.settled.append(problem.number)
        return self.calls.problems.get(word.problem)

    def end(
        self, rack: str, chosen: Callable[[Word], bool], trigger: Trigger = Trigger.RETURNED
    ) -> list[Word]:
        """Take those alarms of a rack as over that are `chosen`; return the last words on them."""
        last: list[Word] = []
        for problem in list(self.calls.problems.values()):
            before = problem.urgency
            ended = [
                member
                for member in problem.members.values()
                if member.word.rack == rack and member.stand is not Stand.OVER and chosen(member.word)
            ]
            last += [member.word for member in ended]
            for member in ended:
                over = replace(member.word.event, state=State.NORMAL, trigger=trigger)
                member.take(replace(member.word, event=over))
            if ended:
                self.review(problem, before)
        return last

    def review(self, problem: Problem, before: Priority | None) -> None:
        """Start, go on with or stop calling, now that the urgency may differ from what it was `before`."""
        now = problem.urgency
        if not problem.open:
            self._close(problem)
        elif now is None:
            if before is not None:
                problem.due_ms = None
                self.upshot.settled.append(problem.number)
        elif before is None or now > before:
            due_ms = self.now_ms + self.duty.gather_ms
            gathering = problem.handed_ms is None and problem.due_ms is not None and before is not None
            problem.begin(min(due_ms, problem.due_ms) if gathering and problem.due_ms else due_ms)

    def call_due(self) -> bool:
        """Call for the most urgent problem that is due; return whether there was one."""
        problems = self.calls.problems.values()
        due = [problem for problem in problems if (problem.due_ms or self.now_ms + 1) <= self.now_ms]
        if due:
            self._call(min(due, key=lambda problem: (-(problem.urgency or 0), problem.number)))
        return bool(due)

    def _call(self, problem: Problem) -> None:
        """Call whoever is to be called for a problem now, and work out when the next call falls due."""
        now_ms, urgency = self.now_ms, problem.urgency
        wait_ms = None if urgency is None else self._waits_until_ms(urgency)
        problem.waits = wait_ms is not None
        if urgency is None or self.duty.manners[urgency].when is When.DIGEST or wait_ms is not None:
            problem.due_ms = wait_ms
            return
        manner = self.duty.manners[urgency]
        if problem.handed_ms is None:
            problem.handed_ms = now_ms
        elif now_ms > problem.handed_ms:
            problem.failed = 0
            if now_ms >= problem.handed_ms + manner.hand_over_ms:
                problem.step, problem.handed_ms = problem.step + 1, now_ms
        line_up = self.duty.rota.line_up(now_ms)
        self._write(problem, CallKind.ALARM, line_up[problem.step % len(line_up)], urgency)
        problem.due_ms = min(now_ms + manner.repeat_ms, problem.handed_ms + manner.hand_over_ms)

    def _waits_until_ms(self, urgency: Priority) -> int | None:
        """Return when the quiet hours end that keep a priority from being told now; None where none do."""
        if self.duty.manners[urgency].when is not When.AWAKE:
            return None
        return self.duty.quiet_ends_ms(self.now_ms)

    def _write(self, problem: Problem, kind: CallKind, person: str, urgency: Priority) -> None:
        """Write to one person about one problem; below critical the flood gate may hold it back."""
        about = problem.words(Stand.CALLS if kind is CallKind.ALARM else Stand.OVER)
        flood = self.calls.flood
        if urgency < Priority.CRITICAL and not flood.admits(person, self.now_ms, self.duty):
            if kind is CallKind.ALARM:
                flood.hold(person, problem.number, self.now_ms, self.duty)
            else:
                self.calls.keep_for_digest(*(ended for ended in about if ended not in self.calls.gone))
            return
        problem.calls += 1
        call_id = f"{problem.number}.{problem.calls}"
        self.upshot.calls.append(Call(call_id, kind, problem.number, person, urgency, self.now_ms, about))
        if person not in problem.told:
            problem.told.append(person)

    def _close(self, problem: Problem) -> None:
        """Forget a problem that is over; who was called is told so, else the next digest says it."""
        del self.calls.problems[problem.key]
        self.upshot.settled.append(problem.number)
        ended = [word for word in problem.words(Stand.OVER) if word.event.trigger not in LET_GO]
        worst = max(member.worst for member in problem.members.values())
        if not problem.told or self._waits_until_ms(worst) is not None:
            self.calls.keep_for_digest(*ended)
        elif ended:
            for person in problem.told:
                self._write(problem, CallKind.RETURNED, person, Priority.LOW)

    def tell_held(self) -> None:
        """Tell the rest of a flood whose time has come."""
        for person, numbers in self.calls.flood.release(self.now_ms):
            calling = [
                (urgency, problem)
                for problem in self.calls.in_order()
                if problem.number in numbers
                and (urgency := problem.urgency) is not None
                and self._waits_until_ms(urgency) is None
            ]
            if not calling:
                continue
            calling.sort(key=lambda item: (-item[0], item[1].number))
            for _, problem in calling:
                problem.told += [] if person in problem.told else [person]
            about = [word for _, problem in calling for word in problem.words(Stand.CALLS)]
            self._sum_up(CallKind.FLOOD, person, calling[0][0], about)

    def tell_digest(self) -> None:
        """Tell whoever is on call what could wait."""
        low = [
            problem
            for problem in self.calls.in_order()
            if (urgency := problem.urgency) and self.duty.manners[urgency].when is When.DIGEST
        ]
        about = [*(word for problem in low for word in problem.words(Stand.CALLS)), *self.calls.gone]
        if about:
            self._sum_up(CallKind.DIGEST, self.duty.rota.on_call(self.now_ms), Priority.LOW, about)
        self.calls.gone = []

    def _sum_up(self, kind: CallKind, person: str, priority: Priority, about: list[Word]) -> None:
        self.calls.summaries += 1
        shown, more = tuple(about[:SUMMARY_LISTS]), max(len(about) - SUMMARY_LISTS, 0)
        call_id = f"0.{self.calls.summaries}"
        self.upshot.calls.append(Call(call_id, kind, 0, person, priority, self.now_ms, shown, more))
