"""What people answer, and what becomes of it: seen is not solved, and whoever was called knows who has it.

The times are those that the project ships (common practice, no source).
"""

import json
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.life_cycle import Priority
from rules.calling.duty import DEFAULT_MANNERS
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, CallKind, Reply
from tests.rigs.examples import examples
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NIGHT, calling, calls, over, word

SHIPPED = replace(DUTY, manners=DEFAULT_MANNERS)
ALARM, TAKEN = CallKind.ALARM, CallKind.TAKEN
PROMISED_AT_MOST_MS, QUIET_MS = 2 * HOUR, 30 * MIN  # project judgement


def called(minutes=0.25):
    """A critical alarm of the night that was called until so many minutes after it."""
    team = calling(duty=SHIPPED)
    team.hear(word(), NIGHT)
    team.advance(NIGHT + round(minutes * MIN))
    return team


def says(team, reply, who, minutes, until=None):
    at_ms = NIGHT + round(minutes * MIN)
    return team.answer(1, Answer(reply, who, None if until is None else NIGHT + until * MIN), at_ms)


def test_what_is_seen_and_still_stands_is_called_again_from_that_person_on():
    team = called(16)  # ada, then bo
    assert calls(says(team, Reply.SEEN, "bo", 16)) == [(16, "ada", "taken")]
    assert calls(team.advance(NIGHT + 62 * MIN)) == [
        (46, "bo", "alarm"),
        (51, "bo", "alarm"),
        (56, "bo", "alarm"),
        (61, "cy", "alarm"),
    ]


@pytest.mark.parametrize("reply", [Reply.SEEN, Reply.ON_MY_WAY, Reply.QUIET])
@pytest.mark.parametrize("worse", ["k1/temperature/high", "k1/temperature/high_high"])
def test_an_answer_to_what_was_told_is_none_to_the_worse_that_is_told_in_a_moment(reply, worse):
    team = calling(duty=SHIPPED)
    team.hear(word(priority=Priority.HIGH, cause="k1"), NIGHT)
    team.advance(NIGHT + MIN)
    team.hear(word(2, worse, Priority.CRITICAL, cause="k1", trigger="worsened"), NIGHT + 5 * MIN)
    said = says(team, reply, "ada", 5.1)
    assert "not what you were told any more" in said.refusal
    assert calls(team.advance(NIGHT + 6 * MIN)) == [(5.25, "ada", "alarm")]
    assert says(team, reply, "ada", 6.1).refusal == ""


def test_the_next_person_may_be_asked_for_at_any_time():
    team = calling(duty=SHIPPED)
    team.hear(word(priority=Priority.HIGH), NIGHT)
    team.advance(NIGHT + MIN)
    team.hear(word(2, trigger="worsened"), NIGHT + 5 * MIN)
    assert says(team, Reply.NEXT, "ada", 5.1).refusal == ""
    assert calls(team.advance(NIGHT + 6 * MIN)) == [(5.1, "bo", "alarm")]


def test_a_promise_that_runs_out_passes_on():
    team = called()
    says(team, Reply.ON_MY_WAY, "ada", 1, until=21)
    told = team.advance(NIGHT + 22 * MIN)
    assert calls(told) == [(21, "bo", "alarm")]
    assert told.calls[0].answer == Answer(Reply.ON_MY_WAY, "ada", NIGHT + 21 * MIN)


@pytest.mark.parametrize("until", [-5, 0, 100_000])
def test_no_promise_is_longer_than_people_wait_nor_over_before_it_is_given(until):
    team = called()
    says(team, Reply.ON_MY_WAY, "ada", 1, until=until)
    told = team.advance(NIGHT + MIN + PROMISED_AT_MOST_MS)
    assert calls(told)[0][1:] == ("bo", "alarm")


def test_quiet_is_half_an_hour_and_no_longer():
    team = called()
    says(team, Reply.QUIET, "ada", 1)
    assert not team.advance(NIGHT + MIN + QUIET_MS - 1).calls
    assert calls(team.advance(NIGHT + MIN + QUIET_MS)) == [(31, "ada", "alarm")]


def test_whoever_asks_for_the_next_person_is_followed_at_once():
    team = called()
    told = says(team, Reply.NEXT, "ada", 1)
    assert calls(told) + calls(team.advance(NIGHT + MIN)) == [(1, "bo", "alarm")]
    says(team, Reply.NEXT, "ada", 2)
    assert calls(team.advance(NIGHT + 2 * MIN)) == [(2, "cy", "alarm")], "not bo once more"


