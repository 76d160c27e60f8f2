"""Any story of alarms of mixed priorities, held against a plain model of what the team was promised.

The model keeps, for each cause, which alarms call and how bad each was since somebody saw it; the promises
are those that the duty gives: gathered first, repeated, handed over, silent once seen, its end told to those
who were told, and what is back unanswered to all of those and the next at once. A second calling fold lives
through the same story with restarts; nobody may see a difference.
"""

import json
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from rules.alarms.life_cycle import Priority
from rules.alarms.recurrence import AGAIN_MS
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, CallKind, Reply, Stand
from tests.rigs.examples import examples
from tests.rules.calling.test_escalation import DUTY, HOUR, MANNERS, MIN, NIGHT, NOON, word

CAUSES = {
    "k1/temperature/high": "loop",
    "k2/temperature/high": "loop",
    "k1/oxygen/low": "",
}
STANDS = {
    "raised": ("unacknowledged", Stand.CALLS),
    "worsened": ("unacknowledged", Stand.CALLS),
    "eased": ("unacknowledged", Stand.CALLS),
    "acknowledged": ("acknowledged", Stand.SEEN),
    "shelved": ("shelved", Stand.SILENCED),
    "returned": ("normal", Stand.OVER),
}
TRIGGERS = st.sampled_from(list(STANDS))
PRIORITIES = st.sampled_from([Priority.CRITICAL, Priority.CRITICAL, Priority.HIGH, *Priority])
TIMES = st.sampled_from([0, 5_000, 15_000, MIN, 5 * MIN, 16 * MIN, HOUR, 12 * HOUR]) | st.integers(0, HOUR)
SPELLS = st.sampled_from([0, 14_999, 15_000, MIN, 6 * MIN, 16 * MIN, 41 * MIN])
DAY = 24 * HOUR
REPLIES = st.sampled_from([Reply.SEEN, Reply.ON_MY_WAY, Reply.QUIET])
AGAIN = {Priority.CRITICAL: 40 * MIN, Priority.HIGH: 70 * MIN, Priority.MEDIUM: 5 * HOUR, Priority.LOW: DAY}
TEAM_DUTY = replace(
    DUTY, manners={rank: replace(manner, ask_again_ms=AGAIN[rank]) for rank, manner in MANNERS.items()}
)
TEAM = len(DUTY.rota.people)


@dataclass
class Rest:
    """An alarm that is over: how bad it was told, to whom, under which number, since when nothing is left."""

    worst: Priority
    people: set
    number: int
    over_ms: int

    def counts(self, now_ms):
        return now_ms - self.over_ms <= AGAIN_MS


