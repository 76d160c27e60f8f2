"""Two watchers of one team: the second hears and escalates all that the first does, and lets its calls wait.

1. Each says every while which calls a route has taken from it lately, and what people answered it.
2. A waiting call is dropped once the first says that it has called about that problem lately, or that nobody
   need be called about it. What only tells (somebody has it, it is over) is dropped while the first lives.
3. What has waited for `missing_after_ms` is sent, whatever else the first says. While the first has not been
   heard for so long, nothing waits; what is critical and calls is called at the moment when that is found.
4. What people answered one is taken as answered by the other, once, if the one knew as much of the problem.

Nothing is shared and nobody is elected: cut off from each other both call.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.alarms.life_cycle import Priority
from rules.calling.duty import Duty, Pair
from rules.calling.problems import Problem
from rules.calling.records import Answer, Call, CallKind

SAID_AT_MOST = 60
"""More answered problems than this are called twice should the first fall silent (project judgement)."""


@dataclass(frozen=True, slots=True)
class Sent:
    """The newest call of a kind about a `problem` (empty: about several) that a route has taken."""

    problem: str
    kind: CallKind
    priority: Priority
    ago_ms: int


@dataclass(frozen=True, slots=True)
class Stance:
    """What a watcher does about a problem: `as_of_ms` is a rack's newest word on it that it knows.

    `answer` is what people answered this watcher, `until_ms` counted from now; `answered` is its name.
    """

    problem: str
    calls: bool
    as_of_ms: int
    answer: Answer | None = None
    answered: str = ""


@dataclass(frozen=True, slots=True)
class OtherSays:
    """A sign of life of the other watcher, what it has done, and the mark of what it goes by."""

    sent: tuple[Sent, ...] = ()
    stances: tuple[Stance, ...] = ()
    duty: str = ""


@dataclass(slots=True)
class Held:
    """A call that waits for the first watcher since `since_ms`; repeats of it do not wait anew."""

    call: Call
    since_ms: int


@dataclass(frozen=True, slots=True)
class Taken:
    """The name of an answer that was given to the other watcher, and when it was taken here."""

    answered: str
    at_ms: int


@dataclass(slots=True)
class Waiting:
    """What is known of the other watcher, and the calls that wait for it if `holds`.

    `heard_ms` is its last sign of life, `listening_ms` when we began to listen; `missing` whether it has been
    silent for too long, `told` whether people know; `taken` are its answers, by problem.
    """

    heard_ms: int = 0
    listening_ms: int = 0
    missing: bool = False
    told: bool = False
    holds: bool = False
    held: dict[str, Held] = field(default_factory=dict)
    taken: dict[str, Taken] = field(default_factory=dict)

    def hold(self, call: Call) -> None:
        """Let a call wait, in the place of an older one to the same person about the same."""
        name = f"{call.kind} {call.person} {call.key}"
        since_ms = self.held[name].since_ms if name in self.held else call.at_ms
        self.held[name] = Held(call, since_ms)

    def missing_ms(self, pair: Pair) -> int:
        """Return when the other is missing; whoever was away itself gives it a moment to be heard."""
        return max(self.heard_ms + pair.missing_after_ms, self.listening_ms + pair.grace_ms)

    def told_ms(self, pair: Pair, linked_ms: int) -> int:
        """Return when people are told that the other is missing; the broker is reached since `linked_ms`."""
        return max(linked_ms + pair.grace_ms, self.missing_ms(pair))

    def due_ms(self, pair: Pair | None, linked_ms: int | None) -> int | None:
        """Return when a call has waited long enough, or the other is missing or to be told of.

        While the broker is not reached (`linked_ms` is None), people are not told of it.
        """
        dues = [held.since_ms + self._wait_ms(pair) for held in self.held.values()][:1]
        if pair is not None and not self.missing:
            dues.append(self.missing_ms(pair))
        elif pair is not None and not self.told and linked_ms is not None:
            dues.append(self.told_ms(pair, linked_ms))
        return min(dues, default=None)

    def _wait_ms(self, pair: Pair | None) -> int:
        return 0 if pair is None or self.missing else pair.missing_after_ms

    def release(self, pair: Pair | None, now_ms: int) -> list[Call]:
        """Give back the calls that have waited long enough."""
        wait_ms = self._wait_ms(pair)
        due = [name for name, held in self.held.items() if held.since_ms + wait_ms <= now_ms]
        return [self.held.pop(name).call for name in due]

    def drop_covered(self, says: OtherSays, duty: Duty, pair: Pair, now_ms: int) -> None:
        """Forget the waiting calls that the first has made, or need not make."""
        sent_ms = {(it.problem, it.kind): (now_ms - it.ago_ms, it.priority) for it in says.sent}
        quiet_ms = {it.problem: it.as_of_ms for it in says.stances if not it.calls}
        for name, held in list(self.held.items()):
            call, repeat_ms = held.call, duty.manners[held.call.priority].repeat_ms
            back_ms = max(repeat_ms - pair.missing_after_ms // 2, 0)  # the two repeat at moments of their own
            if call.called_before and not call.again:  # what was called before it was over is no call of it
                back_ms = duty.gather_ms
            when_ms, priority = sent_ms.get((call.key, call.kind), (-1, Priority.LOW))
            made = when_ms >= max(held.since_ms - back_ms, 0) and priority >= call.priority
            quiet = bool(call.key) and quiet_ms.get(call.key, -1) >= _newest_ms(call)
            if made or quiet or call.kind in (CallKind.TAKEN, CallKind.RETURNED):
                del self.held[name]

    def is_new(self, stance: Stance, problem: Problem) -> bool:
        """Return whether people answered the other, about a problem as we know it, and we did not take it."""
        known = self.taken.get(stance.problem)
        anew = known is None or known.answered != stance.answered
        return anew and stance.answer is not None and stance.as_of_ms >= newest_ms(problem)

    def stances(self, problems: Mapping[str, Problem], now_ms: int) -> tuple[Stance, ...]:
        """Return what is to be said to the other of the problems that stand, the worst first."""
        said = [it for it in problems.values() if it.answer is not None or it.urgency is None]
        said.sort(key=lambda problem: -(problem.urgency or problem.seen or 0))
        return tuple(self._stance(problem, now_ms) for problem in said[:SAID_AT_MOST])

    def _stance(self, problem: Problem, now_ms: int) -> Stance:
        answer, known = problem.answer, self.taken.get(problem.key)
        adopted = known is not None and known.at_ms == problem.answered_ms
        own = answer.counted_from(now_ms) if answer and answer.who and not adopted else None
        answered = f"{problem.number} {problem.answered_ms}" if own else ""
        return Stance(problem.key, problem.urgency is not None, newest_ms(problem), own, answered)


def newest_ms(problem: Problem) -> int:
    """Return when a rack said its newest word on a problem, by its own clock; 0 where none did."""
    words = (member.word for member in problem.members.values())
    return max((word.event.at_ms for word in words if word.journal), default=0)


def _newest_ms(call: Call) -> int:
    return max((word.event.at_ms for word in call.about if word.journal), default=0)
