"""How urgent a problem of several alarms is, seen through what people are sent."""

import json
from dataclasses import replace

import pytest

from rules.alarms.event import Course, Trail
from rules.alarms.life_cycle import Priority
from rules.calling.duty import DEFAULT_MANNERS
from rules.calling.escalation import Escalation
from rules.calling.records import TWO_LISTENERS, Answer, CallKind, Reply, Voice
from rules.errors import InputError
from tests.rules.calling.test_escalation import DUTY, MIN, NIGHT, calling, calls, over, word

CRITICAL, MEDIUM = Priority.CRITICAL, Priority.MEDIUM
GUST = {"cause": "loop"}


@pytest.mark.parametrize("order", [(MEDIUM, CRITICAL), (CRITICAL, MEDIUM)])
def test_a_problem_is_as_urgent_as_its_worst_alarm(order):
    team = calling()
    for number, priority in enumerate(order, 1):
        team.hear(word(number, f"k{number}/temperature/high", priority, **GUST), NIGHT)
    told = team.advance(NIGHT + 6 * MIN)
    assert calls(told) == [(0.25, "ada", "alarm"), (5.25, "ada", "alarm")], "at night, and every five minutes"
    assert {call.priority for call in told.calls} == {CRITICAL}


@pytest.mark.parametrize("order", [(MEDIUM, CRITICAL), (CRITICAL, MEDIUM)])
def test_the_end_of_what_woke_somebody_is_told_at_night_whatever_else_was_in_it(order):
    team = calling()
    for number, priority in enumerate(order, 1):
        team.hear(word(number, f"k{number}/temperature/high", priority, **GUST), NIGHT)
    team.advance(NIGHT + MIN)
    for number, priority in enumerate(order, 1):
        told = team.hear(
            over(number + 2, alarm=f"k{number}/temperature/high", priority=priority, **GUST), NIGHT + 2 * MIN
        )
    assert calls(told) == [(2, "ada", CallKind.RETURNED.value)]


def test_once_the_worst_alarm_is_seen_the_rest_sets_the_pace():
    team = calling()
    team.hear(word(1, "k1/temperature/high", CRITICAL, **GUST), NIGHT)
    team.hear(word(2, "k2/temperature/high", Priority.HIGH, **GUST), NIGHT)
    team.advance(NIGHT + MIN)
    seen = {"trigger": "acknowledged", "state": "acknowledged", **GUST}
    assert not team.hear(word(3, "k1/temperature/high", CRITICAL, **seen), NIGHT + MIN).settled
    told = team.advance(NIGHT + 20 * MIN)
    assert {call.priority for call in told.calls} == {Priority.HIGH}
    assert [about.event.vessel for call in told.calls[:1] for about in call.about] == ["k2"]


def test_an_alarm_that_was_worse_before_somebody_saw_it_counts_as_what_it_is_when_it_calls_again():
    team = calling()
    team.hear(word(1), NIGHT)
    team.advance(NIGHT + MIN)
    team.answer(1, Answer(Reply.SEEN, "ada"), NIGHT + MIN)
    again = {"trigger": "raised", "priority": MEDIUM}
    team.hear(word(2, **again), NIGHT + 2 * MIN)
    assert not team.advance(NIGHT + 60 * MIN).calls, "medium waits for the morning"


def test_who_could_not_be_reached_counts_from_the_last_regular_page():
    """With three people two are tried at once after each regular call, not once and for all."""
    team = calling()
    team.hear(word(), NIGHT)
    (first,) = team.advance(NIGHT + MIN).calls
    tried = [first.person]
    call = first
    for _ in range(2):
        team.undelivered(call.id, NIGHT + MIN)
        (call,) = team.advance(NIGHT + MIN).calls
        tried.append(call.person)
    assert tried == ["ada", "bo", "cy"]
    team.undelivered(call.id, NIGHT + 2 * MIN)
    assert not team.advance(NIGHT + 2 * MIN).calls, "nobody is left in this round"
    (call,) = team.advance(NIGHT + 6 * MIN).calls
    again = [call.person]
    for _ in range(2):
        team.undelivered(call.id, NIGHT + 6 * MIN)
        (call,) = team.advance(NIGHT + 6 * MIN).calls
        again.append(call.person)
    assert again == ["cy", "ada", "bo"]


