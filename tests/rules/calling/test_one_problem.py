"""One problem and its alarms, by the rules that head `rules.calling.problems`; times are in ms."""

import pytest

from rules.alarms.event import Course, Evidence
from rules.alarms.life_cycle import Priority, State
from rules.calling.calling import Calls
from rules.calling.problems import Member, Problem, Reached
from rules.calling.records import (
    Answer,
    Call,
    CallKind,
    RackToday,
    Reply,
    Stand,
    Voice,
    stand_of,
)
from tests.rigs.rack_words import word_of

LOW, MEDIUM, HIGH, CRITICAL = Priority
WARM, SALTY = "k1/temperature/high", "k2/salinity/high"
SEEN = {"trigger": "acknowledged", "state": "acknowledged"}
OVER = {"trigger": "returned", "state": "normal"}
SHELVED = {"trigger": "shelved", "state": "shelved"}


def said(alarm=WARM, at_ms=1_000, **more):
    return word_of(alarm, at_ms, **more)


def problem(*words):
    its = Problem(7, "north/loop")
    for word in words:
        its.take(word)
    return its


@pytest.mark.parametrize(
    ("state", "stand"),
    [
        (State.NORMAL, Stand.OVER),
        (State.RETURNED, Stand.OVER),
        (State.UNACKNOWLEDGED, Stand.CALLS),
        (State.LATCHED_UNACKNOWLEDGED, Stand.CALLS),
        (State.ACKNOWLEDGED, Stand.SEEN),
        (State.LATCHED, Stand.SEEN),
        (State.SHELVED, Stand.SILENCED),
        (State.SUPPRESSED, Stand.SILENCED),
        (State.OUT_OF_SERVICE, Stand.SILENCED),
    ],
)
def test_what_a_state_asks_of_people(state, stand):
    assert stand_of(state) is stand


def test_it_is_as_urgent_as_the_worst_that_nobody_has_seen_at_its_worst_since_then():
    its = problem(said(priority=MEDIUM), said(SALTY, priority=HIGH))
    assert (its.urgency, its.seen, its.open) == (HIGH, None, True)
    its.take(said(priority=CRITICAL, trigger="worsened"))
    its.take(said(priority=LOW, trigger="eased"))
    assert its.urgency is CRITICAL, "what eases unseen is called as what it was"
    its.take(said(priority=LOW, **SEEN))
    assert (its.urgency, its.seen) == (HIGH, LOW), "seen as what it is"
    its.take(said(SALTY, **SHELVED))
    assert (its.urgency, its.seen, its.open) == (None, LOW, True)
    its.take(said(priority=LOW, **OVER))
    assert (its.urgency, its.seen, its.open) == (None, None, True), "what is shelved stands"
    its.take(said(SALTY, **OVER))
    assert (its.open, its.stands(WARM), its.stands(SALTY)) == (False, False, False)


@pytest.mark.parametrize(
    ("trigger", "calls"), [("eased", False), ("announced again", False), ("worsened", True), ("raised", True)]
)
def test_what_a_person_has_seen_stays_seen_until_it_calls_anew(trigger, calls):
    its = problem(said(priority=HIGH))
    its.see()
    assert (its.urgency, its.seen) == (None, HIGH)
    its.take(said(priority=HIGH, trigger=trigger))
    assert (its.urgency is not None) is calls


def test_what_was_seen_calls_again_and_what_is_silenced_does_not():
    its = problem(said(priority=HIGH), said(SALTY, priority=CRITICAL, **SHELVED))
    its.see()
    its.call_again()
    assert (its.urgency, its.seen) == (HIGH, None)
    assert [member.word.event.alarm for member in its.calling()] == [WARM]


@pytest.mark.parametrize(
    ("trigger", "seen", "stays"),
    [("goes on", True, True), ("goes on", False, False), ("raised", True, False)],
)
def test_of_two_limits_the_milder_that_is_left_is_as_seen_as_the_worse_was(trigger, seen, stays):
    its = problem(said("k1/temperature/high_high"))
    if seen:
        its.see()
    its.take(said(trigger=trigger))
    assert (its.members[WARM].stand is Stand.SEEN) is stays


