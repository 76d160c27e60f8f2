"""The state of the calling: the problems that stand, what falls due of them, the last numbers given out."""

import heapq
from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.alarms.event import Course
from rules.calling.drill import Practice
from rules.calling.flood import FloodGate
from rules.calling.pair import Waiting
from rules.calling.problems import Given, Problem
from rules.calling.records import Trails, Word
from rules.calling.rested import Rested

GONE_KEPT = 200
SKIPPED = 100
"""So many numbers may have been given out since the last one that anybody knows of (project judgement)."""


@dataclass(slots=True)
class Calls:
    """The state of the calling: problems by key, what is over for the digest, and the last numbers used:
    of a problem, of a call about several, and how many calls were written at all.

    `trails` are, by rack, those of the alarms in its last sign of life, and that one's time: to be shown.

    A rack gone wild says ten thousand alarms, behind which another rack's must not wait: so the problem of
    an alarm is looked up by rack, and what falls due next stands in a heap (beside times that have changed).
    """

    problems: dict[str, Problem] = field(default_factory=dict)
    last_number: int = 0
    summaries: int = 0
    written: int = 0
    gone: list[Word] = field(default_factory=list)
    flood: FloodGate = field(default_factory=FloodGate)
    waiting: Waiting = field(default_factory=Waiting)
    practice: Practice = field(default_factory=Practice)
    trails: dict[str, Trails] = field(default_factory=dict)
    rested: Rested = field(default_factory=Rested)
    _homes: dict[str, dict[str, Problem]] = field(init=False, default_factory=dict)
    _dues: list[tuple[int, int, str]] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        """Work out where each alarm belongs, and what falls due."""
        for problem in self.problems.values():
            for member in problem.members.values():
                self.belongs(member.word, problem)
            self.plan(problem, problem.due_ms)

    def belongs(self, word: Word, problem: Problem) -> None:
        """Note the problem that an alarm belongs to."""
        self._homes.setdefault(word.rack, {})[word.event.alarm] = problem

    def home(self, rack: str, alarm: str) -> Problem | None:
        """Return the problem that an alarm belongs to."""
        return self._homes.get(rack, {}).get(alarm)

    def of_rack(self, rack: str) -> list[Problem]:
        """Return the problems of a rack, by number."""
        found = {problem.number: problem for problem in self._homes.get(rack, {}).values()}
        return [found[number] for number in sorted(found)]

    def leave(self, problem: Problem, words: Iterable[Word]) -> None:
        """Forget where alarms belonged, and their problem if it has no other."""
        for word in list(words):
            problem.remove(word.event.alarm)
            del self._homes[word.rack][word.event.alarm]
        if not problem.members:
            del self.problems[problem.key]

    def plan(self, problem: Problem, due_ms: int | None) -> None:
        """Call about a problem next at `due_ms`, or when what is seen of it calls again if that is sooner."""
        problem.due_ms = due_ms
        if problem.next_ms is not None:
            heapq.heappush(self._dues, (problem.next_ms, problem.number, problem.key))

    def begin_anew(self, now_ms: int) -> None:
        """Call about what somebody was called about and nobody has answered, from the top of the line-up."""
        self.rested = Rested()
        for problem in self.problems.values():
            problem.reached = None
            if problem.urgency is not None and problem.handed_ms is not None and not problem.waits:
                problem.begin()
                self.plan(problem, now_ms)

    def due_ms(self) -> int | None:
        """Return when the next call falls due."""
        while self._dues and self._planned(self._dues[0]) is None:
            heapq.heappop(self._dues)
        return self._dues[0][0] if self._dues else None

    def take_due(self, now_ms: int) -> list[Problem]:
        """Return the problems that are due, each once."""
        due: dict[int, Problem] = {}
        while self._dues and self._dues[0][0] <= now_ms:
            if problem := self._planned(heapq.heappop(self._dues)):
                due[problem.number] = problem
        return list(due.values())

    def _planned(self, entry: tuple[int, int, str]) -> Problem | None:
        due_ms, number, key = entry
        problem = self.problems.get(key)
        return problem if problem and (problem.number, problem.next_ms) == (number, due_ms) else None

    @property
    def given(self) -> Given:
        """Return the last numbers used."""
        return self.last_number, self.summaries, self.written

    def skip(self) -> None:
        """Leave out numbers that may have been given out and nobody knows of: our file may have gone back."""
        self.last_number += SKIPPED
        self.summaries += SKIPPED
        self.written += SKIPPED
        for problem in self.problems.values():
            problem.calls += SKIPPED

    def in_order(self) -> list[Problem]:
        """Return the problems that stand, by number."""
        return sorted(self.problems.values(), key=lambda problem: problem.number)

    def follow(self, rack: str, journal: str, courses: Iterable[Course], rack_ms: int) -> None:
        """Take it that the water of alarms that a rack's journal told of is there now."""
        courses = tuple(courses)
        self.trails.pop(rack, None)
        if trails := {course.alarm: course.trail for course in courses if course.trail}:
            self.trails[rack] = Trails(rack_ms, trails)
        for course in courses:
            home = self.home(rack, course.alarm)
            if home and home.members[course.alarm].word.journal == journal:
                home.members[course.alarm].follow(course, rack_ms)

    def newest_ms(self, word: Word) -> int:
        """Return when the last word on the same alarm was said; -1 where there is none."""
        home = self.home(word.rack, word.event.alarm)
        return home.members[word.event.alarm].word.event.at_ms if home else -1

    def keep_for_digest(self, *words: Word) -> None:
        """Keep what is over, or worth knowing, until the next digest says it."""
        self.gone = [*self.gone, *words][-GONE_KEPT:]
