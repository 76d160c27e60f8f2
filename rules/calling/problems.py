"""What people are called about: the alarms of one cause, and how far the calling has come.

1. Alarms that share a cause on a rack are one problem; the first that calls begins it, under a new number.
2. A problem is as urgent as the worst of its alarms that nobody has seen yet, at its worst since then: what
   eases unseen is called as what it was.
3. What a person has seen stays seen until it calls anew; easing is no new call, nor is it when only the
   milder of two limits is left.
4. An alarm whose cause becomes known goes over to the problem of that cause; with the last one of a problem
   its calling goes over.
5. It is called from the top of the line-up where an alarm makes it more urgent. Where that was told already
   and only comes back, and nobody has answered, the calling goes on where it was.
6. Where all of it was over meanwhile, or what is back has rested for longer than the calling waits, those who
   were called are called at once, and the next of the line-up with them; from that person on it goes as ever.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rules.alarms.event import NO_EVIDENCE, Course
from rules.alarms.life_cycle import MILDER, OF_PEOPLE, WORSE, Priority, Trigger
from rules.alarms.recurrence import AGAIN_MS
from rules.calling.duty import Duty, Manner
from rules.calling.records import Answer, Reply, Stand, Word

Given = tuple[int, int, int]
"""The last numbers that were given out: of a problem, of a call about several, and how many calls."""
QUIET_MS = 30 * 60_000
PROMISED_AT_MOST_MS = 2 * 3_600_000
"""A promise to be there later than this is none (project judgement)."""
TOGETHER_MS = 1_000
"""Two answers within this time were given without knowing of each other: the more careful one holds."""


_NO_NEWS = (Trigger.EASED, Trigger.REANNOUNCED)
"""What calls nobody about what a person has seen; when it is asked about again, one clock says, ours."""


def promised_until_ms(answer: Answer, now_ms: int) -> int | None:
    """Return when somebody means to be there, as far ahead as it counts; None where that is not promised."""
    if answer.reply is not Reply.ON_MY_WAY or answer.until_ms is None:
        return None
    return min(answer.until_ms, now_ms + PROMISED_AT_MOST_MS)


@dataclass(slots=True)
class Member:
    """One alarm of a problem: the last word on it, what it asks of people, its worst priority unseen.

    `told` is the value that the last call told.
    """

    word: Word
    stand: Stand
    worst: Priority
    told: float | None = None

    def take(self, word: Word) -> None:
        """Take a newer word of the rack into account."""
        stand, priority = word.stand, word.event.priority
        if stand is Stand.CALLS and self.stand is Stand.SEEN and word.event.trigger in _NO_NEWS:
            stand = Stand.SEEN
        if word.event.evidence == NO_EVIDENCE:  # a step of people: the numbers are those of before
            as_of_ms, event = self.word.as_of_ms or self.word.event.at_ms, word.event
            event = replace(event, evidence=self.word.event.evidence)
            word = replace(word, event=event, as_of_ms=as_of_ms)
        went_on = stand is Stand.CALLS and self.stand is Stand.CALLS
        self.worst = max(self.worst, priority) if went_on else priority
        self.word, self.stand = word, stand

    def follow(self, course: Course, rack_ms: int) -> None:
        """Take it that the water is there now, by its rack's time."""
        evidence, as_of_ms = self.word.event.evidence, rack_ms - course.age_ms
        if as_of_ms <= (self.word.as_of_ms or self.word.event.at_ms):
            return
        reached_ms = None if course.left_ms is None else as_of_ms + course.left_ms
        rate = course.rate_per_hour
        now = replace(evidence, value=course.value, rate_per_hour=rate, reached_ms=reached_ms)
        self.word = replace(self.word, event=replace(self.word.event, evidence=now), as_of_ms=as_of_ms)


@dataclass(frozen=True, slots=True)
class Reached:
    """How far calls that nobody has answered came: the place in the line-up, called since `handed_ms` and
    last at `at_ms`, and the alarms that were `told`, each at its worst."""

    step: int
    handed_ms: int
    at_ms: int
    told: dict[str, Priority]


