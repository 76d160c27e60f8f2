"""Calls about several problems, or about none: the rest of a flood, the digest, the daily word; and practice.

The daily word goes to whoever is on call and wants one, also where all is well: that it does not come is told
by its absence alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Self

from rules.alarms.life_cycle import Condition, Priority
from rules.calling.calling import Caller
from rules.calling.drill import Outcome
from rules.calling.duty import Duty, When
from rules.calling.racks.signs import Rack, RackSigns, sign_word
from rules.calling.records import DRILL, DRILL_LACKING, Call, CallKind, Day, RackToday, Stand, Word

SUMMARY_LISTS = 20


@dataclass(slots=True)
class Agenda:
    """When the people's clock next brings the digest, a daily word, and somebody else's turn."""

    digest_ms: int | None
    word_ms: int | None
    turn_ends_ms: int | None

    @classmethod
    def after(cls, at_ms: int, duty: Duty) -> Self:
        """Return what comes after a moment."""
        return cls(duty.next_digest_ms(at_ms), duty.next_word_ms(at_ms), duty.turn_ends_ms(at_ms))

    def due_ms(self) -> int | None:
        """Return when the first of them is due."""
        dues = (self.digest_ms, self.word_ms, self.turn_ends_ms)
        return min((due_ms for due_ms in dues if due_ms is not None), default=None)

    def tell(self, caller: Caller, signs: RackSigns) -> None:
        """Tell the one of the two that is due, the daily word first."""
        now_ms, duty = caller.now_ms, caller.duty
        if self.word_ms is not None and self.word_ms <= now_ms:
            self.word_ms = duty.next_word_ms(now_ms)
            if person := duty.word_to(now_ms):
                tell_daily_word(caller, person, signs.racks, heard=signs.down_ms is None)
        else:
            tell_digest(caller)
            self.digest_ms = duty.next_digest_ms(now_ms)


def begin_drill(caller: Caller, asked: Word) -> None:
    """Practise with an invented problem; not where somebody is called about a real one, nor for a repeat."""
    calls, duty, now_ms = caller.calls, caller.duty, caller.now_ms
    practice = calls.practice
    if practice.going_on or (practice.newest and practice.newest.id == asked.event.cause):
        return
    word = sign_word(asked.rack, DRILL, Priority.MEDIUM, now_ms, now_ms)
    called = any(it.urgency and it.handed_ms is not None for it in calls.problems.values())
    practice.begin(
        asked, word.problem, duty.number_after(calls.last_number), duty.quiet_ends_ms(now_ms) or now_ms
    )
    if called or word.problem in calls.problems:
        practice.end(Outcome.BROKEN_OFF, now_ms)
    else:
        caller.take(word)


def practise(caller: Caller) -> None:
    """End a drill that nobody answered, or let the digest say that there was none for long."""
    practice, now_ms = caller.calls.practice, caller.now_ms
    drill = practice.going_on
    if drill:
        caller.end_drill(Outcome.NOT_ANSWERED)
    else:
        practice.lacking_ms = now_ms
    reason = Outcome.NOT_ANSWERED if drill else ""
    word = sign_word(drill.rack if drill else "", DRILL_LACKING, Priority.LOW, now_ms, now_ms, reason)
    caller.calls.keep_for_digest(replace(word, mention=True))


def tell_daily_word(caller: Caller, person: str, racks: Mapping[str, Rack], *, heard: bool) -> None:
    """Tell a person how each rack is, the worst first; unless `heard` the broker is not reached."""
    calls = caller.calls
    today = []
    for name, rack in racks.items():
        members = [member for problem in calls.of_rack(name) for member in problem.members.values()]
        stand = [it.word.event for it in members if it.stand is not Stand.OVER and it.word.journal]
        unwatched = sum(event.condition == Condition.UNWATCHED for event in stand)
        state = "silent" if rack.silent else rack.state
        today.append(RackToday(name, state if heard else "", rack.vessels, unwatched, len(stand)))
    day = Day(tuple(sorted(today, key=RackToday.rank)), calls.practice.passed_ms)
    sum_up(caller, CallKind.DAILY_WORD, person, Priority.LOW, [], day=day)


def tell_held(caller: Caller) -> None:
    """Tell the rest of a flood whose time has come."""
    for person, numbers in caller.calls.flood.release(caller.now_ms):
        calling = [
            (urgency, problem)
            for problem in caller.calls.in_order()
            if problem.number in numbers
            and (urgency := problem.urgency) is not None
            and caller.waits_until_ms(problem, urgency) is None
        ]
        if not calling:
            continue
        calling.sort(key=lambda item: (-item[0], item[1].number))
        line_up = caller.duty.line_up(caller.now_ms)
        for _, problem in calling:
            problem.told += [] if person in problem.told else [person]
            if line_up[problem.step % len(line_up)] == person:
                problem.asked_in = caller.calls.summaries + 1
        about = [word for _, problem in calling for word in problem.words(Stand.CALLS)]
        told = tuple(problem.number for _, problem in calling)
        sum_up(caller, CallKind.FLOOD, person, calling[0][0], about, told)


def tell_digest(caller: Caller) -> None:
    """Tell whoever is on call what could wait."""
    low = [
        problem
        for problem in caller.calls.in_order()
        if (urgency := problem.urgency) and caller.manner(problem, urgency).when is When.DIGEST
    ]
    about = [*(word for problem in low for word in problem.words(Stand.CALLS)), *caller.calls.gone]
    if about:
        sum_up(caller, CallKind.DIGEST, caller.duty.on_call(caller.now_ms), Priority.LOW, about)
    caller.calls.gone = []


def sum_up(
    caller: Caller,
    kind: CallKind,
    person: str,
    priority: Priority,
    about: list[Word],
    numbers: tuple[int, ...] = (),
    day: Day | None = None,
) -> None:
    """Write to one person about several problems, or about none."""
    caller.calls.summaries += 1
    shown, more = tuple(about[:SUMMARY_LISTS]), max(len(about) - SUMMARY_LISTS, 0)
    call_id = f"0.{caller.calls.summaries}"
    call = Call(call_id, kind, 0, person, priority, caller.now_ms, shown, more, problems=numbers, day=day)
    caller.send(call)