@dataclass
class Matter:
    """What one cause asks of people: each alarm's stand and its worst priority since somebody saw it."""

    stands: dict = field(default_factory=dict)
    told: set = field(default_factory=set)
    newest_id: str = ""
    call_by_ms: int | None = None
    step: int = 0
    handed_ms: int | None = None
    failed: int = 0
    again_ms: int | None = None
    again_step: int = 0
    left: tuple | None = None
    number: int = 0
    before: set = field(default_factory=set)
    at_once: set = field(default_factory=set)
    at_once_ms: int = -1

    @property
    def urgency(self):
        return max((worst for stand, worst in self.stands.values() if stand is Stand.CALLS), default=None)

    @property
    def seen(self):
        return max((worst for stand, worst in self.stands.values() if stand is Stand.SEEN), default=None)

    def was_told(self, told):
        """Return whether each alarm that is as urgent as any was told as such."""
        urgent = [alarm for alarm, its in self.stands.items() if its == (Stand.CALLS, self.urgency)]
        return all(told.get(alarm, 0) >= self.urgency for alarm in urgent)

    def settle(self, now_ms, reply=Reply.SEEN, who=""):
        """Seen is not solved: it calls again, from whoever answered on."""
        self.call_by_ms, self.left, line_up = None, None, DUTY.rota.line_up(now_ms)
        self.again_ms = now_ms + (30 * MIN if reply is Reply.QUIET else AGAIN[self.seen])
        self.again_step = (line_up.index(who) if who else 0) + (reply is Reply.ON_MY_WAY)

    def call_again(self, now_ms):
        """What is seen calls again once it is time."""
        if self.again_ms is None or self.again_ms > now_ms:
            return
        for alarm, (stand, worst) in self.stands.items():
            if stand is Stand.SEEN:
                self.stands[alarm] = (Stand.CALLS, worst)
        self.step, self.handed_ms, self.failed, self.again_ms = self.again_step, None, 0, None
        self.left = None

    @property
    def over(self):
        return all(stand is Stand.OVER for stand, _ in self.stands.values())

    def hear(self, alarm, trigger, priority):
        stand = STANDS[trigger][1]
        before, worst = self.stands.get(alarm, (stand, priority))
        if trigger == "eased" and before is Stand.SEEN:
            stand = Stand.SEEN
        unseen = stand is before is Stand.CALLS
        self.stands[alarm] = (stand, max(worst, priority) if unseen else priority)

    def review(self, before, now_ms, seen):
        """Somebody must be called sooner where it is new, or worse than it was; an end settles nothing.

        What is no worse than what was told goes on where nobody answered, and puts nobody off.
        """
        if self.urgency is None and before is not None and seen:
            self.settle(now_ms)
        elif self.urgency is None:
            self.call_by_ms = None
        elif before is None or self.urgency > before:
            told = self.left is not None and self.was_told(self.left[2])
            kept = before is not None and self.call_by_ms is not None and (self.handed_ms is None or told)
            gathered_ms = now_ms + DUTY.gather_ms
            self.call_by_ms = min(gathered_ms, self.call_by_ms) if kept else gathered_ms
            self.step, self.handed_ms, self.failed = 0, None, 0
        if self.seen is None:
            self.again_ms = None
        elif self.again_ms is None:
            self.again_ms = now_ms + AGAIN[self.seen]

    def tells_by(self, at_ms):
        """Return whether a first call about what it has become is due by then."""
        dues = [due_ms for due_ms in (self.call_by_ms, self.again_ms) if due_ms is not None]
        return self.handed_ms is None and min(dues, default=at_ms + 1) <= at_ms

    def come_back(self, rested, now_ms):
        """What is back unanswered is told to all who were called about it and, if any is left, the next."""
        people, line_up = set().union(*(rest.people for rest in rested.values())), DUTY.rota.line_up(now_ms)
        self.before |= people
        urgent = [alarm for alarm, its in self.stands.items() if its == (Stand.CALLS, self.urgency)]
        back = any(alarm in rested and rested[alarm].worst >= self.urgency for alarm in urgent)
        if self.handed_ms is None and back and self.urgency >= Priority.HIGH:
            others = [person for person in line_up if person not in people][:1]
            self.at_once, self.at_once_ms = {line_up[0], *people, *others}, now_ms
            self.step, self.handed_ms = (line_up.index(others[0]) if others else 0), now_ms
            self.failed = len(self.at_once) - 1

    def rested_long(self, now_ms):
        """Return what was called long ago and comes back, while what is milder or seen stood."""
        step, _, told, called_ms = self.left or (0, 0, {}, -AGAIN_MS)
        people = self.before | (self.told & {*DUTY.rota.line_up(now_ms)[: step + 1]})
        its = Rest(self.urgency, people, self.number, called_ms)
        urgent = [alarm for alarm, its in self.stands.items() if its == (Stand.CALLS, self.urgency)]
        return {alarm: its for alarm in urgent if told.get(alarm, 0) >= its.worst and its.counts(now_ms)}

    def rests(self, now_ms):
        """Return what is known of its alarms now that all are over, if nobody has answered."""
        told = self.left[2] if self.left else {}
        bad = {alarm: told[alarm] for alarm in self.stands if told.get(alarm, 0) >= Priority.HIGH}
        return {alarm: Rest(it, self.before | self.told, self.number, now_ms) for alarm, it in bad.items()}

    def called(self, call, rested):
        """Take a call into account; the person must be one of those whose turn it is."""
        manner, now_ms = MANNERS[call.priority], call.at_ms
        step, handed_ms, told, called_ms = self.left or (0, 0, {}, 0)
        lately = now_ms <= called_ms + AGAIN[call.priority]
        if self.handed_ms is None and lately and self.was_told(told):
            self.step, self.handed_ms = step, handed_ms
        elif self.handed_ms is None and not lately:
            rested = {**self.rested_long(now_ms), **rested}
        self.come_back(rested, now_ms)
        if self.handed_ms is None:
            self.handed_ms = now_ms
        elif now_ms > self.handed_ms:
            self.failed = 0
            if now_ms >= self.handed_ms + manner.hand_over_ms:
                self.step, self.handed_ms = self.step + 1, now_ms
        self.call_by_ms = min(now_ms + manner.repeat_ms, self.handed_ms + manner.hand_over_ms)
        calling = {alarm: worst for alarm, (stand, worst) in self.stands.items() if stand is Stand.CALLS}
        worst = {alarm: rest.worst for alarm, rest in rested.items()}
        told = {
            alarm: max(its.get(alarm, 0) for its in (calling, told, worst)) for alarm in {*calling, *told}
        }
        self.left = (self.step, self.handed_ms, told, now_ms)
        self.number = call.problem
        if self.at_once_ms == now_ms:
            return self.at_once
        return {DUTY.rota.line_up(now_ms)[self.step % TEAM]}


