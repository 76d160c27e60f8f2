"""What the second of two watchers lets wait, by the rules that head `rules.calling.pair`; times in ms."""

from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.duty import Pair
from rules.calling.pair import OtherSays, Sent, Stance, Taken, Waiting, newest_ms
from rules.calling.problems import Problem
from rules.calling.records import Answer, Call, CallKind, Reply
from tests.rigs.rack_words import word_of
from tests.rules.calling.test_escalation import DUTY

MISSING, GRACE = 90, 30
SAID_AT_MOST = 60  # project judgement
PAIR = Pair("desk", True, MISSING)
REPEAT = 400
TIMES = replace(
    DUTY, manners={its: replace(manner, repeat_ms=REPEAT) for its, manner in DUTY.manners.items()}
)
SEEN = Answer(Reply.SEEN, "ada")


def call(at_ms, key="north/loop", kind=CallKind.ALARM, person="ada", priority=Priority.HIGH, said_ms=1_000):
    about = (word_of("k1/temperature/high", said_ms), word_of("rack/own", 9_999, journal=""))
    return Call(f"1.{at_ms}", kind, 1, person, priority, at_ms, about, key=key)


def waiting(*calls, **more):
    its = Waiting(heard_ms=1_000, listening_ms=1_000, holds=True, **more)
    for each in calls:
        its.hold(each)
    return its


def test_a_third_of_the_time_is_the_grace_of_who_was_away():
    assert PAIR.grace_ms == GRACE


def test_in_a_file_of_before_there_were_pairs_nobody_was_heard_and_nothing_waits():
    assert Waiting().missing_ms(PAIR) == MISSING
    assert Waiting(heard_ms=-MISSING).missing_ms(PAIR) == GRACE
    assert Waiting().holds is False


def test_the_other_is_missing_after_its_time_and_never_before_it_could_be_heard():
    its = waiting()
    assert its.missing_ms(PAIR) == 1_000 + MISSING
    its.listening_ms = 2_000
    assert its.missing_ms(PAIR) == 2_000 + GRACE
    assert its.told_ms(PAIR, 1_990) == 2_000 + GRACE
    assert its.told_ms(PAIR, 2_010) == 2_010 + GRACE, "the broker is reached only since then"


def test_what_falls_due_first_is_a_call_that_waits_or_that_the_other_is_missed():
    assert Waiting().due_ms(None, 0) is None
    assert waiting().due_ms(PAIR, None) == 1_000 + MISSING
    assert waiting(call(990)).due_ms(PAIR, 0) == 990 + MISSING
    assert waiting(call(990)).due_ms(None, 0) == 990, "without an other nothing waits"
    missed = waiting(call(990), missing=True)
    assert missed.due_ms(PAIR, None) == 990
    assert waiting(missing=True).due_ms(PAIR, None) is None, "the broker is not reached"
    assert waiting(missing=True).due_ms(PAIR, 1_080) == 1_080 + GRACE
    assert waiting(missing=True, told=True).due_ms(PAIR, 1_080) is None


def test_a_call_is_sent_when_it_has_waited_and_a_repeat_does_not_wait_anew():
    its = waiting(call(1_000), call(1_050), call(1_060, person="bo"), call(1_060, kind=CallKind.TAKEN))
    assert its.release(PAIR, 1_000 + MISSING - 1) == []
    assert its.release(PAIR, 1_000 + MISSING) == [call(1_050)]
    assert its.release(PAIR, 1_060 + MISSING) == [call(1_060, person="bo"), call(1_060, kind=CallKind.TAKEN)]
    assert its.held == {}


def left(says, *calls, now_ms=1_100):
    its = waiting(*calls)
    its.drop_covered(says, TIMES, PAIR, now_ms)
    return [held.call for held in its.held.values()]


def sent(ago_ms, problem="north/loop", kind=CallKind.ALARM, priority=Priority.HIGH):
    return OtherSays((Sent(problem, kind, priority, ago_ms),))


BACK = REPEAT - MISSING // 2
"""So long before ours began to wait the first may have called: its repeats come at moments of their own."""


@pytest.mark.parametrize(
    ("says", "covered"),
    [
        (sent(0), True),
        (sent(100 + BACK), True),
        (sent(101 + BACK), False),
        (sent(0, priority=Priority.MEDIUM), False),
        (sent(0, priority=Priority.CRITICAL), True),
        (sent(0, "north/pump"), False),
        (sent(0, kind=CallKind.FLOOD), False),
        (OtherSays(), False),
    ],
    ids=["now", "lately", "too long ago", "milder", "worse", "another problem", "another kind", "nothing"],
)
def test_a_call_that_the_first_has_made_lately_is_not_made(says, covered):
    assert left(says, call(1_000)) == ([] if covered else [call(1_000)])


@pytest.mark.parametrize(
    ("stance", "dropped"),
    [
        (Stance("north/loop", False, 1_000), True),
        (Stance("north/loop", False, 999), False),
        (Stance("north/loop", True, 1_000), False),
        (Stance("north/pump", False, 1_000), False),
    ],
    ids=["quiet", "quiet about less", "calls", "another problem"],
)
def test_nor_is_one_about_what_nobody_need_be_called_for(stance, dropped):
    """Only a rack's own word counts: ours about a rack has no journal."""
    assert left(OtherSays(stances=(stance,)), call(1_000)) == ([] if dropped else [call(1_000)])


