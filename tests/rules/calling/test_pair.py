"""Two watchers: the second is silent while the first does its work, and never when it does not.

The world of the drawn stories: a rack, a broker that keeps what a watcher was away for, two watchers that are
killed, cut off, or lose their routes. Bounds are the project's own promises (deploy/oncall.md).
"""

import json
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rules.alarms.life_cycle import Priority
from rules.calling.duty import Manner, Pair, When
from rules.calling.escalation import Escalation
from rules.calling.pair import OtherSays, Sent, Stance
from rules.calling.records import Answer, CallKind, Reply
from tests.rigs.examples import examples
from tests.rules.calling.test_escalation import DUTY, MIN, NIGHT, word

STEP, SIGN_MS = 5_000, 20_000
MISSING = 2 * MIN
REPEAT = DUTY.manners[Priority.CRITICAL].repeat_ms


class Watcher:
    """One of the two, with what a process has around the judgement: a file, a broker's session, routes."""

    def __init__(self, name, other, at_ms, *, second):
        self.name = name
        self.duty = replace(DUTY, pair=Pair(other, second, MISSING), flood_calls=1000)
        self.team = Escalation(self.duty, at_ms)
        self.runs, self.linked, self.routes = True, True, True
        self.queue, self.recent, self.made = [], [], []
        self.take(self.team.link(True, at_ms))

    def take(self, upshot):
        for call in upshot.calls:
            self.made.append(call)
            if self.routes:
                self.recent.append(call)
        return upshot

    def kill(self):
        self.runs, self.kept = False, json.loads(json.dumps(self.team.snapshot()))

    def start(self, at_ms):
        self.team = Escalation.restore(self.kept, self.duty)
        self.runs, self.recent = True, []  # what was sent before is forgotten
        self.team.listen_anew(at_ms)
        late = at_ms - self.team.clock_ms > 5 * MIN
        self.take(self.team.resume(at_ms) if late else self.team.advance(at_ms))
        self.take(self.team.link(False, at_ms))
        if self.linked:
            self.take(self.team.link(True, at_ms))

    def link(self, up, at_ms):
        self.linked = up
        if self.runs:
            self.take(self.team.link(up, at_ms))

    def turn(self, at_ms):
        if not self.runs:
            return
        while self.linked and self.queue:
            self.take(self.queue.pop(0)(self.team, at_ms))
        self.take(self.team.advance(at_ms))

    def says(self, at_ms):
        sent = [Sent(call.key, call.kind, call.priority, at_ms - call.at_ms) for call in self.recent]
        return OtherSays(tuple(sent), self.team.stances())

    @property
    def able(self):
        return self.runs and self.linked and self.routes


class World:
    def __init__(self):
        self.now_ms = NIGHT
        self.first = Watcher("desk", "attic", NIGHT, second=False)
        self.second = Watcher("attic", "desk", NIGHT, second=True)
        self.both = (self.first, self.second)
        self.number, self.able = 0, {}

    def rack(self, alarm="k1/temperature/high", **said):
        self.number += 1
        said = word(self.number, alarm, **({"at_ms": self.now_ms} | said))
        for watcher in self.both:
            watcher.queue.append(lambda team, at_ms: team.hear(said, at_ms))

    def run(self, ms, check=lambda: None):
        until_ms = self.now_ms + ms
        while self.now_ms < until_ms:
            self.now_ms += STEP
            for watcher in self.both:
                watcher.turn(self.now_ms)
            if self.now_ms % SIGN_MS == 0 and all(w.runs and w.linked for w in self.both):
                signs = [watcher.says(self.now_ms) for watcher in self.both]
                self.second.take(self.second.team.other(signs[0], self.now_ms))
                self.first.take(self.first.team.other(signs[1], self.now_ms))
            check()

    def calls(self, kind=CallKind.ALARM, key="north/"):
        return sorted(
            (call.at_ms, watcher.name, call.person)
            for watcher in self.both for call in watcher.made
            if call.kind is kind and call.key.startswith(key)
        )  # fmt: skip

    def of(self, watcher, since_ms=0):
        return [when_ms for when_ms, name, _ in self.calls() if name == watcher.name and when_ms >= since_ms]


def test_the_second_says_nothing_while_the_first_calls():
    world = World()
    world.rack()
    world.run(40 * MIN)
    assert len(world.of(world.first)) >= 8
    assert not world.second.made


def test_the_second_calls_from_where_it_stands_once_the_first_is_dead_and_says_so():
    world = World()
    world.rack()
    world.run(17 * MIN)
    world.first.kill()
    died_ms = world.now_ms
    world.run(6 * MIN)
    calls = [call for call in world.calls() if call[1] == "attic"]
    assert calls[0][0] - died_ms <= MISSING + SIGN_MS
    assert calls[0][2] == "bo", "ada was called for a quarter of an hour"
    quiet = world.second.team.problems()[-1]
    assert (quiet.key, quiet.urgency) == ("desk/watcher_missing", Priority.MEDIUM)
    world.first.start(world.now_ms)
    world.run(SIGN_MS)
    assert [problem.key for problem in world.second.team.problems()] == ["north/k1/temperature/high"]