class Calling(RuleBasedStateMachine):
    """A team that has room for every call."""

    duty = replace(TEAM_DUTY, flood_calls=10_000)
    roomy = True

    @initialize(start_ms=st.sampled_from([NIGHT, NOON]))
    def begin(self, start_ms):
        self.now_ms, self.number = start_ms, 0
        self.whole, self.cut = Escalation(self.duty, start_ms), Escalation(self.duty, start_ms)
        self.whole.link(True, start_ms)
        self.cut.link(True, start_ms)
        self.matters, self.calls, self.ids, self.rested = {}, set(), set(), {}

    def say(self, do):
        """Let both folds take an input; what they say is the same."""
        told, again = do(self.whole), do(self.cut)
        self.restart()
        assert (told.calls, told.settled, told.refusal) == (again.calls, again.settled, again.refusal)
        return told

    @rule(ms=TIMES, pieces=st.integers(1, 3))
    def pass_time(self, ms, pieces):
        began_ms, self.now_ms = self.now_ms, self.now_ms + ms
        told = self.whole.advance(self.now_ms)
        calls, settled = [], []
        for piece in range(1, pieces + 1):
            part = self.cut.advance(began_ms + ms * piece // pieces)
            calls, settled = calls + part.calls, settled + part.settled
            self.restart()
        assert (told.calls, told.settled) == (calls, settled)
        self.check(told.calls)

    def restart(self):
        snapshot = json.loads(json.dumps(self.cut.snapshot()))
        self.cut = Escalation.restore(snapshot, self.duty)
        assert self.cut.snapshot() == snapshot

    @rule(alarm=st.sampled_from(list(CAUSES)), trigger=TRIGGERS, priority=PRIORITIES)
    def hear(self, alarm, trigger, priority):
        self.number += 1
        state, stand = STANDS[trigger]
        said = {"trigger": trigger, "state": state, "cause": CAUSES[alarm], "at_ms": self.now_ms}
        heard = word(self.number, alarm, priority, **said)
        told = self.say(lambda team: team.hear(heard, self.now_ms))
        if trigger in ("acknowledged", "shelved"):
            self.rested.pop(alarm, None)
        if heard.problem not in self.matters:
            assert not told.calls
            if stand is not Stand.CALLS:
                return
        matter = self.matters.setdefault(heard.problem, Matter())
        before = matter.urgency
        matter.hear(alarm, trigger, priority)
        if trigger in ("acknowledged", "shelved"):
            matter.left, matter.before = None, set()
        shelved = trigger == "shelved" and priority is Priority.CRITICAL
        matter.review(before, self.now_ms, stand is Stand.SEEN)
        if matter.over:
            del self.matters[heard.problem]
            self.rested |= matter.rests(self.now_ms)
            self.ended(matter, told.calls)
        elif shelved:
            matter.again_step = 0
            self.taken(matter, told.calls, who="")
        else:
            assert not told.calls, "no call before time has passed"

    @rule(alarm=st.sampled_from(list(CAUSES)), ends=st.sampled_from(list(STANDS)), priority=PRIORITIES)
    def come_and_go(self, alarm, ends, priority):
        """One that ends beside what stands changes nothing of that."""
        self.hear(alarm, "raised", priority)
        self.hear(alarm, ends, priority)

    @rule(alarm=st.sampled_from(list(CAUSES)), priority=PRIORITIES, lasts=SPELLS, rests=SPELLS)
    def chatter(self, alarm, priority, lasts, rests):
        """It comes and goes until everybody should have been called."""
        for _ in range(4):
            self.hear(alarm, "raised", priority)
            self.pass_time(lasts, 1)
            self.hear(alarm, "returned", priority)
            self.pass_time(rests, 1)

    @precondition(lambda self: self.matters)
    @rule(chance=st.integers(0, 20))
    def all_is_well(self, chance):
        _, matter = sorted(self.matters.items())[chance % len(self.matters)]
        for alarm, (stand, worst) in list(matter.stands.items()):
            if stand is not Stand.OVER:
                self.hear(alarm, "returned", worst)

    def ended(self, matter, calls):
        """Who was told is told of the end, once, and nobody else; of what may not wake only by day."""
        assert {call.kind for call in calls} <= {CallKind.RETURNED}
        people = [call.person for call in calls]
        assert len(people) == len(set(people))
        worst = max(worst for _, worst in matter.stands.values())
        waits = worst is Priority.MEDIUM and self.duty.quiet_ends_ms(self.now_ms) is not None
        if waits:
            assert not people
        elif self.roomy:
            assert set(people) == matter.told
        else:
            assert set(people) <= matter.told

    @precondition(lambda self: any(matter.urgency for matter in self.matters.values()))
    @rule(chance=st.integers(0, 20), who=st.sampled_from(DUTY.rota.people), reply=REPLIES)
    def answer(self, chance, who, reply):
        standing = [found for found in self.whole.problems() if found.urgency]
        problem = standing[chance % len(standing)]
        told = self.say(lambda team: team.answer(problem.number, Answer(reply, who), self.now_ms))
        matter = self.matters[problem.key]
        if problem.told and matter.tells_by(self.now_ms + DUTY.gather_ms):
            assert "told" in told.refusal, "it was given to less than what is called in a moment"
            assert not told.calls
            return
        assert (told.settled, told.refusal) == ([problem.number], "")
        matter.before = set()
        for alarm in matter.stands:
            self.rested.pop(alarm, None)
        self.taken(matter, told.calls, who)
        for alarm, (stand, worst) in matter.stands.items():
            if stand is Stand.CALLS:
                matter.stands[alarm] = (Stand.SEEN, worst)
        matter.settle(self.now_ms, reply, who)

    @precondition(lambda self: self.roomy and self.rested)
    @rule(chance=st.integers(0, 20), who=st.sampled_from(DUTY.rota.people), reply=REPLIES)
    def answer_late(self, chance, who, reply):
        """What is over can be answered by the number that people have, for as long as that matters."""
        number = sorted(rest.number for rest in self.rested.values())[chance % len(self.rested)]
        mine = {alarm: rest for alarm, rest in self.rested.items() if rest.number == number}
        told = self.say(lambda team: team.answer(number, Answer(reply, who), self.now_ms))
        assert (told.calls, told.settled) == ([], [])
        assert (told.refusal == "") == any(rest.counts(self.now_ms) for rest in mine.values())
        self.rested = {alarm: rest for alarm, rest in self.rested.items() if alarm not in mine}

    def taken(self, matter, calls, who):
        """Whoever else was told is told that somebody has it."""
        others = {call.person for call in calls}
        assert {call.kind for call in calls} <= {CallKind.TAKEN}
        assert others == matter.told - {who} if self.roomy else others <= matter.told - {who}

    @precondition(lambda self: any(matter.newest_id for matter in self.matters.values()))
    @rule(chance=st.integers(0, 20))
    def not_reached(self, chance):
        called = [found for _, found in sorted(self.matters.items()) if found.newest_id]
        matter = called[chance % len(called)]
        told = self.say(lambda team: team.undelivered(matter.newest_id, self.now_ms))
        assert not told.calls
        began_anew = matter.handed_ms is None
        if not self.roomy and not began_anew:  # how often it failed is not followed: the later of two bounds
            matter.handed_ms = self.now_ms
        elif matter.urgency is not None and not began_anew and matter.failed + 1 < TEAM:
            matter.failed, matter.step = matter.failed + 1, matter.step + 1
            matter.handed_ms = matter.call_by_ms = self.now_ms
        self.pass_time(0, 1)

    def check(self, calls):
        """Hold what was sent while time passed against the model, and see that nothing was forgotten."""
        for call in calls:
            assert call.id not in self.ids
            self.ids.add(call.id)
            if call.kind is CallKind.ALARM:
                self.check_call(call)
            elif call.kind is CallKind.FLOOD:
                assert not self.roomy
                for about in call.about:
                    matter = self.matters[about.problem]
                    matter.call_again(call.at_ms)
                    assert matter.urgency is not None, "seen, and told all the same"
                    matter.told.add(call.person)
        for matter in self.matters.values():
            assert not matter.at_once, "who was called before, or the next, was not called as it came back"
            late = matter.again_ms is not None and matter.again_ms <= self.now_ms
            assert not late or matter.seen is not Priority.CRITICAL, "what was seen was not called again"
            matter.call_again(self.now_ms)
            if matter.urgency is Priority.CRITICAL:
                assert matter.call_by_ms > self.now_ms, "an unseen critical alarm was not called in time"
            if matter.call_by_ms is not None and matter.call_by_ms <= self.now_ms:
                matter.call_by_ms = None  # of what waits for the digest, the morning or the end of a flood

    def check_call(self, call):
        assert (call.problem, call.person, call.at_ms) not in self.calls, "called twice at once"
        self.calls.add((call.problem, call.person, call.at_ms))
        matter = self.matters[call.about[0].problem]
        matter.call_again(call.at_ms)
        assert call.priority is matter.urgency, "the worst that nobody has seen"
        assert call.priority is not Priority.LOW
        assert call.priority is not Priority.MEDIUM or self.duty.quiet_ends_ms(call.at_ms) is None
        calling = {alarm for alarm, (stand, _) in matter.stands.items() if stand is Stand.CALLS}
        assert {about.event.alarm for about in call.about} == calling
        rested = {alarm: self.rested.pop(alarm) for alarm in calling & self.rested.keys()}
        rested = {alarm: rest for alarm, rest in rested.items() if rest.counts(call.at_ms)}
        turn = matter.at_once or matter.called(call, rested)
        matter.newest_id = call.id
        matter.told.add(call.person)
        if (
            not self.roomy
        ):  # since when it is whose turn is not followed: the next repeat is the later of two bounds
            matter.call_by_ms = call.at_ms + MANNERS[call.priority].repeat_ms
        assert call.person in turn or not self.roomy, "out of turn"
        matter.at_once = matter.at_once - {call.person} if self.roomy else set()


class CallingInAFlood(Calling):
    """The same team, which is sent one call in ten minutes at most, but for what is critical."""

    duty = replace(TEAM_DUTY, flood_calls=1)
    roomy = False


TestCalling = Calling.TestCase
TestCalling.settings = settings(max_examples=examples(80), stateful_step_count=30, deadline=None)
TestCallingInAFlood = CallingInAFlood.TestCase
TestCallingInAFlood.settings = settings(max_examples=examples(40), stateful_step_count=30, deadline=None)


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("team", [Calling, CallingInAFlood])
def test_it_holds_in_long_stories_and_in_many(team):
    many = settings(max_examples=examples(400), stateful_step_count=50, deadline=None)
    run_state_machine_as_test(team, settings=many)


def test_a_call_that_reaches_nobody_passes_on_although_word_of_a_shelf_went_out_after_it():
    calling = Calling()
    calling.begin(start_ms=NIGHT)
    calling.hear(alarm="k2/temperature/high", priority=Priority.CRITICAL, trigger="raised")
    calling.pass_time(ms=15_000, pieces=1)
    calling.hear(alarm="k1/temperature/high", priority=Priority.CRITICAL, trigger="shelved")
    calling.not_reached(chance=0)


def test_what_is_acknowledged_at_the_rack_in_the_moment_of_an_answer_is_called_again_from_who_is_on_call():
    calling = Calling()
    calling.begin(start_ms=NIGHT)
    calling.hear(alarm="k1/temperature/high", priority=Priority.CRITICAL, trigger="raised")
    calling.answer(chance=0, who="bo", reply=Reply.SEEN)
    calling.hear(alarm="k2/temperature/high", priority=Priority.CRITICAL, trigger="raised")
    calling.hear(alarm="k2/temperature/high", priority=Priority.CRITICAL, trigger="acknowledged")
    calling.pass_time(ms=HOUR, pieces=1)


@pytest.mark.parametrize("after_ms", [MIN, 39 * MIN, HOUR])
def test_what_was_shelved_and_is_seen_when_the_shelf_ends_is_called_again(after_ms):
    calling = Calling()
    calling.begin(start_ms=NIGHT)
    calling.hear(alarm="k1/oxygen/low", priority=Priority.CRITICAL, trigger="raised")
    calling.answer(chance=0, who="ada", reply=Reply.SEEN)
    calling.hear(alarm="k1/oxygen/low", priority=Priority.CRITICAL, trigger="shelved")
    calling.pass_time(ms=after_ms, pieces=1)
    calling.hear(alarm="k1/oxygen/low", priority=Priority.CRITICAL, trigger="acknowledged")
    calling.pass_time(ms=HOUR, pieces=1)


def test_a_restart_changes_nothing_of_a_call_that_reached_nobody_and_waits_for_the_morning():
    calling = Calling()
    calling.begin(start_ms=NOON)
    calling.hear(alarm="k1/temperature/high", priority=Priority.MEDIUM, trigger="raised")
    calling.pass_time(ms=12 * HOUR, pieces=1)
    calling.not_reached(chance=0)


def test_a_restart_changes_nothing_where_what_waited_for_the_morning_is_over_and_the_rest_is_for_the_digest():
    calling = Calling()
    calling.begin(start_ms=NIGHT)
    calling.hear(alarm="k1/temperature/high", priority=Priority.MEDIUM, trigger="raised")
    calling.hear(alarm="k2/temperature/high", priority=Priority.LOW, trigger="raised")
    calling.pass_time(ms=15_000, pieces=1)
    calling.hear(alarm="k1/temperature/high", priority=Priority.MEDIUM, trigger="returned")


def test_what_is_asked_about_again_in_a_flood_is_told_with_the_rest_of_it():
    calling = CallingInAFlood()
    calling.begin(start_ms=NIGHT)
    calling.hear(alarm="k1/oxygen/low", priority=Priority.HIGH, trigger="raised")
    calling.answer(chance=0, who="ada", reply=Reply.QUIET)
    calling.hear(alarm="k1/temperature/high", priority=Priority.HIGH, trigger="raised")
    calling.pass_time(ms=30 * MIN + 15_000, pieces=1)


def test_a_restart_changes_nothing_where_what_was_seen_is_over_and_the_rest_waits_for_the_morning():
    calling = Calling()
    calling.begin(start_ms=NIGHT)
    for alarm in ("k1/temperature/high", "k2/temperature/high"):
        calling.hear(alarm=alarm, priority=Priority.CRITICAL, trigger="raised")
    calling.answer(chance=0, who="ada", reply=Reply.SEEN)
    calling.hear(alarm="k1/temperature/high", priority=Priority.MEDIUM, trigger="raised")
    calling.pass_time(ms=15_000, pieces=1)
    calling.hear(alarm="k2/temperature/high", priority=Priority.LOW, trigger="returned")


@pytest.mark.parametrize("start_ms", [NIGHT, NOON])
def test_what_is_back_after_a_long_rest_beside_what_calls_nobody_is_told_to_the_next_person_too(start_ms):
    """Seen: a drawn story that the model of this file did not know, though the rules say so."""
    calling = Calling()
    calling.begin(start_ms=start_ms)
    calling.hear(alarm="k1/temperature/high", priority=Priority.CRITICAL, trigger="raised")
    calling.hear(alarm="k2/temperature/high", priority=Priority.LOW, trigger="raised")
    calling.pass_time(ms=15_000, pieces=1)
    calling.hear(alarm="k1/temperature/high", priority=Priority.CRITICAL, trigger="returned")
    calling.pass_time(ms=HOUR, pieces=1)
    calling.hear(alarm="k1/temperature/high", priority=Priority.CRITICAL, trigger="raised")
    calling.pass_time(ms=15_000, pieces=1)
    called = {person for _, person, at_ms in calling.calls if at_ms == calling.now_ms}
    assert called == {*DUTY.rota.line_up(calling.now_ms)[:2]}