def test_the_next_person_is_called_for_what_was_already_seen():
    team = called()
    says(team, Reply.SEEN, "ada", 1)
    says(team, Reply.NEXT, "ada", 9)
    assert calls(team.advance(NIGHT + 9 * MIN)) == [(9, "bo", "alarm")]


def test_what_worsens_is_called_at_once_whatever_was_answered():
    team = calling(duty=SHIPPED)
    team.hear(word(1, priority=Priority.HIGH), NIGHT)
    team.advance(NIGHT + MIN)
    says(team, Reply.ON_MY_WAY, "ada", 1, until=60)
    team.hear(word(2, trigger="worsened", at_ms=NIGHT + 5 * MIN), NIGHT + 5 * MIN)
    assert calls(team.advance(NIGHT + 6 * MIN)) == [(5.25, "ada", "alarm")]


def test_of_two_answers_within_a_second_the_more_careful_holds():
    for first, second in [(Reply.NEXT, Reply.SEEN), (Reply.SEEN, Reply.NEXT)]:
        team = called(16)
        one, other = (
            says(team, first, "ada", 16.5),
            team.answer(1, Answer(second, "bo"), NIGHT + 16 * MIN + 30_900),
        )
        assert bool(other.refusal) is (first is Reply.NEXT)
        told = [*one.calls, *other.calls, *team.advance(NIGHT + 17 * MIN).calls]
        assert ALARM in {call.kind for call in told}, "somebody is called"
        assert {call.person for call in told if call.kind is TAKEN} >= {
            "bo" if first is Reply.NEXT else "ada"
        }


def test_acknowledged_at_the_rack_is_asked_about_too():
    team = called()
    team.hear(word(2, trigger="acknowledged", state="acknowledged"), NIGHT + MIN)
    assert calls(team.advance(NIGHT + 32 * MIN)) == [(31, "ada", "alarm")]


def test_what_is_over_is_not_asked_about():
    team = called()
    says(team, Reply.SEEN, "ada", 1)
    assert calls(team.hear(over(2), NIGHT + 5 * MIN)) == [(5, "ada", "returned")]
    assert not team.advance(NIGHT + 5 * HOUR).calls