def test_an_alarm_that_the_dead_one_never_heard_is_called_in_time():
    world = World()
    world.run(MIN)
    world.first.kill()
    world.rack()
    raised_ms = world.now_ms
    world.run(5 * MIN)
    assert world.of(world.second)[0] - raised_ms <= DUTY.gather_ms + MISSING


def test_after_a_return_at_most_one_message_a_step_is_doubled():
    world = World()
    world.rack()
    world.run(MIN)
    world.first.kill()
    world.run(12 * MIN)
    world.first.start(world.now_ms)
    back_ms = world.now_ms
    world.run(30 * MIN)
    assert len(world.of(world.second, back_ms)) <= 1
    for person in ("ada", "bo", "cy"):
        to = [when_ms for when_ms, name, whom in world.calls() if (name, whom) == ("desk", person)]
        assert all(later - sooner >= 4 * MIN for sooner, later in pairwise(to))


def test_a_first_one_that_lives_but_reaches_nobody_is_stood_in_for():
    world = World()
    world.first.routes = False
    world.rack()
    raised_ms = world.now_ms
    world.run(20 * MIN)
    calls = world.of(world.second)
    assert calls[0] - raised_ms <= DUTY.gather_ms + MISSING + STEP
    assert all(later - sooner <= REPEAT + MISSING for sooner, later in pairwise(calls))


@pytest.mark.parametrize("to_first", [True, False])
def test_what_people_answer_one_is_an_answer_to_the_other_once(to_first):
    world = World()
    world.rack()
    world.run(MIN)
    asked = world.first if to_first else world.second
    (its,) = asked.team.problems()
    asked.take(asked.team.answer(its.number, Answer(Reply.SEEN, "ada"), world.now_ms))
    world.run(MIN)
    assert [watcher.team.problems()[0].urgency for watcher in world.both] == [None, None]
    world.first.kill()
    world.run(20 * MIN)
    assert not world.of(world.second), "it was seen, and is asked again after its time only"
    assert world.second.team.problems()[0].answer == Answer(Reply.SEEN, "ada")


def test_a_number_that_is_answered_at_the_wrong_one_answers_for_nothing_else():
    """Seen: each counted from 1, and a number of the second silenced another vessel at the first."""
    world = World()
    world.second.kill()
    world.rack("k9/temperature/high", priority=Priority.MEDIUM)
    world.run(MIN)
    world.second.start(world.now_ms)
    for vessel in ("k1", "k2", "k3"):
        world.rack(f"{vessel}/temperature/high")
        world.run(MIN)
    numbers = [{problem.number for problem in watcher.team.problems()} for watcher in world.both]
    assert [len(its) for its in numbers] == [4, 4]
    assert numbers[0].isdisjoint(numbers[1])
    for number in numbers[1]:
        assert world.first.team.answer(number, Answer(Reply.SEEN, "ada"), world.now_ms).refusal


def test_an_answer_in_an_older_copy_of_the_first_ones_file_is_none_to_the_second():
    """Seen: the second took it for a new one, and was silent for half an hour once the first died again."""
    world, asks = World(), replace(DUTY.manners[Priority.CRITICAL], ask_again_ms=30 * MIN)
    for watcher in world.both:
        watcher.duty = replace(watcher.duty, manners=DUTY.manners | {Priority.CRITICAL: asks})
        watcher.team.duty = watcher.duty
    world.rack()
    world.run(MIN)
    world.first.take(world.first.team.answer(1, Answer(Reply.SEEN, "ada"), world.now_ms))
    world.run(MIN)
    copy = json.loads(json.dumps(world.first.team.snapshot()))
    world.run(45 * MIN)
    assert world.second.team.problems()[0].urgency is Priority.CRITICAL, "asked about again"
    given_out = world.first.team.calls.given
    world.first.kill()
    world.first.kept = copy
    world.first.start(world.now_ms)
    world.first.take(world.first.team.given_before(given_out, world.now_ms))
    world.run(2 * MIN)
    world.first.kill()
    died_ms = world.now_ms
    world.run(5 * MIN)
    assert world.of(world.second, died_ms)[0] - died_ms <= MISSING + SIGN_MS