def test_a_call_about_several_problems_is_covered_by_no_stance_and_what_only_tells_is_dropped():
    several = call(1_000, key="", kind=CallKind.FLOOD)
    quiet = OtherSays(stances=(Stance("", False, 5_000),))
    told = [call(1_000, kind=kind) for kind in (CallKind.TAKEN, CallKind.RETURNED)]
    assert left(quiet, several, *told) == [several]


def test_what_the_other_never_sent_is_not_taken_as_sent_before_the_clock_began():
    early = call(10, priority=Priority.LOW, said_ms=0)
    its = waiting(early)
    its.drop_covered(OtherSays(), TIMES, PAIR, 20)
    assert [held.call for held in its.held.values()] == [early]


def test_where_calls_repeat_sooner_than_they_wait_only_a_call_since_then_covers():
    soon = replace(
        TIMES, manners={its: replace(each, repeat_ms=MISSING // 3) for its, each in TIMES.manners.items()}
    )
    for ago_ms, held in ((100, 0), (101, 1)):
        its = waiting(call(1_000))
        its.drop_covered(sent(ago_ms), soon, PAIR, 1_100)
        assert len(its.held) == held


def test_a_call_is_about_the_newest_of_its_words_and_one_without_a_racks_word_waits():
    newer = replace(call(1_000), about=(word_of("k1/x/high", 500), *call(1_000).about))
    assert left(OtherSays(stances=(Stance("north/loop", False, 999),)), newer) == [newer]
    own = replace(call(1_000), about=(word_of("rack/own", 500, journal=""),))
    assert left(OtherSays(), own) == [own]


def problem(number, *, answer=None, answered_ms=0, said=(1_000,), seen=False, priority=Priority.HIGH):
    its = Problem(number, f"north/{number}")
    for place, at_ms in enumerate(said):
        its.take(word_of(f"k{place}/temperature/high", at_ms, priority=priority))
    if seen:
        its.see()
    its.answer, its.answered_ms = answer, answered_ms
    return its


def test_how_new_a_problem_is_goes_by_the_racks_own_newest_word():
    its = problem(1, said=(1_000, 3_000, 2_000))
    assert newest_ms(its) == 3_000
    its.take(word_of("rack/own", 9_000, journal=""))
    assert newest_ms(its) == 3_000
    assert newest_ms(Problem(2, "north/2")) == 0


@pytest.mark.parametrize(
    ("stance", "new"),
    [
        (Stance("north/1", False, 1_000, SEEN, "a"), True),
        (Stance("north/1", False, 999, SEEN, "a"), False),
        (Stance("north/1", False, 1_000, None, "a"), False),
        (Stance("north/1", False, 1_000, SEEN, "b"), False),
        (Stance("north/2", False, 1_000, SEEN, "b"), True),
    ],
    ids=["new", "of one who knew less", "no answer", "taken already", "the same name of another problem"],
)
def test_an_answer_given_to_the_other_is_taken_once_if_it_knew_as_much(stance, new):
    its = waiting(taken={"north/1": Taken("b", 500)})
    assert its.is_new(stance, problem(1)) is new


def test_the_other_is_told_what_was_answered_and_what_calls_nobody_the_worst_first():
    its = waiting(taken={"north/3": Taken("7 900", 950), "north/1": Taken("7 800", 850)})
    shelved = problem(6)
    shelved.take(word_of("k0/temperature/high", 1_000, trigger="shelved", state="shelved"))
    problems = {
        it.key: it
        for it in (
            shelved,
            problem(1, answer=SEEN, answered_ms=900, seen=True, priority=Priority.LOW),
            problem(2),
            problem(3, answer=SEEN, answered_ms=950, seen=True),
            problem(
                4, answer=Answer(Reply.ON_MY_WAY, "bo", 5_000), answered_ms=800, priority=Priority.CRITICAL
            ),
            problem(5, answer=Answer(Reply.SEEN, ""), answered_ms=900, seen=True, priority=Priority.MEDIUM),
        )
    }
    assert its.stances(problems, 2_000) == (
        Stance("north/4", True, 1_000, Answer(Reply.ON_MY_WAY, "bo", 3_000), "4 800"),
        Stance("north/3", False, 1_000),  # the other's own
        Stance("north/5", False, 1_000),  # given at the rack, which tells both
        Stance("north/1", False, 1_000, SEEN, "1 900"),  # newer than what was taken of the other
        Stance("north/6", False, 1_000),
    )


def test_of_very_many_problems_the_worst_are_said():
    many = {it.key: it for it in (problem(number, seen=True) for number in range(SAID_AT_MOST + 5))}
    many["worst"] = problem(999, seen=True, priority=Priority.CRITICAL)
    said = waiting().stances(many, 2_000)
    assert (len(said), said[0].problem) == (SAID_AT_MOST, "north/999")