def test_a_worsening_counts_those_who_could_not_be_reached_anew():
    team = calling()
    team.hear(word(1, priority=Priority.HIGH), NIGHT)
    (call,) = team.advance(NIGHT + MIN).calls
    for _ in range(2):
        team.undelivered(call.id, NIGHT + MIN)
        (call,) = team.advance(NIGHT + MIN).calls
    team.hear(word(2, trigger="worsened"), NIGHT + 2 * MIN)
    (call,) = team.advance(NIGHT + 3 * MIN).calls
    tried = [call.person]
    for _ in range(2):
        team.undelivered(call.id, NIGHT + 3 * MIN)
        (call,) = team.advance(NIGHT + 3 * MIN).calls
        tried.append(call.person)
    assert tried == ["ada", "bo", "cy"]


def test_a_team_of_one_is_not_called_twice_at_once():
    alone = replace(DUTY, rota=replace(DUTY.rota, people=("ada",)))
    team = calling(duty=alone)
    team.hear(word(), NIGHT)
    (call,) = team.advance(NIGHT + MIN).calls
    team.undelivered(call.id, NIGHT + MIN)
    assert not team.advance(NIGHT + 2 * MIN).calls


def test_of_what_is_due_at_one_moment_the_most_urgent_is_told_first_then_the_oldest():
    team = calling()
    for number, priority in enumerate([Priority.HIGH, CRITICAL, Priority.HIGH, CRITICAL], 1):
        team.hear(word(number, f"k{number}/temperature/high", priority), NIGHT)
    told = team.advance(NIGHT + MIN)
    assert [call.problem for call in told.calls] == [2, 4, 1, 3]


def test_what_joins_a_cause_while_it_is_gathered_puts_nothing_off():
    team = calling()
    team.hear(word(1, "k1/temperature/high", Priority.HIGH, **GUST), NIGHT)
    team.hear(word(2, "k2/temperature/high", CRITICAL, **GUST), NIGHT + 10_000)
    (call,) = team.advance(NIGHT + MIN).calls
    assert (call.at_ms, call.priority, len(call.about)) == (NIGHT + 15_000, CRITICAL, 2)


def test_no_two_digests_have_the_same_id():
    team = calling()
    team.hear(word(1, priority=Priority.LOW), NIGHT)
    told = team.advance(NIGHT + 72 * 60 * MIN)
    assert [(call.id, call.kind, call.problem) for call in told.calls] == [
        (f"0.{day}", CallKind.DIGEST, 0) for day in (1, 2, 3)
    ]