@dataclass(frozen=True, slots=True)
class Unanswered:
    """An alarm of problem `number` that was over at `over_ms`: the worst that was told of it, and who was
    called, none of whom had answered."""

    number: int
    over_ms: int
    worst: Priority
    people: tuple[str, ...]

    def counts(self, now_ms: int) -> bool:
        """Return whether what is back now comes and goes; later it is another matter."""
        return now_ms <= self.over_ms + AGAIN_MS


@dataclass(slots=True)
class Problem:
    """Alarms of one cause on one rack, by name.

    `calls` counts the calls about it; `step` is the place in the line-up that is called now, since
    `handed_ms` (None where the first call about what it has become is still due); `due_ms` is when the next
    call about what calls falls due, the end of the quiet hours where it `waits` for that; `again_ms` is when
    what is seen calls again, whatever milder calls meanwhile, counted from `again_from_ms` by the time of the
    priority `again_by` (None where people said when); `failed` counts the people who could not be
    reached since the last regular call, or were called at once with the one in place; `told` are those who
    were called; `lead` is the alarm that they were told of last; `answer` is the last one, since
    `answered_ms`; `asked` is which of the calls asked for one last, `asked_in` which of those about several
    has since; `was` is what was over, came back, and is not answered yet.
    """

    number: int
    key: str
    members: dict[str, Member] = field(default_factory=dict)
    calls: int = 0
    step: int = 0
    handed_ms: int | None = None
    due_ms: int | None = None
    failed: int = 0
    told: list[str] = field(default_factory=list)
    waits: bool = False
    answer: Answer | None = None
    answered_ms: int = 0
    again_ms: int | None = None
    again_by: Priority | None = None
    again_from_ms: int = 0
    lead: str = ""
    asked: int = 0
    asked_in: int = 0
    reached: Reached | None = None
    was: dict[str, Unanswered] = field(default_factory=dict)
    _tally: Counter[tuple[Stand, Priority]] = field(init=False, default_factory=Counter)

    def __post_init__(self) -> None:
        """Count the alarms by stand and priority: a problem may have thousands."""
        self._tally.update((member.stand, member.worst) for member in self.members.values())

    def take(self, word: Word) -> None:
        """Take a word on an alarm into account."""
        event = word.event
        if event.trigger in OF_PEOPLE:
            self.reached, self.was = None, {}
        known = self.members.get(event.alarm)
        member = known or Member(word, word.stand, event.priority)
        kin = [self.members.get(f"{event.channel}/{its.get(event.condition)}") for its in (WORSE, MILDER)]
        seen = any(other is not None and other.stand is Stand.SEEN for other in kin)
        if known:
            self._tally[member.stand, member.worst] -= 1
        member.take(word)
        if seen and event.trigger is Trigger.GOES_ON:
            member.stand = Stand.SEEN
        self.members[event.alarm] = member
        self._tally[member.stand, member.worst] += 1

    def see(self) -> None:
        """Take what calls as seen."""
        self.reached, self.was = None, {}
        self._turn(Stand.CALLS, Stand.SEEN)

    def ask_again(self, answer: Answer, duty: Duty, now_ms: int) -> None:
        """Let what is seen call again in time, as somebody has answered."""
        if (seen := self.seen) is None:
            return
        again_ms, self.again_by, self.again_from_ms = QUIET_MS, None, now_ms
        if (until_ms := promised_until_ms(answer, now_ms)) is not None:
            again_ms = max(until_ms - now_ms, 0)
        elif answer.reply is not Reply.QUIET:
            again_ms, self.again_by = duty.manners[seen].ask_again_ms, seen
        self.again_ms = now_ms + again_ms

    def ask_sooner(self, duty: Duty, now_ms: int) -> None:
        """Let what is seen call again sooner, where the team's agreement says so now."""
        if self.again_ms is not None and self.again_by is not None:
            again_ms = self.again_from_ms + duty.manners[self.again_by].ask_again_ms
            self.again_ms = min(self.again_ms, max(again_ms, now_ms))

    def was_asked_by(self, call_id: str) -> bool:
        """Return whether a call is the last one that asked for an answer."""
        return call_id in (f"{self.number}.{self.asked}", f"0.{self.asked_in}")

    def call_again(self) -> None:
        """Let what was seen call again."""
        self._turn(Stand.SEEN, Stand.CALLS)

    def _turn(self, before: Stand, after: Stand) -> None:
        for member in [member for member in self.members.values() if member.stand is before]:
            self._tally[before, member.worst] -= 1
            member.stand = after
            self._tally[after, member.worst] += 1

    def remove(self, alarm: str) -> None:
        """Let an alarm go over to another problem."""
        member = self.members.pop(alarm)
        self._tally[member.stand, member.worst] -= 1

    def calling(self) -> Iterator[Member]:
        """Go through the alarms that nobody has seen yet."""
        return (member for member in self.members.values() if member.stand is Stand.CALLS)

    @property
    def is_due_anew(self) -> bool:
        """Return whether a first call about what it has become is still due, and waits for no day."""
        begun = self.urgency is not None and self.handed_ms is None
        return begun and self.next_ms is not None and not self.waits

    def refusal(self, answer: Answer, at_ms: int, called_by_ms: int) -> str:
        """Return why an answer does not count, else nothing: there is more, which is called by then, or
        somebody else gave a more careful one a moment ago."""
        last, due_ms = self.answer, self.next_ms
        if answer.reply is Reply.NEXT:
            return ""
        if self.told and self.is_due_anew and due_ms is not None and due_ms <= called_by_ms:
            return "it is not what you were told any more; a call that says what it is comes now"
        if last is None or last.who == answer.who or at_ms - self.answered_ms > TOGETHER_MS:
            return ""
        return f"{last.who} has just asked to {last.reply}" if last.reply is Reply.NEXT else ""

    def said_twice(self, answer: Answer, at_ms: int) -> bool:
        """Return whether a button was pressed twice: that must not pass over the person called next."""
        again = answer.reply is Reply.NEXT and answer == self.answer
        return again and at_ms - self.answered_ms <= TOGETHER_MS

    @property
    def urgency(self) -> Priority | None:
        """Return the worst priority that nobody has seen yet; None where all is seen, silenced or over."""
        return self._worst(Stand.CALLS)

    @property
    def seen(self) -> Priority | None:
        """Return the worst priority of what somebody has seen and still stands."""
        return self._worst(Stand.SEEN)

    def _worst(self, stand: Stand) -> Priority | None:
        return max((worst for (its, worst), n in self._tally.items() if n and its is stand), default=None)

    @property
    def seen_here_only(self) -> bool:
        """Return whether a rack still calls what somebody has seen: it has not confirmed it."""
        seen = (it.word for it in self.members.values() if it.stand is Stand.SEEN)
        return any(word.stand is Stand.CALLS and word.journal for word in seen)

    @property
    def is_drill(self) -> bool:
        """Return whether it is invented: what anything real joins is real."""
        return all(member.word.is_drill for member in self.members.values())

    def stands(self, alarm: str) -> bool:
        """Return whether an alarm of it stands."""
        return self.members[alarm].stand is not Stand.OVER

    @property
    def open(self) -> bool:
        """Return whether any of its alarms still stands."""
        return any(n and stand is not Stand.OVER for (stand, _), n in self._tally.items())

    @property
    def next_ms(self) -> int | None:
        """Return when somebody is called next: about what calls, or about what was seen if that is sooner."""
        return min((it for it in (self.due_ms, self.again_ms) if it is not None), default=None)

    def begin(self) -> None:
        """Start calling from the top of the line-up."""
        self.reached = None
        self.rise()

    def rise(self) -> None:
        """Start calling about what it has become: from the top, unless it is there when that is called."""
        self.step, self.handed_ms, self.failed, self.waits = 0, None, 0, False

    def rise_due_ms(self, urgency: Priority, gathered_ms: int) -> int:
        """Return when it is called about what it has become; nobody who is due sooner for that waits."""
        if self.due_ms is None or not (self.handed_ms is None or self._only_comes_back(urgency)):
            return gathered_ms
        return min(gathered_ms, self.due_ms)

    def _only_comes_back(self, urgency: Priority) -> bool:
        """Return whether all that is so urgent was told already since people answered last."""
        told = self.reached.told if self.reached else {}
        return all(told.get(name, 0) >= urgency for name in self._most(urgency))

    def _most(self, urgency: Priority) -> Iterator[str]:
        calling = (item for item in self.members.items() if item[1].stand is Stand.CALLS)
        return (name for name, member in calling if member.worst == urgency)

    def go_on(self, urgency: Priority, manner: Manner, now_ms: int) -> None:
        """Go back to where the calling was, if what calls now was told and it has not rested for long."""
        was = self.reached
        if self.handed_ms is not None or was is None or now_ms > was.at_ms + manner.ask_again_ms:
            return
        if self._only_comes_back(urgency):
            self.step, self.handed_ms = was.step, was.handed_ms

    def go_on_from(self, left: "Problem") -> None:
        """Go on with the calling of a problem of which nothing is left."""
        self.told += [person for person in left.told if person not in self.told]
        self.was = left.was | self.was
        self.reached = self.reached or left.reached

    @property
    def called_before(self) -> tuple[str, ...]:
        """Return who was called about what was over and came back."""
        return _people(self.was)

    def _rested(
        self, urgency: Priority, manner: Manner, line_up: Sequence[str], now_ms: int
    ) -> dict[str, Unanswered]:
        """Return what is back after a longer rest, where what is milder or seen stood all the while."""
        was = self.reached
        if self.handed_ms is not None or was is None or now_ms <= was.at_ms + manner.ask_again_ms:
            return {}
        called = (person for person in line_up[: was.step + 1] if person in self.told)
        rested = Unanswered(self.number, was.at_ms, urgency, (*self.called_before, *called))
        told = (name for name in self._most(urgency) if was.told.get(name, 0) >= urgency)
        return dict.fromkeys(told, rested) if rested.counts(now_ms) else {}

    def _come_back(
        self, was: Mapping[str, Unanswered], urgency: Priority, line_up: Sequence[str], now_ms: int
    ) -> list[str]:
        """Go on with the calling about what is back now; return who is called at once, the next person last.

        Nobody is, where the calling goes on anyhow, or all that is so urgent is new or may wait for the day.
        """
        self.was |= was
        called = _people(was)
        back = any(name in was and was[name].worst >= urgency for name in self._most(urgency))
        if self.handed_ms is not None or not back or urgency < Priority.HIGH:
            return []
        last = max((place for place, person in enumerate(line_up, 1) if person in called), default=0)
        after = (*line_up[last:], *line_up[:last])
        following = [person for person in after if person not in called][:1]
        at_once = [person for person in line_up if person in called] + following
        self.step = line_up.index(following[0]) if following else 0
        self.handed_ms, self.failed = now_ms, len(at_once) - 1
        return at_once

    def turn(
        self,
        urgency: Priority,
        manner: Manner,
        now_ms: int,
        line_up: Sequence[str],
        was: Mapping[str, Unanswered],
    ) -> list[str]:
        """Go down the line-up as far as it is time at a call; return who is called. `was` is back now."""
        self.go_on(urgency, manner, now_ms)
        was = {**self._rested(urgency, manner, line_up, now_ms), **was}
        at_once = self._come_back(was, urgency, line_up, now_ms)
        if self.handed_ms is None:
            self.handed_ms = now_ms
        elif now_ms > self.handed_ms:
            self.failed = 0
            if now_ms >= self.handed_ms + manner.hand_over_ms:
                self.step, self.handed_ms = self.step + 1, now_ms
        told = {name: its.worst for name, its in was.items()} | (self.reached.told if self.reached else {})
        for name, member in self.members.items():
            if member.stand is Stand.CALLS:
                told[name] = max(member.worst, told.get(name, member.worst))
        self.reached = Reached(self.step, self.handed_ms, now_ms, told)
        return at_once or [line_up[self.step % len(line_up)]]

    def repeated_ms(self, manner: Manner) -> int | None:
        """Return when somebody is called again about what was called; None where a first call is due."""
        if self.handed_ms is None or self.reached is None:
            return None
        return min(self.reached.at_ms + manner.repeat_ms, self.handed_ms + manner.hand_over_ms)

    def words(self, *stands: Stand) -> tuple[Word, ...]:
        """Return the latest word on its alarms in those stands, the most urgent and oldest first."""
        chosen = [member for member in self.members.values() if member.stand in stands]
        chosen.sort(key=lambda member: (-member.worst, member.word.event.since_ms, member.word.event.alarm))
        return tuple(member.word for member in chosen)


def _people(was: Mapping[str, Unanswered]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(person for its in was.values() for person in its.people))
