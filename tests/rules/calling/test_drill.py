"""A drill goes the way of a real alarm and never stands in the way of one; the daily word.

That people practise an alarm's way each month is common practice, no source; the times are the project's.
"""

import json
from dataclasses import replace
from datetime import time

import pytest

from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.drill import Outcome
from rules.calling.duty import Manner, Pair, When
from rules.calling.escalation import Escalation
from rules.calling.records import DRILL, DRILL_LACKING, Answer, CallKind, Reply, Word
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NIGHT, NOON, calling, calls, over, word

SEEN = Answer(Reply.SEEN, "ada", by_link=True)
DAY = 24 * HOUR
GIVEN_MS, EVERY_MS = HOUR // 2, 31 * DAY  # project judgement


def asked(request="r:drill:1", rack="north"):
    """A rack's notice that asks for a drill."""
    event = AlarmEvent(
        0, NOON, "", "", DRILL, Trigger.RAISED, State.NORMAL, Priority.LOW, NOON, cause=request
    )
    return Word(rack, event, mention=True)


def drilled(at_ms=NOON, duty=DUTY):
    team = calling(at_ms, duty)
    team.mention(asked(), at_ms)
    return team


def test_a_drill_is_called_as_a_critical_alarm_until_it_is_answered_and_all_who_were_called_hear_that():
    team = drilled()
    told = team.advance(NOON + 16 * MIN)
    assert calls(told, NOON) == [
        (0.25, "ada", "drill"), (5.25, "ada", "drill"), (10.25, "ada", "drill"), (15.25, "bo", "drill")
    ]  # fmt: skip
    assert all(call.about[0].is_drill for call in told.calls)
    answered = team.answer(1, SEEN, NOON + 17 * MIN)
    assert calls(answered, NOON) == [(17, "ada", "returned"), (17, "bo", "returned")]
    drill = team.calls.practice.newest
    assert (drill.outcome, drill.answer.who, drill.answer.by_link) == (Outcome.ANSWERED, "ada", True)
    assert drill.ended_ms - drill.begun_ms == 17 * MIN
    assert not team.advance(NOON + 6 * HOUR).calls
    again = Escalation.restore(json.loads(json.dumps(team.snapshot())), DUTY)
    assert again.calls.practice == team.calls.practice
    assert not again.mention(asked(), NOON + 7 * HOUR).calls, "a repeat of the same notice is none"
    assert not again.problems()


def test_a_drill_that_nobody_answers_ends_and_is_told():
    team = drilled()
    told = team.advance(NOON + GIVEN_MS)
    assert [call.person for call in told.calls if call.kind is CallKind.RETURNED] == ["ada", "bo"]
    assert team.calls.practice.newest.outcome is Outcome.NOT_ANSWERED
    digest = team.advance(NOON + DAY).calls[-1]
    assert (digest.kind, digest.about[0].event.condition) == (CallKind.DIGEST, DRILL_LACKING)
    assert "nobody answered" in digest.about[0].event.evidence.reason


def test_a_drill_wakes_nobody_whatever_the_manners_are():
    told = drilled(NIGHT).advance(NIGHT + 4 * HOUR + MIN)
    assert calls(told)[0] == (240, "ada", "drill")
    digest = Manner(When.DIGEST, HOUR, HOUR, HOUR)
    team = drilled(NOON, replace(DUTY, manners=DUTY.manners | {Priority.MEDIUM: digest}))
    assert calls(team.advance(NOON + MIN), NOON) == [(0.25, "ada", "drill")]


@pytest.mark.parametrize("priority", [Priority.CRITICAL, Priority.HIGH, Priority.MEDIUM])
def test_a_real_alarm_is_called_as_if_there_were_no_drill_and_ends_it(priority):
    real = word(priority=priority, at_ms=NOON)
    alone, team = calling(NOON), drilled()
    begun = team.advance(NOON + MIN)
    alone.advance(NOON + MIN)
    wanted = alone.hear(real, NOON + MIN).calls + alone.advance(NOON + 3 * HOUR).calls
    heard = team.hear(real, NOON + MIN)
    got = heard.calls + team.advance(NOON + 3 * HOUR).calls
    assert len(begun.calls) == 1
    assert [(call.at_ms, call.person, call.kind, call.priority) for call in got] == [
        (call.at_ms, call.person, call.kind, call.priority) for call in wanted
    ]
    assert team.calls.practice.newest.outcome is Outcome.BROKEN_OFF
    assert "no problem of this number" in team.answer(1, SEEN, NOON + 3 * HOUR).refusal
    assert team.problems()[0].urgency is priority, "an answer to a drill is none to an alarm"