def test_a_step_of_people_keeps_the_numbers_of_before_and_says_as_of_when_they_are():
    its = problem(said(value=21.0, limit=20.0))
    its.take(said(at_ms=5_000, **SEEN))
    word = its.members[WARM].word
    assert (word.event.evidence, word.as_of_ms) == (Evidence(21.0, 20.0), 1_000)
    its.take(said(at_ms=6_000, **SEEN))
    assert its.members[WARM].word.as_of_ms == 1_000
    its.take(said(at_ms=7_000, value=22.0, trigger="worsened"))
    assert (its.members[WARM].word.event.evidence.value, its.members[WARM].word.as_of_ms) == (22.0, None)


@pytest.mark.parametrize(("rack_ms", "age_ms", "follows"), [(1_100, 100, False), (1_101, 100, True)])
def test_a_member_follows_the_water_where_that_is_newer(rack_ms, age_ms, follows):
    word = said(value=21.0, limit=20.0)
    member = Member(word, Stand.CALLS, HIGH)
    member.follow(Course(WARM, 22.0, -1.0, age_ms, 60_000), rack_ms)
    evidence, as_of_ms = member.word.event.evidence, rack_ms - age_ms
    if follows:
        assert evidence == Evidence(22.0, 20.0, rate_per_hour=-1.0, reached_ms=as_of_ms + 60_000)
        assert member.word.as_of_ms == as_of_ms
        member.follow(Course(WARM, 23.0, None, 0, None), as_of_ms)
        assert member.word.event.evidence.value == 22.0, "not newer than what it followed"
        member.follow(Course(WARM, 23.0, None, 0, None), as_of_ms + 1)
        assert member.word.event.evidence == Evidence(23.0, 20.0)
    else:
        assert member.word == word


def test_words_come_the_most_urgent_first_then_the_oldest_then_by_name():
    its = problem(
        said("k3/x/high", priority=HIGH, since_ms=500),
        said("k2/x/high", priority=HIGH, since_ms=500),
        said("k1/x/high", priority=HIGH, since_ms=600),
        said("k4/x/high", priority=CRITICAL, since_ms=900),
        said("k5/x/high", priority=CRITICAL, **SHELVED),
        said("k6/x/high", priority=LOW, **SEEN),
    )
    assert [word.event.vessel for word in its.words(Stand.CALLS)] == ["k4", "k2", "k3", "k1"]
    assert [word.event.vessel for word in its.words(Stand.SEEN, Stand.SILENCED)] == ["k5", "k6"]


def answered(reply, who="ada", **more):
    its = problem(said(priority=HIGH))
    its.answer, its.answered_ms = Answer(reply, who), 10_000
    for name, value in more.items():
        setattr(its, name, value)
    return its


@pytest.mark.parametrize(
    ("reply", "who", "at_ms", "refused"),
    [
        (Reply.SEEN, "bo", 11_000, True),
        (Reply.SEEN, "bo", 11_001, False),
        (Reply.SEEN, "ada", 10_500, False),
        (Reply.NEXT, "bo", 10_500, False),
    ],
    ids=["a moment ago", "later", "the same person", "as careful"],
)
def test_of_two_answers_at_once_the_more_careful_one_holds(reply, who, at_ms, refused):
    its = answered(Reply.NEXT)
    words = "ada has just asked to call the next person" if refused else ""
    assert its.refusal(Answer(reply, who), at_ms, 0) == words


def test_two_that_have_both_seen_it_are_of_one_mind_and_without_an_answer_all_are_welcome():
    assert answered(Reply.SEEN).refusal(Answer(Reply.SEEN, "bo"), 10_001, 0) == ""
    assert problem(said()).refusal(Answer(Reply.SEEN, "bo"), 10_001, 0) == ""


@pytest.mark.parametrize(
    ("state", "refused"),
    [
        ({}, True),
        ({"told": []}, False),
        ({"due_ms": 20_001}, False),
        ({"due_ms": None}, False),
        ({"due_ms": None, "again_ms": 20_000}, True),
        ({"waits": True}, False),
        ({"handed_ms": 15_000}, False),
    ],
    ids=["due", "nobody was told", "due later", "nothing due", "seen and due", "waits for the day", "begun"],
)
def test_an_answer_to_less_than_is_about_to_be_called_does_not_count(state, refused):
    its = answered(Reply.SEEN, **({"told": ["ada"], "due_ms": 20_000} | state))
    said_so = its.refusal(Answer(Reply.SEEN, "ada"), 19_000, 20_000)
    assert said_so.startswith("it is not what you were told any more") is refused
    assert (said_so == "") is not refused
    assert its.refusal(Answer(Reply.NEXT, "ada"), 19_000, 20_000) == "", "to pass it on is always right"