def test_an_answer_about_an_older_problem_of_that_name_is_none():
    world = World()
    world.rack()
    world.run(MIN)
    world.first.team.answer(1, Answer(Reply.SEEN, "ada"), world.now_ms)
    late = world.first.says(world.now_ms)
    world.rack(trigger="returned", state="normal")
    world.run(STEP)
    world.rack(at_ms=world.now_ms)
    world.second.turn(world.now_ms)
    world.second.team.other(late, world.now_ms)
    assert world.second.team.problems()[0].urgency is Priority.CRITICAL


def test_without_a_pair_what_waited_is_sent():
    world = World()
    world.rack()
    world.first.kill()
    world.run(STEP + DUTY.gather_ms)
    alone = Escalation.restore(world.second.team.snapshot(), DUTY)
    assert [call.kind for call in alone.advance(world.now_ms + 1).calls] == [CallKind.ALARM]


def waiting_second(**manner):
    """The second watcher alone, at night, a critical alarm heard; the first gives signs of life."""
    manners = DUTY.manners | {Priority.CRITICAL: Manner(When.ALWAYS, **manner)} if manner else DUTY.manners
    team = Escalation(replace(DUTY, manners=manners, pair=Pair("desk", True, MISSING)), NIGHT)
    team.link(True, NIGHT)
    team.hear(word(), NIGHT)
    return team


def called_while_the_first_says(team, says):
    """When the second calls first although the first lives, in ms after the alarm; None within 10 min."""
    for after_ms in range(SIGN_MS, 10 * MIN, SIGN_MS):
        if made := team.advance(NIGHT + after_ms).calls + team.other(says, NIGHT + after_ms).calls:
            return made[0].at_ms - NIGHT
    return None


def test_a_repeat_that_falls_due_meanwhile_does_not_begin_the_wait_anew():
    team = waiting_second(repeat_ms=MIN, hand_over_ms=15 * MIN)
    assert called_while_the_first_says(team, OtherSays()) == DUTY.gather_ms + MISSING


def test_a_milder_call_of_the_first_is_none_about_what_is_critical_since():
    milder = OtherSays((Sent("north/k1/temperature/high", CallKind.ALARM, Priority.HIGH, 0),))
    assert called_while_the_first_says(waiting_second(), milder) == DUTY.gather_ms + MISSING
    same = OtherSays((replace(milder.sent[0], priority=Priority.CRITICAL),))
    assert called_while_the_first_says(waiting_second(), same) is None


def test_an_answer_that_was_taken_is_not_taken_again_after_a_restart():
    world = World()
    world.rack()
    world.run(MIN)
    world.first.take(world.first.team.answer(1, Answer(Reply.SEEN, "ada"), world.now_ms))
    world.run(MIN)
    (before,) = world.second.team.problems()
    world.second.kill()
    world.second.start(world.now_ms)
    world.run(5 * MIN)
    assert world.second.team.problems()[0].answered_ms == before.answered_ms


DEEDS = [
    "kill 0", "kill 1", "start 0", "start 0", "start 1", "cut 0", "cut 1", "join 0", "join 1",
    "mute 0", "loud 0", "rack raised", "rack worsened", "rack returned", "seen 0", "seen 1",
]  # fmt: skip
BOUND_MS = 2 * REPEAT + MISSING + DUTY.gather_ms + 2 * SIGN_MS
"""Two repeats, the time after which the first is missing, gathering, and what a sign takes."""


def do(world, deed):
    """Let something happen to a watcher, or at the rack."""
    what, _, whom = deed.partition(" ")
    if what == "rack":
        world.rack(trigger=whom, state="normal" if whom == "returned" else "unacknowledged")
        return
    watcher = world.both[int(whom)]
    if what == "kill" and watcher.runs:
        watcher.kill()
    elif what == "start" and not watcher.runs:
        watcher.start(world.now_ms)
    elif what in ("cut", "join"):
        watcher.link(what == "join", world.now_ms)
    elif what in ("mute", "loud"):
        watcher.routes = what == "loud"
    elif what == "seen" and watcher.runs:
        for problem in watcher.team.problems():
            watcher.take(watcher.team.answer(problem.number, Answer(Reply.SEEN, "ada"), world.now_ms))


def calls_everywhere(world):
    """Return whether every watcher that lives knows of the alarm, which nobody has seen."""
    known = [
        [it for it in watcher.team.problems() if it.key.startswith("north/k1") and it.urgency]
        for watcher in world.both
        if watcher.runs
    ]
    return all(known)