def test_an_answer_to_a_drill_answers_nothing_real_and_a_real_one_no_drill():
    team = drilled()
    low = word(priority=Priority.LOW, at_ms=NOON)  # waits for the digest, so that the drill goes on
    team.hear(low, NOON + MIN)
    team.answer(1, SEEN, NOON + 2 * MIN)
    assert [(it.is_drill, it.urgency) for it in team.problems()] == [(False, Priority.LOW)]
    team.mention(asked("r:drill:2"), NOON + 3 * MIN)
    team.answer(2, SEEN, NOON + 4 * MIN)
    assert [(it.is_drill, it.urgency) for it in team.problems()] == [(False, None), (True, Priority.MEDIUM)]


def test_while_somebody_is_called_about_a_real_alarm_no_drill_begins():
    team = calling(NOON)
    team.hear(word(at_ms=NOON), NOON)
    team.advance(NOON + MIN)
    team.mention(asked(), NOON + 2 * MIN)
    assert not [problem for problem in team.problems() if problem.is_drill]
    assert team.calls.practice.newest.outcome is Outcome.BROKEN_OFF


def test_what_real_joins_a_drill_under_its_name_is_real():
    team = drilled()
    team.hear(word(at_ms=NOON, priority=Priority.CRITICAL, cause="drill"), NOON + MIN)
    told = team.advance(NOON + 2 * MIN).calls
    assert (told[-1].kind, told[-1].priority) == (CallKind.ALARM, Priority.CRITICAL)
    team.answer(1, Answer(Reply.NEXT, "ada"), NOON + 3 * MIN)
    assert team.problems()[0].urgency is Priority.CRITICAL


def test_a_drill_takes_no_place_in_the_flood_gate():
    duty = replace(DUTY, flood_calls=1)
    team = drilled(NOON, duty)
    team.advance(NOON + MIN)
    told = team.hear(word(priority=Priority.HIGH, at_ms=NOON), NOON + MIN).calls
    told += team.advance(NOON + 2 * MIN).calls
    assert [call.kind for call in told] == [CallKind.ALARM]


def test_without_an_answered_drill_the_digest_says_so_each_month_and_an_answer_puts_it_off():
    team = calling(NOON)
    first = [call for call in team.advance(NOON + EVERY_MS + DAY).calls if call.kind is CallKind.DIGEST]
    assert [word.event.condition for call in first for word in call.about] == [DRILL_LACKING]
    assert first[0].person == team.duty.rota.on_call(first[0].at_ms)
    now_ms = NOON + EVERY_MS + DAY
    team.mention(asked(), now_ms)
    team.advance(now_ms + MIN)
    team.answer(1, SEEN, now_ms + MIN)
    assert not [it for it in team.advance(now_ms + EVERY_MS).calls if it.kind is CallKind.DIGEST]
    assert [it for it in team.advance(now_ms + EVERY_MS + DAY).calls if it.kind is CallKind.DIGEST]


def test_the_second_watcher_leaves_a_drill_to_the_first_while_that_lives():
    duty = replace(DUTY, pair=Pair("desk", second=True, missing_after_ms=2 * MIN))
    team = drilled(NOON, duty)
    assert not team.advance(NOON + MIN).calls
    assert [call.kind for call in team.advance(NOON + 3 * MIN).calls if call.problem == 2] == [CallKind.DRILL]


def test_the_daily_word_goes_to_whoever_is_on_call_at_a_time_of_theirs_also_where_all_is_well():
    duty = replace(DUTY, words_at={"ada": time(7), "cy": time(12, 30)})
    team = calling(NIGHT, duty)
    team.watch("south", "watching", NIGHT, kept=False, vessels=2)
    team.watch("north", "watching", NIGHT, kept=False, vessels=4)
    team.watch("north", "watching", NIGHT + 1, kept=True)
    unwatched = "k1/temperature/unwatched"
    team.hear(word(alarm=unwatched, priority=Priority.LOW), NIGHT + 1)
    told = []
    for minute in range(1, 24 * 60):
        told += team.heartbeat("north", 1, NIGHT, NIGHT + minute * MIN).calls
        told += team.heartbeat("south", 0, NIGHT, NIGHT + minute * MIN).calls
    (daily,) = [call for call in told if call.kind is CallKind.DAILY_WORD]
    assert calls(replace_calls([daily])) == [(240, "ada", "daily word")], "cy is not on call, nor is bo"
    assert [(it.rack, it.state, it.vessels, it.unwatched) for it in daily.day.racks] == [
        ("north", "watching", 4, 1), ("south", "watching", 2, 0)
    ]  # fmt: skip
    team.hear(over(2, alarm=unwatched), NIGHT + DAY)
    later = [call for call in team.advance(NIGHT + 29 * HOUR).calls if call.kind is CallKind.DAILY_WORD]
    assert [(it.rack, it.state, it.unwatched) for it in later[0].day.racks] == [
        ("north", "silent", 0), ("south", "silent", 0)
    ]  # fmt: skip


def replace_calls(some):
    """What `calls` reads."""
    return type("Told", (), {"calls": some})