@pytest.mark.parametrize(
    ("reply", "who", "at_ms", "twice"),
    [
        (Reply.NEXT, "ada", 11_000, True),
        (Reply.NEXT, "ada", 11_001, False),
        (Reply.NEXT, "bo", 10_001, False),
        (Reply.SEEN, "ada", 10_001, False),
    ],
)
def test_a_button_that_is_pressed_twice_passes_over_nobody(reply, who, at_ms, twice):
    assert answered(Reply.NEXT).said_twice(Answer(reply, who), at_ms) is twice


def test_it_is_seen_here_only_while_its_rack_still_calls_it():
    its = problem(said())
    assert its.seen_here_only is False
    its.see()
    assert its.seen_here_only is True
    its.take(said(**SEEN))
    assert its.seen_here_only is False
    own = problem(said("rack/own", journal=""))
    own.see()
    assert own.seen_here_only is False, "our own word has nobody to confirm it"


def test_what_anything_real_joins_is_no_drill():
    drill = said("drill/x/drill", journal="")
    assert problem(drill).is_drill is True
    assert problem(drill, said()).is_drill is False


def test_it_begins_from_the_top_of_the_line_up():
    its = problem(said())
    its.step, its.handed_ms, its.failed, its.waits = 2, 5, 1, True
    its.reached = Reached(2, 5, 5, {WARM: CRITICAL})
    its.begin()
    assert (its.step, its.handed_ms, its.failed, its.waits) == (0, None, 0, False)
    assert its.reached is None


def test_an_alarm_that_goes_over_to_another_problem_counts_no_more():
    its = problem(said(priority=CRITICAL), said(SALTY, priority=MEDIUM))
    its.remove(WARM)
    assert (its.urgency, list(its.members)) == (MEDIUM, [SALTY])


# All problems


def two():
    """Two problems with numbers against their order, one alarm of each rack beside."""
    calls = Calls()
    for number, key, rack, alarm in ((9, "north/a", "north", WARM), (4, "north/b", "north", SALTY)):
        its = Problem(number, key)
        word = said(alarm, rack=rack)
        its.take(word)
        calls.problems[key] = its
        calls.belongs(word, its)
    return calls


def test_a_problem_is_found_by_its_alarm_and_its_rack_by_number():
    calls = two()
    assert calls.home("north", WARM).number == 9
    assert calls.home("north", "k9/x/high") is None
    assert calls.home("south", WARM) is None
    assert [its.number for its in calls.of_rack("north")] == [4, 9]
    assert [its.number for its in calls.in_order()] == [4, 9]
    assert calls.of_rack("south") == []


def test_a_problem_that_all_its_alarms_have_left_is_none():
    calls = two()
    its = calls.home("north", WARM)
    calls.leave(its, its.words(Stand.CALLS))
    assert (list(calls.problems), calls.home("north", WARM)) == (["north/b"], None)
    assert calls.newest_ms(said()) == -1
    assert calls.newest_ms(said(SALTY)) == 1_000


def test_what_falls_due_is_each_problem_once_by_its_newest_time():
    calls = two()
    first, second = calls.problems["north/a"], calls.problems["north/b"]
    assert calls.due_ms() is None
    calls.plan(first, 500)
    calls.plan(second, 400)
    calls.plan(first, 300)
    assert calls.due_ms() == 300
    assert [its.number for its in calls.take_due(399)] == [9]
    assert [its.number for its in calls.take_due(400)] == [4]
    assert calls.due_ms() is None, "the time that was put off is none"


def test_what_is_seen_calls_again_in_time_whatever_milder_calls_meanwhile():
    calls = two()
    its = calls.problems["north/a"]
    its.again_ms = 350
    calls.plan(its, 500)
    assert (its.due_ms, its.next_ms, calls.due_ms()) == (500, 350, 350)
    calls.plan(its, None)
    assert calls.due_ms() == 350
    its.again_ms = None
    calls.plan(its, None)
    assert (its.next_ms, calls.due_ms()) == (None, None)


def test_the_numbers_that_may_have_been_given_out_are_a_hundred():
    calls = two()
    calls.last_number, calls.summaries, calls.written = 1, 2, 3
    calls.problems["north/a"].calls = 5
    calls.skip()
    assert calls.given == (101, 102, 103)
    assert [its.calls for its in calls.in_order()] == [100, 105]