@settings(max_examples=examples(60), deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0, 500, MIN, 16 * MIN, HOUR]),
            st.sampled_from(Reply),
            st.sampled_from(["ada", "bo", "cy", "a stranger"]),
            st.integers(-HOUR, 5 * HOUR),
        ),
        max_size=8,
    )
)
def test_whatever_people_answer_a_critical_alarm_is_called_again_in_time_and_cuts_change_nothing(answers):
    """Nobody can answer it away: no stretch without a call is longer than the longest promise."""
    team, other, at_ms, called_ms = called(), called(), NIGHT + 15_000, [NIGHT + 15_000]
    for after_ms, reply, who, until_ms in answers:
        at_ms += after_ms
        answer = Answer(reply, who, at_ms + until_ms)
        told = [team.advance(at_ms), team.answer(1, answer, at_ms)]
        other.advance(at_ms - after_ms // 2)
        other = Escalation.restore(json.loads(json.dumps(other.snapshot())), SHIPPED)
        other.answer(1, answer, at_ms)
        called_ms += [call.at_ms for each in told for call in each.calls if call.kind is ALARM]
    told, again = team.advance(at_ms + 6 * HOUR), other.advance(at_ms + 6 * HOUR)
    assert told.calls == again.calls
    assert team.snapshot() == other.snapshot()
    called_ms += [call.at_ms for call in told.calls if call.kind is ALARM]
    answered = [NIGHT, *[NIGHT + 15_000 + sum(a[0] for a in answers[: n + 1]) for n in range(len(answers))]]
    moments = sorted({*called_ms, *answered, at_ms + 6 * HOUR})
    assert max(b - a for a, b in pairwise(moments)) <= PROMISED_AT_MOST_MS


@pytest.mark.parametrize("milder", [Priority.LOW, Priority.MEDIUM, Priority.HIGH])
@pytest.mark.parametrize("at_the_rack", [False, True])
def test_what_is_critical_and_seen_is_called_again_in_time_whatever_milder_joins_it(milder, at_the_rack):
    team = calling(duty=SHIPPED)
    team.hear(word(cause="loop"), NIGHT)
    team.advance(NIGHT + MIN)
    second = word(2, "k2/temperature/high", milder, cause="loop")
    if at_the_rack:
        team.hear(second, NIGHT + MIN)
        acknowledged = word(3, trigger="acknowledged", state="acknowledged", cause="loop")
        team.hear(acknowledged, NIGHT + 2 * MIN)
    else:
        says(team, Reply.SEEN, "ada", 2)
        team.hear(second, NIGHT + 3 * MIN)
    team = Escalation.restore(json.loads(json.dumps(team.snapshot())), SHIPPED)
    told = team.advance(NIGHT + 33 * MIN)
    critical = [call for call in told.calls if call.priority is Priority.CRITICAL]
    assert [(call.at_ms, call.person) for call in critical] == [(NIGHT + 32 * MIN, "ada")]
    assert {about.event.alarm for about in critical[0].about} == {
        "k1/temperature/high",
        "k2/temperature/high",
    }


@pytest.mark.parametrize("other", Priority)
@pytest.mark.parametrize("reply", [Reply.SEEN, Reply.ON_MY_WAY, Reply.QUIET])
def test_what_comes_and_goes_beside_it_does_not_put_off_that_what_is_seen_calls_again(reply, other):
    team = calling(duty=SHIPPED)
    team.hear(word(cause="loop"), NIGHT)
    team.advance(NIGHT + MIN)
    says(team, reply, "bo", 1, until=31)
    for minutes in (20, 30):
        beside = {"alarm": "k2/temperature/high", "priority": other, "cause": "loop"}
        team.hear(word(minutes, **beside), NIGHT + minutes * MIN)
        team.hear(over(minutes + 1, **beside), NIGHT + minutes * MIN + 10_000)
    (first, *_) = team.advance(NIGHT + 31 * MIN).calls
    assert ((first.at_ms - NIGHT) / MIN, first.person) == (31, "cy" if reply is Reply.ON_MY_WAY else "bo")
    assert (first.answer.reply, first.answer.who) == (reply, "bo"), "nobody was at the rack"


def test_a_button_pressed_twice_passes_over_nobody():
    team = called()
    told = [call for _ in range(2) for call in calls(says(team, Reply.NEXT, "ada", 1))]
    told += calls(team.advance(NIGHT + 7 * MIN))
    assert told == [(1, "bo", "alarm"), (6, "bo", "alarm")]


def test_that_a_critical_one_was_shelved_is_told_to_the_others_who_were_called():
    team = called(16)  # ada, then bo
    shelf = {"trigger": "shelved", "state": "shelved", "who": "ada", "until_ms": NIGHT + HOUR}
    told = team.hear(word(2, **shelf), NIGHT + 17 * MIN)
    assert calls(told) == [(17, "bo", "taken")]
    assert told.calls[0].answer == Answer(Reply.QUIET, "ada", NIGHT + HOUR)
    assert not team.advance(NIGHT + 59 * MIN).calls
    team.hear(word(3, at_ms=NIGHT + HOUR), NIGHT + HOUR)
    assert calls(team.advance(NIGHT + HOUR + MIN))[0][1:] == ("ada", "alarm")


def test_one_clock_asks_again_about_what_a_person_has_taken_and_it_is_not_the_racks():
    slow = replace(DEFAULT_MANNERS[Priority.CRITICAL], ask_again_ms=4 * HOUR)
    team = calling(duty=replace(DUTY, manners=DEFAULT_MANNERS | {Priority.CRITICAL: slow}))
    team.hear(word(), NIGHT)
    team.advance(NIGHT + MIN)
    says(team, Reply.SEEN, "ada", 1)
    team.hear(word(2, trigger="announced again"), NIGHT + 2 * HOUR)
    assert calls(team.advance(NIGHT + 4 * HOUR + 2 * MIN)) == [(241, "ada", "alarm")]


def test_what_nobody_has_taken_is_called_when_its_rack_announces_it_again():
    team = calling()
    team.hear(word(1, trigger="announced again"), NIGHT)
    assert calls(team.advance(NIGHT + MIN)) == [(0.25, "ada", "alarm")]


def test_what_was_shelved_and_is_critical_now_does_not_say_that_somebody_has_seen_it():
    team = called()
    shelved = word(2, priority=Priority.HIGH, trigger="shelved", state="shelved", who="ada")
    team.hear(shelved, NIGHT + MIN)
    worse = word(3, "k1/temperature/high_high", cause="k1/temperature/high")
    told = team.hear(worse, NIGHT + 2 * MIN).calls + team.advance(NIGHT + 3 * MIN).calls
    assert [call.answer for call in told] == [None]