def test_how_each_priority_is_told_unless_a_team_agrees_otherwise():
    """Common practice, no source; written down a second time, since it decides who is woken."""
    found = {
        priority: (str(manner.when), manner.repeat_ms // MIN, manner.hand_over_ms // MIN)
        for priority, manner in DEFAULT_MANNERS.items()
    }
    assert found == {
        CRITICAL: ("always", 5, 15),
        Priority.HIGH: ("always", 10, 30),
        MEDIUM: ("awake", 30, 60),
        Priority.LOW: ("digest", 1440, 1440),
    }


def now_at(value, minutes, alarm="k1/temperature/high"):
    """A sign of life of the rack: the water is there now."""
    at_ms = NIGHT + minutes * MIN
    return ("north", 1, at_ms, at_ms, Voice("j"), [Course(alarm, value, -9.0, 5_000, 60_000)])


def test_what_is_called_again_tells_what_is_now_and_what_was_told_before():
    team = calling()
    team.hear(word(value=47.8), NIGHT)
    (first,) = team.advance(NIGHT + MIN).calls
    team.heartbeat(*now_at(40.5, 4))
    team = Escalation.restore(json.loads(json.dumps(team.snapshot())), DUTY)
    (second,) = team.advance(NIGHT + 6 * MIN).calls
    assert [call.about[0].event.evidence.value for call in (first, second)] == [47.8, 40.5]
    assert [(call.again, call.was) for call in (first, second)] == [(False, None), (True, 47.8)]
    assert second.about[0].as_of_ms == NIGHT + 4 * MIN - 5_000


def test_a_step_of_people_keeps_the_numbers_and_an_older_sign_of_life_changes_none():
    team = calling()
    team.hear(word(value=47.8), NIGHT)
    team.heartbeat(*now_at(40.5, 4))
    at_ms = NIGHT + 5 * MIN
    team.hear(word(2, at_ms=at_ms, trigger="announced again"), at_ms)
    team.heartbeat("north", 1, NIGHT, at_ms, Voice("j"), [Course("k1/temperature/high", 47.0, None, 0, None)])
    (again,) = team.advance(NIGHT + 6 * MIN).calls
    assert (again.about[0].event.evidence.value, again.about[0].as_of_ms) == (40.5, NIGHT + 4 * MIN - 5_000)


def test_the_end_is_told_under_the_name_that_people_were_called_by():
    """Seen: "conductivity silent is over" closed what was called as "temperature silent"."""
    team = calling()
    for number, alarm in enumerate(("k1/temperature/silent", "k1/conductivity/silent"), 1):
        team.hear(word(number, alarm, since_ms=NIGHT - number, cause="probe/k1"), NIGHT + (number - 1) * MIN)
    team.advance(NIGHT + 2 * MIN)
    for number, alarm in enumerate(("k1/temperature/silent", "k1/conductivity/silent"), 3):
        told = team.hear(over(number, alarm=alarm, cause="probe/k1"), NIGHT + 3 * MIN)
    assert [call.about[0].event.alarm for call in told.calls] == ["k1/temperature/silent"]


def test_what_somebody_has_seen_is_seen_here_only_until_its_rack_says_so_too():
    """Once the rack itself says `acknowledged`, the answer has come there."""
    team = calling()
    team.hear(word(1, journal="j"), NIGHT)
    (problem,) = team.problems()
    assert not problem.seen_here_only, "nobody has seen it"
    team.answer(problem.number, Answer(Reply.SEEN, "ada"), NIGHT + MIN)
    assert problem.seen_here_only
    team.hear(word(2, journal="j", trigger="acknowledged", state="acknowledged"), NIGHT + 2 * MIN)
    assert not problem.seen_here_only


def test_the_trails_shown_are_those_of_a_racks_last_sign_of_life():
    team = calling()
    trail = Trail(((60, 19.0), (0, 19.5)), (8.0, 12.0, 18.0, 23.0))
    courses = [
        Course("k1/temperature/high", 19.5, 0.5, 0, None, trail),
        Course("k2/temperature/high", 19.0, 0.5, 0, None),
    ]
    team.heartbeat("north", 2, NIGHT, NIGHT + 7, courses=courses)
    shown = team.calls.trails["north"]
    assert (shown.at_ms, shown.by_alarm) == (NIGHT, {"k1/temperature/high": trail})
    team.heartbeat("south", 0, NIGHT, NIGHT + 8, courses=courses[1:])
    assert list(team.calls.trails) == ["north"]
    team.heartbeat("north", 1, NIGHT + 9, NIGHT + 9, courses=courses[1:])
    assert team.calls.trails == {}


def test_another_process_in_our_place_at_the_broker_is_a_critical_problem_that_says_who():
    team = calling()
    team.rival("oncall-desk", TWO_LISTENERS, NIGHT)
    (problem,) = team.problems()
    (member,) = problem.members.values()
    its = member.word.event
    assert (its.condition, its.priority, its.evidence.reason) == ("two_listeners", CRITICAL, "oncall-desk")


def test_a_team_without_a_manner_for_each_priority_is_refused():
    manners = {priority: manner for priority, manner in DUTY.manners.items() if priority is not MEDIUM}
    with pytest.raises(InputError, match="each priority needs its manner of being told"):
        replace(DUTY, manners=manners)