# What is said


def test_a_speaker_is_told_apart_by_journal_and_start_and_named_by_journal_and_host():
    voice = Voice("0123456789", "run", "boot", "a-very-long-name-of-a-machine")
    assert voice.key == "0123456789:boot"
    assert voice.name == "journal 012345 on a-very-long-name-of-"
    assert Voice("0123456789").name == "journal 012345 on an unnamed machine"


@pytest.mark.parametrize(
    ("kind", "numbers"),
    [
        (CallKind.ALARM, (7,)),
        (CallKind.TAKEN, (7,)),
        (CallKind.DRILL, (7,)),
        (CallKind.FLOOD, (3, 4)),
        (CallKind.RETURNED, ()),
        (CallKind.DIGEST, ()),
        (CallKind.DAILY_WORD, ()),
    ],
)
def test_one_answer_is_for_the_problems_that_a_call_asks_about(kind, numbers):
    assert Call("7.1", kind, 7, "ada", HIGH, 0, (), problems=(3, 4)).numbers == numbers


def test_a_promise_that_is_past_counts_as_none_left():
    assert Answer(Reply.ON_MY_WAY, "ada", 500).counted_from(600).until_ms == 0
    assert Answer(Reply.SEEN, "ada").counted_from(600) == Answer(Reply.SEEN, "ada")


def test_the_worst_rack_comes_first_in_the_daily_word():
    racks = [
        RackToday("c", "watching", 4, 0, 0),
        RackToday("b", "watching", 4, 0, 0),
        RackToday("a", "watching", 4, 0, 3),
        RackToday("d", "watching", 4, 1, 1),
        RackToday("e", "silent", 4, 0, 0),
    ]
    assert [it.rack for it in sorted(racks, key=RackToday.rank)] == ["e", "d", "a", "b", "c"]


def test_a_new_problem_has_called_nobody():
    its = Problem(7, "north/x")
    assert (its.calls, its.step, its.failed, its.asked, its.answered_ms) == (0, 0, 0, 0, 0)
    assert (its.handed_ms, its.due_ms, its.again_ms, its.answer, its.lead) == (None, None, None, None, "")
    assert (its.told, its.waits, its.urgency, its.open) == ([], False, None, False)
    assert (its.reached, its.next_ms) == (None, None)


def test_what_was_seen_and_is_asked_about_soon_may_be_answered_again():
    its = answered(Reply.SEEN, told=["ada"], due_ms=20_000)
    its.see()
    assert its.refusal(Answer(Reply.SEEN, "bo"), 19_000, 20_000) == ""


def test_the_state_of_a_word_counts_whatever_step_it_names():
    its = problem(said())
    its.see()
    its.take(said(trigger="eased", state="normal"))
    assert not its.open


def test_only_to_pass_it_on_twice_is_a_slip():
    assert answered(Reply.SEEN).said_twice(Answer(Reply.SEEN, "ada"), 10_001) is False


@pytest.mark.parametrize(
    ("state", "anew"),
    [
        ({}, True),
        ({"handed_ms": 5}, False),
        ({"due_ms": None}, False),
        ({"due_ms": None, "again_ms": 20_000}, True),
        ({"waits": True}, False),
    ],
)
def test_a_first_call_about_what_it_has_become_is_due(state, anew):
    its = answered(Reply.SEEN, **({"due_ms": 20_000} | state))
    assert its.is_due_anew is anew
    its.see()
    assert its.is_due_anew is False, "nothing calls"


def test_a_word_belongs_to_the_problem_of_its_cause_or_to_its_own():
    assert said(cause="loop").problem == "north/loop"
    assert said().problem == f"north/{WARM}"


@pytest.mark.parametrize(
    ("more", "drill"),
    [({}, True), ({"journal": "j"}, False), ({"mention": True}, False)],
)
def test_only_our_own_word_is_of_a_drill(more, drill):
    """What a rack says in its journal is real whatever it calls it, and what it mentions is no alarm."""
    assert said("x/y/drill", **({"journal": ""} | more)).is_drill is drill
    assert said("x/y/high", **({"journal": ""} | more)).is_drill is False


def test_an_answer_is_the_same_by_a_link_or_by_its_number():
    assert Answer(Reply.SEEN, "ada") == Answer(Reply.SEEN, "ada", by_link=True)
    assert Answer(Reply.SEEN, "ada").by_link is False