@settings(max_examples=examples(15), deadline=None)
@example([("mute 0", 300)])
@example([("kill 0", 300)])
@example([("cut 0", 20), ("rack worsened", 300)])
@given(st.lists(st.tuples(st.sampled_from(DEEDS), st.integers(1, 200)), max_size=8))
def test_whatever_is_lost_no_critical_alarm_is_uncalled_for_longer_than_its_bound(story):
    """Where one watcher hears and reaches people all the time, the first call and repeats come in time."""
    world, able_ms, quiet_ms = World(), {"desk": NIGHT, "attic": NIGHT}, [NIGHT]

    def check():
        reached = [
            call for watcher in world.both for call in watcher.recent if call.key.startswith("north/k1")
        ]
        for watcher in world.both:
            if not watcher.able:
                able_ms[watcher.name] = world.now_ms
        if not calls_everywhere(world):
            quiet_ms[0] = world.now_ms
        newest_ms = max((call.at_ms for call in reached if call.kind is CallKind.ALARM), default=0)
        waited_ms = world.now_ms - max(newest_ms, quiet_ms[0], min(able_ms.values()))
        assert waited_ms <= BOUND_MS, f"nobody was called for {waited_ms / MIN:.1f} min"
        quiet_ms[0] = max(quiet_ms[0], newest_ms)

    for deed, steps in [("rack raised", 40), *story]:
        do(world, deed)
        world.run(steps * STEP, check)


def test_a_promise_counts_by_the_clock_of_whoever_takes_it():
    said = Answer(Reply.ON_MY_WAY, "ada", NIGHT + 20 * MIN)
    left = said.counted_from(NIGHT)
    assert left.until_ms == 20 * MIN
    assert left.counted_from(-(NIGHT + 77)).until_ms == NIGHT + 77 + 20 * MIN


def test_two_that_go_by_different_agreements_say_so_until_they_do_not():
    ours = replace(DUTY, pair=Pair("attic", False, MISSING))
    theirs = replace(DUTY, pair=Pair("desk", True, 2 * MISSING))
    team = Escalation(ours, NIGHT)
    team.link(True, NIGHT)
    team.other(OtherSays(duty=theirs.mark), NIGHT + SIGN_MS)
    team.other(OtherSays(), NIGHT + 2 * SIGN_MS)  # an older version does not say
    assert team.problems() == []
    other = replace(theirs, flood_calls=theirs.flood_calls + 1)
    for sign in range(3, 60):
        team.other(OtherSays(duty=other.mark), NIGHT + sign * SIGN_MS)
    assert [problem.key for problem in team.problems()] == ["attic/two_duties"]
    team.other(OtherSays(duty=theirs.mark), NIGHT + 60 * SIGN_MS)
    team.other(OtherSays(duty=theirs.mark), NIGHT + 60 * SIGN_MS + 11 * MIN)
    assert not [problem for problem in team.problems() if "two_duties" in problem.key]


def test_what_the_other_says_of_a_problem_that_is_over_here_changes_nothing():
    team = waiting_second()
    of_it = Stance("north/k9/temperature/high", False, NIGHT, Answer(Reply.SEEN, "ada"), "1")
    told = team.other(OtherSays(stances=(of_it,)), NIGHT + MIN)
    assert (told.calls, told.settled) == ([], [])
    assert [problem.answer for problem in team.problems()] == [None]


def test_where_there_is_no_other_nothing_is_taken_of_it():
    team = Escalation(DUTY, NIGHT)
    assert team.other(OtherSays(), NIGHT + MIN).calls == []
    assert not team.snapshot()["calls"]["waiting"]["missing"]


def test_who_was_away_itself_gives_the_other_a_moment_to_be_heard():
    team = waiting_second(repeat_ms=100 * MIN, hand_over_ms=100 * MIN)
    back_ms = NIGHT + 10 * MIN
    team.listen_anew(back_ms)
    grace_ms = MISSING // 3
    assert not team.calls.waiting.missing
    team.advance(back_ms + grace_ms - 1)
    assert not team.calls.waiting.missing
    team.advance(back_ms + grace_ms)
    assert team.calls.waiting.missing


def test_a_call_that_waited_is_not_made_once_its_alarm_is_over():
    team = waiting_second()
    assert not team.advance(NIGHT + DUTY.gather_ms).calls
    told = team.hear(word(2, trigger="returned", state="normal"), NIGHT + MIN).calls
    told += team.advance(NIGHT + 10 * MIN).calls
    assert [call.kind for call in told if call.key.startswith("north/")] == [CallKind.RETURNED]


def test_nor_once_its_alarm_was_seen_and_one_that_is_due_again_is_made_once():
    team = waiting_second()
    team.advance(NIGHT + DUTY.gather_ms)
    team.answer(team.problems()[0].number, Answer(Reply.SEEN, "ada"), NIGHT + MIN)
    assert not [call for call in team.advance(NIGHT + 10 * MIN).calls if call.kind is CallKind.ALARM]
    again = waiting_second(repeat_ms=MISSING, hand_over_ms=15 * MIN)
    made = [call for call in again.advance(NIGHT + 3 * MIN).calls if call.kind is CallKind.ALARM]
    assert len({call.id for call in made}) == len(made)
    assert len({call.at_ms for call in made}) == len(made), "no two at one moment"
