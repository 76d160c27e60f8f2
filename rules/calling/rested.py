"""What was over before anybody had answered: should it come back, the calling goes on from there.

1. What is high or critical and was called is kept when its problem is over, by rack and alarm, for as long as
   a rack takes what is back for what comes and goes.
2. An answer ends that, also one to its number that comes late; so do an act at the rack and another's turn.
3. What comes back and is over before people were called changes nothing of it.
4. Who has promised to be there is called as it comes back, and until then nobody else is for that alone.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from itertools import takewhile

from rules.alarms.life_cycle import Priority
from rules.calling.problems import Problem, Unanswered, promised_until_ms
from rules.calling.records import Answer, Reply, Stand


@dataclass(frozen=True, slots=True)
class Promise:
    """Somebody means to be there at `until_ms`, about what was `worst` then."""

    until_ms: int
    worst: Priority


@dataclass(slots=True)
class Rested:
    """What nobody had answered, by rack and alarm, the longest over first, and what was promised of any."""

    of_rack: dict[str, dict[str, Unanswered]] = field(default_factory=dict)
    promised: dict[str, dict[str, Promise]] = field(default_factory=dict)

    def keep(self, problem: Problem, now_ms: int) -> None:
        """Keep what was called of a problem that is over, if nobody has answered."""
        told = problem.reached.told if problem.reached and problem.told else {}
        people = tuple(dict.fromkeys([*problem.called_before, *problem.told]))
        for alarm, member in problem.members.items():
            was, promise = problem.was.get(alarm), self.promised.get(member.word.rack, {}).get(alarm)
            passed_on = was or (problem.answer and problem.answer.reply is Reply.NEXT)
            if promise and not passed_on and now_ms < promise.until_ms and member.worst <= promise.worst:
                continue
            if told.get(alarm, Priority.LOW) >= Priority.HIGH:
                was = Unanswered(problem.number, now_ms, told[alarm], people)
            if was:
                self.put(member.word.rack, alarm, was, now_ms)

    def put(self, rack: str, alarm: str, was: Unanswered, now_ms: int) -> None:
        """Keep an alarm that nobody has answered, and nothing that was over long ago."""
        rested = self.of_rack.setdefault(rack, {})
        rested[alarm] = was
        for past in list(takewhile(lambda name: not rested[name].counts(now_ms), rested)):
            del rested[past]

    def back(self, problem: Problem, now_ms: int) -> dict[str, Unanswered]:
        """Give out what is back of a problem that is called now."""
        calling = ((name, it.word.rack) for name, it in problem.members.items() if it.stand is Stand.CALLS)
        known = ((alarm, self.of_rack.get(rack, {}).pop(alarm, None)) for alarm, rack in calling)
        return {alarm: was for alarm, was in known if was and was.counts(now_ms)}

    def forget(self, rack: str, alarms: Iterable[str]) -> None:
        """Forget alarms that somebody has answered."""
        if rested := self.of_rack.get(rack):
            for alarm in alarms:
                rested.pop(alarm, None)

    def any_of(self, numbers: Collection[int], now_ms: int) -> bool:
        """Return whether anything of some problems is left to answer."""
        every = (it for rested in self.of_rack.values() for it in rested.values())
        return any(it.number in numbers and it.counts(now_ms) for it in every)

    def promise(self, rack: str, alarm: str, worst: Priority, answer: Answer, now_ms: int) -> None:
        """Note until when somebody is on the way about an alarm, if that is what the answer says."""
        known = self.promised.setdefault(rack, {})
        for past in [name for name, it in known.items() if it.until_ms <= now_ms or name == alarm]:
            del known[past]
        if (until_ms := promised_until_ms(answer, now_ms)) is not None:
            known[alarm] = Promise(until_ms, worst)

    def answered(self, number: int, answer: Answer, now_ms: int) -> bool:
        """Take a late answer; return whether there was anything to answer."""
        found = self.any_of((number,), now_ms)
        for rack, rested in self.of_rack.items():
            for alarm, was in [item for item in rested.items() if item[1].number == number]:
                self.promise(rack, alarm, was.worst, answer, now_ms)
                self.forget(rack, [alarm])
        return found
