"""Who is called, when and how often: worked nights, the law of cuts, and promises that no input may break.

The timings are those of the test's own team; that calls repeat until acknowledged and go on to the
next person is common practice, no source. States and their meaning: IEC 62682.
"""

import json
from dataclasses import replace
from datetime import UTC, date, datetime, time
from itertools import pairwise
from pathlib import Path
from time import process_time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.life_cycle import Priority
from rules.calling.duty import Duty, Manner, When
from rules.calling.escalation import Escalation
from rules.calling.racks import hearing
from rules.calling.records import Answer, CallKind, Reply
from rules.calling.rota import QuietHours, Rota, Swap, instant_ms
from rules.errors import InputError
from tests.rigs.examples import examples
from tests.rigs.rack_words import word_of

ZONE = ZoneInfo("Europe/Copenhagen")
MIN = 60_000
HOUR = 60 * MIN
LATER = 1000 * HOUR  # what asks again is tried in test_answers.py
SEEN = Answer(Reply.SEEN, "ada")
MANNERS = {
    Priority.CRITICAL: Manner(When.ALWAYS, 5 * MIN, 15 * MIN, LATER),
    Priority.HIGH: Manner(When.ALWAYS, 10 * MIN, 30 * MIN, LATER),
    Priority.MEDIUM: Manner(When.AWAKE, 30 * MIN, 60 * MIN, LATER),
    Priority.LOW: Manner(When.DIGEST, 24 * HOUR, 24 * HOUR, LATER),
}
DUTY = Duty(
    Rota(("ada", "bo", "cy"), date(2026, 1, 5), time(9), ZONE),
    QuietHours(time(22), time(7), ZONE),
    (time(8, 30),),
    MANNERS,
    gather_ms=15_000,
)
NIGHT = instant_ms(date(2026, 1, 7), time(3), ZONE)
NOON = instant_ms(date(2026, 1, 7), time(12), ZONE)


def calling(start_ms=NIGHT, duty=DUTY):
    """An on-call fold that reaches its broker from the start."""
    escalation = Escalation(duty, start_ms)
    escalation.link(True, start_ms)
    return escalation


def word(number=1, alarm="k1/temperature/high", priority=Priority.CRITICAL, **changes):
    return word_of(alarm, **{"at_ms": NIGHT, "number": number, "priority": priority, **changes})


def over(number, **changes):
    return word(number, trigger="returned", state="normal", **changes)


def calls(told, start_ms=NIGHT):
    """When (minutes from the start), to whom, and which kind."""
    return [((call.at_ms - start_ms) / MIN, call.person, call.kind.value) for call in told.calls]


def test_a_critical_alarm_is_repeated_and_goes_on_to_the_next_person_until_somebody_has_seen_it():
    team = calling()
    team.hear(word(), NIGHT)
    told = team.advance(NIGHT + 36 * MIN)
    assert calls(told) == [
        (0.25, "ada", "alarm"),
        (5.25, "ada", "alarm"),
        (10.25, "ada", "alarm"),
        (15.25, "bo", "alarm"),
        (20.25, "bo", "alarm"),
        (25.25, "bo", "alarm"),
        (30.25, "cy", "alarm"),
        (35.25, "cy", "alarm"),
    ]
    assert [call.id for call in told.calls] == [f"1.{n}" for n in range(1, 9)]
    seen = team.hear(word(2, trigger="acknowledged", state="acknowledged"), NIGHT + 36 * MIN)
    assert seen.settled == [1]
    assert not team.advance(NIGHT + 5 * HOUR).calls


def test_a_call_again_says_what_was_told_of_the_alarm_that_leads_it_whoever_has_joined_since():
    team = calling()
    team.hear(word(cause="loop", value=19.0), NIGHT)
    (first,) = team.advance(NIGHT + MIN).calls
    team.hear(word(2, "k2/temperature/high", Priority.HIGH, cause="loop", value=18.0), NIGHT + 2 * MIN)
    (again,) = team.advance(NIGHT + 6 * MIN).calls
    assert [(call.was, len(call.about)) for call in (first, again)] == [(None, 1), (19.0, 2)]


def test_a_rack_is_told_up_to_which_of_its_own_numbers_it_was_heard():
    team = calling()
    team.hear(word(7), NIGHT)
    team.hear(word(3, "k2/temperature/high"), NIGHT)
    assert [team.newest_number(*of) for of in (("north", "j"), ("north", "k"), ("south", "j"))] == [7, 0, 0]


def test_who_was_called_is_told_of_the_return_once_and_nobody_else_is():
    team = calling()
    team.hear(word(), NIGHT)
    team.advance(NIGHT + 16 * MIN)
    told = team.hear(over(2), NIGHT + 20 * MIN)
    assert calls(told)[-2:] == [(20, "ada", "returned"), (20, "bo", "returned")]
    assert told.settled == [1]
    assert not team.advance(NIGHT + 5 * HOUR).calls


def test_an_alarm_that_returns_before_anybody_was_called_is_left_to_the_digest():
    team = calling()
    team.hear(word(), NIGHT)
    assert not team.hear(over(2), NIGHT + 10_000).calls
    told = team.advance(NIGHT + 6 * HOUR)
    assert calls(told) == [(330, "ada", "digest")]
    assert told.calls[0].about[0].event.state == "normal"


def test_medium_waits_until_the_quiet_hours_end_and_low_waits_for_the_digest():
    team = calling()
    team.hear(word(1, priority=Priority.MEDIUM), NIGHT)
    team.hear(word(2, "k2/salinity/low", Priority.LOW), NIGHT)
    told = team.advance(NIGHT + 6 * HOUR)
    assert calls(told)[:1] == [(240, "ada", "alarm")]
    assert [call.kind for call in told.calls].count(CallKind.DIGEST) == 1
    digest = next(call for call in told.calls if call.kind is CallKind.DIGEST)
    assert digest.at_ms == instant_ms(date(2026, 1, 7), time(8, 30), ZONE)
    assert [about.event.alarm for about in digest.about] == ["k2/salinity/low"]


@pytest.mark.parametrize(
    ("zone", "evening", "first_call"),
    [
        ("Europe/Copenhagen", date(2026, 3, 28), "2026-03-29T05:00:00+00:00"),
        ("Europe/Copenhagen", date(2026, 10, 24), "2026-10-25T06:00:00+00:00"),
        ("America/New_York", date(2026, 3, 7), "2026-03-08T11:00:00+00:00"),
        ("America/New_York", date(2026, 10, 31), "2026-11-01T12:00:00+00:00"),
    ],
)
def test_the_quiet_hours_of_a_night_that_changes_the_clock_end_at_seven_on_the_wall(
    zone, evening, first_call
):
    """Directive 2000/84/EC and the Energy Policy Act of 2005 give the switches; see test_rota."""
    there = ZoneInfo(zone)
    duty = replace(DUTY, rota=replace(DUTY.rota, zone=there), quiet=QuietHours(time(22), time(7), there))
    start_ms = instant_ms(evening, time(23), there)
    team = calling(start_ms, duty)
    team.hear(word(1, priority=Priority.MEDIUM), start_ms)
    team.link(False, start_ms + 1)  # heartbeats play no part here
    told = team.advance(start_ms + 10 * HOUR)
    about_the_alarm = [call for call in told.calls if call.about[0].rack == "north"]
    assert about_the_alarm[0].at_ms == round(datetime.fromisoformat(first_call).timestamp() * 1000)


def test_a_worsening_restarts_the_calling_from_the_top_of_the_line_up():
    team = calling(NOON)
    team.hear(word(1, priority=Priority.MEDIUM), NOON)
    told = team.advance(NOON + 61 * MIN)
    assert calls(told, NOON) == [(0.25, "ada", "alarm"), (30.25, "ada", "alarm"), (60.25, "bo", "alarm")]
    team.hear(word(2, trigger="worsened"), NOON + 61 * MIN)
    told = team.advance(NOON + 66.5 * MIN // 1)
    assert calls(told, NOON) == [(61.25, "ada", "alarm"), (66.25, "ada", "alarm")]
    assert all(call.priority is Priority.CRITICAL for call in told.calls)


def test_a_worsening_calls_again_although_the_alarm_had_been_seen_and_easing_does_not():
    team = calling(NOON)
    team.hear(word(1, priority=Priority.HIGH), NOON)
    team.advance(NOON + MIN)
    assert team.answer(1, SEEN, NOON + MIN).settled == [1]
    team.hear(word(2, trigger="eased", priority=Priority.MEDIUM), NOON + 2 * MIN)
    assert not team.advance(NOON + 2 * HOUR).calls
    team.hear(word(3, trigger="worsened"), NOON + 2 * HOUR)
    assert calls(team.advance(NOON + 2 * HOUR + MIN), NOON) == [(120.25, "ada", "alarm")]


def test_an_unseen_critical_alarm_that_eases_goes_on_being_called_as_critical():
    team = calling()
    team.hear(word(), NIGHT)
    team.advance(NIGHT + MIN)
    team.hear(word(2, trigger="eased", priority=Priority.MEDIUM), NIGHT + 2 * MIN)
    assert calls(team.advance(NIGHT + 11 * MIN)) == [(5.25, "ada", "alarm"), (10.25, "ada", "alarm")]


def test_one_cause_is_one_page_that_lists_its_alarms_the_most_urgent_first():
    team = calling()
    for number, vessel in enumerate(["k1", "k2", "k3"], 1):
        priority = Priority.CRITICAL if vessel == "k3" else Priority.HIGH
        alarm = f"{vessel}/temperature/high"
        team.hear(word(number, alarm, priority, cause="loop-a"), NIGHT + 1000 * number)
    told = team.advance(NIGHT + 2 * MIN)
    assert len(told.calls) == 1
    assert [about.event.vessel for about in told.calls[0].about] == ["k3", "k1", "k2"]


def test_an_alarm_moves_to_the_problem_of_its_cause_once_that_is_known():
    team = calling()
    team.hear(word(1), NIGHT)
    team.hear(word(2, "k2/temperature/high", cause="loop-a"), NIGHT)
    told = team.hear(word(3, trigger="eased", cause="loop-a"), NIGHT + 5000)
    assert told.settled == [1]
    told = team.advance(NIGHT + MIN)
    assert [len(call.about) for call in told.calls] == [2]


@pytest.mark.parametrize("state", ["shelved", "suppressed by design", "out of service"])
def test_what_is_silenced_calls_nobody_and_its_release_is_no_return(state):
    team = calling()
    team.hear(word(), NIGHT)
    team.advance(NIGHT + MIN)
    assert team.hear(word(2, trigger="shelved", state=state), NIGHT + MIN).settled == [1]
    assert not team.advance(NIGHT + HOUR).calls
    told = team.hear(word(3, trigger="unshelved", state="normal"), NIGHT + HOUR)
    assert not told.calls
    assert not team.problems()
    team.hear(word(4), NIGHT + HOUR)
    assert calls(team.advance(NIGHT + HOUR + MIN)) == [(60.25, "ada", "alarm")]


def test_a_latched_alarm_calls_until_it_is_seen():
    team = calling()
    team.hear(word(), NIGHT)
    team.advance(NIGHT + MIN)
    team.hear(word(2, trigger="latched", state="latched unacknowledged"), NIGHT + 2 * MIN)
    assert calls(team.advance(NIGHT + 6 * MIN)) == [(5.25, "ada", "alarm")]
    assert team.hear(word(3, trigger="acknowledged", state="latched acknowledged"), NIGHT + 7 * MIN).settled


def test_an_event_that_comes_twice_or_late_changes_nothing():
    team = calling()
    team.hear(word(4), NIGHT)
    team.hear(word(4), NIGHT)
    team.hear(over(3), NIGHT)
    assert len(team.advance(NIGHT + MIN).calls) == 1


def test_a_new_journal_ends_what_the_old_one_said():
    team = calling()
    team.hear(word(41), NIGHT)
    team.advance(NIGHT + MIN)
    told = team.hear(word(1, "k2/oxygen/low", journal="new"), NIGHT + MIN)
    assert [call.kind for call in told.calls] == [CallKind.RETURNED]
    assert [list(problem.members) for problem in team.problems()] == [["k2/oxygen/low"]]


def test_a_stale_word_of_an_older_journal_that_the_broker_kept_takes_nothing_away():
    """Both orders: which of two journals is the newer one, only the rack's clock tells."""
    stale = word(90, trigger="returned", state="returned unacknowledged", journal="old", at_ms=NIGHT - HOUR)
    other = word(91, "k2/oxygen/low", journal="old", at_ms=NIGHT - HOUR)
    for order in ([stale, other, word(1)], [word(1), stale, other], [word(1), other, stale]):
        team = calling()
        for said in order:
            team.hear(said, NIGHT)
        about = [about.event.alarm for call in team.advance(NIGHT + MIN).calls for about in call.about]
        assert "k1/temperature/high" in about, order


def test_a_word_of_an_older_journal_of_the_same_moment_as_the_known_one_is_passed_over():
    team = calling()
    team.hear(word(1, at_ms=NIGHT - HOUR), NIGHT)
    team.hear(word(2, "k2/oxygen/low"), NIGHT)
    ended = {"trigger": "returned", "state": "normal"}
    assert not team.hear(word(90, journal="old", at_ms=NIGHT - HOUR, **ended), NIGHT).settled
    assert team.hear(word(91, journal="old", at_ms=NIGHT - HOUR + 1, **ended), NIGHT).settled == [1]


def test_an_empty_topic_or_a_heartbeat_without_alarms_ends_what_was_missed():
    team = calling()
    team.hear(word(1), NIGHT)
    team.hear(word(2, "k2/oxygen/low"), NIGHT)
    team.advance(NIGHT + MIN)
    assert len(team.clear("north", "k1/temperature/high", NIGHT + MIN).calls) == 1
    assert not team.heartbeat("north", 1, NIGHT + MIN, NIGHT + MIN).calls
    assert not team.heartbeat("north", 0, NIGHT - 1, NIGHT + 2 * MIN).calls, "older than the alarm"
    assert len(team.heartbeat("north", 0, NIGHT + 3 * MIN, NIGHT + 3 * MIN).calls) == 1
    assert not team.problems()


def test_an_empty_topic_that_comes_late_ends_a_newer_alarm_only_until_that_is_said_again():
    team = calling()
    team.hear(word(1), NIGHT)
    team.hear(over(2), NIGHT + MIN)
    team.hear(word(3), NIGHT + 2 * MIN)
    team.advance(NIGHT + 3 * MIN)
    team.clear("north", "k1/temperature/high", NIGHT + 3 * MIN)  # of number 2, sent again by a broker
    for number in (1, 2):
        assert not team.hear(word(number), NIGHT + 3 * MIN).calls
    assert not team.problems()
    team.hear(word(3), NIGHT + 3 * MIN)
    told = calls(team.advance(NIGHT + 4 * MIN))
    assert told == [(3.25, person, "alarm") for person in ("ada", "bo", "cy")], "back for the second time"
    team.hear(word(3), NIGHT + 4 * MIN)
    assert len(team.problems()) == 1


def test_what_is_worth_knowing_but_no_alarm_is_in_the_digest_once():
    team = calling()
    notice = word(alarm="k1/runs long", state="normal", priority=Priority.LOW, cause="j:1", mention=True)
    team.mention(notice, NIGHT)
    team.mention(notice, NIGHT + MIN)
    told = team.advance(NIGHT + 6 * HOUR)
    assert [(call.kind, call.about) for call in told.calls] == [(CallKind.DIGEST, (notice,))]


def test_an_answer_about_what_does_not_stand_is_refused():
    team = calling()
    assert "no problem of this number" in team.answer(1, SEEN, NIGHT).refusal
    team.hear(word(), NIGHT)
    assert team.answer(1, SEEN, NIGHT).refusal == ""
    assert team.answer(1, SEEN, NIGHT).refusal == "", "said twice is harmless"
    team.hear(over(2), NIGHT)
    assert "1: no problem" in team.answer(1, SEEN, NIGHT).refusal


# Delivery that fails


def test_who_cannot_be_reached_is_passed_over_at_once_for_one_round():
    team = calling()
    team.hear(word(), NIGHT)
    first = team.advance(NIGHT + MIN).calls[0]
    team.undelivered(first.id, NIGHT + MIN)
    second = team.advance(NIGHT + MIN).calls[0]
    assert second.person == "bo"
    team.undelivered(first.id, NIGHT + MIN)
    assert not team.advance(NIGHT + MIN).calls, "only the newest call counts"
    team.undelivered(second.id, NIGHT + 2 * MIN)
    third = team.advance(NIGHT + 2 * MIN).calls[0]
    assert third.person == "cy"
    team.undelivered(third.id, NIGHT + 3 * MIN)
    assert calls(team.advance(NIGHT + 7 * MIN)) == [(7, "cy", "alarm")], "after a round, on with the repeats"


# Floods


def test_a_flood_never_buries_a_critical_alarm_and_its_rest_is_one_page():
    team = calling(NOON, replace(DUTY, flood_calls=2))
    for number in range(1, 7):
        team.hear(word(number, f"k{number}/oxygen/low", Priority.HIGH), NOON + number * 1000)
    team.hear(word(7, "k7/temperature/high"), NOON + 8000)
    told = team.advance(NOON + 9 * MIN)
    assert [call.priority for call in told.calls] == [Priority.HIGH, Priority.HIGH] + [Priority.CRITICAL] * 2
    told = team.advance(NOON + 11 * MIN)
    flood = next(call for call in told.calls if call.kind is CallKind.FLOOD)
    assert {"k3", "k4", "k5", "k6"} <= {about.event.vessel for about in flood.about}, (
        "what was held and repeats"
    )
    assert flood.at_ms <= NOON + 11 * MIN


def test_word_of_the_end_that_has_no_room_in_a_flood_is_in_the_digest():
    team = calling(NOON, replace(DUTY, flood_calls=2))
    for number in (1, 2):
        team.hear(word(number, f"k{number}/oxygen/low", Priority.HIGH), NOON)
    team.advance(NOON + MIN)
    for number in (3, 4):
        assert not team.hear(over(number, alarm=f"k{number - 2}/oxygen/low"), NOON + 2 * MIN).calls
    (digest,) = team.advance(NOON + 24 * HOUR).calls
    assert {about.event.vessel for about in digest.about} == {"k1", "k2"}


def test_what_was_held_back_and_has_been_seen_since_is_not_told():
    team = calling(NOON, replace(DUTY, flood_calls=1))
    team.hear(word(1, "k1/oxygen/low", Priority.HIGH), NOON)
    team.hear(word(2, "k2/oxygen/low", Priority.HIGH), NOON)
    team.advance(NOON + MIN)
    for number in (1, 2):
        team.answer(number, SEEN, NOON + 2 * MIN)
    assert not team.advance(NOON + HOUR).calls


def test_who_is_not_reached_by_the_rest_of_a_flood_is_followed_at_once_for_each_of_its_problems():
    team = calling(NOON, replace(DUTY, flood_calls=1))
    for number in (1, 2, 3):
        team.hear(word(number, f"k{number}/oxygen/low", Priority.HIGH), NOON)
    told = team.advance(NOON + 11 * MIN).calls
    (rest,) = [call for call in told if call.kind is CallKind.FLOOD]
    assert (rest.person, rest.problems) == ("ada", (1, 2, 3))
    team.answer(3, SEEN, NOON + 11 * MIN)
    team.undelivered(rest.id, NOON + 11 * MIN)
    told = team.advance(NOON + 22 * MIN).calls
    assert [(call.kind, call.at_ms - NOON) for call in told if call.person == "bo"][:2] == [
        (CallKind.ALARM, 11 * MIN),
        (CallKind.FLOOD, 21 * MIN),
    ]
    assert {about.event.vessel for call in told for about in call.about} == {"k1", "k2"}
    team.undelivered(rest.id, NOON + 22 * MIN)
    assert not [call for call in team.advance(NOON + 22 * MIN).calls if call.person == "cy"], "an old one"


@pytest.mark.parametrize("window_min", [10, 35], ids=["told before bo's turn", "told in it"])
def test_whose_turn_it_is_is_not_passed_over_where_the_rest_of_a_flood_did_not_reach_the_one_before(
    window_min,
):
    team = calling(NOON, replace(DUTY, flood_calls=2, flood_window_ms=window_min * MIN))
    for number in (1, 2, 3):
        team.hear(word(number, f"k{number}/oxygen/low", Priority.HIGH), NOON)
    told = team.advance(NOON + 36 * MIN).calls
    rest = next(call for call in told if call.kind is CallKind.FLOOD and call.person == "ada")
    assert "bo" in {call.person for call in told}
    team.undelivered(rest.id, NOON + 36 * MIN)
    assert not team.advance(NOON + 36 * MIN).calls


# Racks that fall silent


def test_a_rack_without_heartbeats_is_a_critical_problem_and_is_told_when_it_is_back():
    team = calling()
    team.heartbeat("north", 0, NIGHT, NIGHT)
    told = team.advance(NIGHT + 4 * MIN)
    assert calls(told) == [(3.25, "ada", "alarm")]
    assert (told.calls[0].about[0].event.condition, told.calls[0].priority) == (
        "rack_silent",
        Priority.CRITICAL,
    )
    assert calls(team.heartbeat("north", 0, NIGHT, NIGHT + 4 * MIN)) == [(4, "ada", "returned")]


def test_an_expected_rack_that_was_never_heard_is_missed():
    team = calling(duty=replace(DUTY, racks=("north", "south")))
    team.heartbeat("north", 0, NIGHT, NIGHT + 2 * MIN)
    told = team.advance(NIGHT + 4 * MIN)
    assert [call.about[0].rack for call in told.calls] == ["south"]


def test_a_rack_that_the_duty_names_is_missed_also_where_its_broker_forgot_it():
    """What people clear on the broker gives up a rack that was only heard of, not one that is agreed upon."""
    team = calling(duty=replace(DUTY, racks=("north", "south")))
    for rack in ("north", "south", "west"):
        team.heartbeat(rack, 0, NIGHT, NIGHT)
    for rack in ("west", "north"):
        team.watch(rack, "taken away", NIGHT + MIN, kept=False)
    team.heartbeat("south", 0, NIGHT + 3 * MIN, NIGHT + 3 * MIN)
    told = team.advance(NIGHT + 5 * MIN).calls
    assert [call.about[0].rack for call in told] == ["north"]
    assert told[0].about[0].event.since_ms == NIGHT + MIN


def test_a_last_will_pages_after_its_grace_unless_the_rack_comes_back_within_it():
    team = calling()
    team.heartbeat("north", 0, NIGHT, NIGHT)
    team.watch("north", "gone", NIGHT + 10_000, kept=False)
    team.watch("north", "watching", NIGHT + 40_000, kept=False)
    assert not team.advance(NIGHT + 2 * MIN).calls
    team.watch("north", "gone", NIGHT + 2 * MIN, kept=False)
    assert calls(team.advance(NIGHT + 4 * MIN)) == [(3.25, "ada", "alarm")]


def stopped(at_ms):
    team = calling(at_ms)
    team.heartbeat("north", 0, at_ms, at_ms)
    team.watch("north", "stopped", at_ms, kept=False)
    return team


def test_a_rack_that_was_stopped_is_told_by_day_and_wakes_nobody_unless_it_stays_away():
    by_day = stopped(NIGHT + 8 * HOUR).advance(NIGHT + 8 * HOUR + MIN)
    assert [(call.kind, call.about[0].event.condition) for call in by_day.calls] == [
        (CallKind.ALARM, "rack_stopped")
    ]
    team = stopped(NIGHT)
    late_ms = NIGHT + DUTY.stopped_after_ms
    assert not team.advance(late_ms - 1).calls
    (call,) = team.advance(late_ms + DUTY.gather_ms).calls
    assert (call.priority, call.about[0].event.condition) == (Priority.CRITICAL, "rack_stopped")
    assert call.about[0].event.since_ms == NIGHT
    (over,) = team.heartbeat("north", 0, late_ms + MIN, late_ms + MIN).calls
    assert (over.kind, over.about[0].event.condition) == (CallKind.RETURNED, "rack_stopped")


def test_a_rack_that_was_stopped_may_be_back_when_we_listen_again():
    team = stopped(NIGHT)
    team.link(False, NIGHT + MIN)
    back_ms = NIGHT + DUTY.stopped_after_ms + MIN
    team.listen_anew(back_ms)
    team.link(True, back_ms)
    assert not team.advance(back_ms + DUTY.gone_after_ms - 1).calls
    assert not team.watch("north", "watching", back_ms + DUTY.gone_after_ms - 1, kept=True).calls
    assert not team.advance(back_ms + DUTY.gone_after_ms + DUTY.gather_ms).calls


@pytest.mark.parametrize("away_s", [190, 290, 900])
def test_nobody_is_blamed_for_the_time_in_which_we_did_not_listen(away_s):
    """Seen: an on-call process that was away for 190 to 290 s called "rack silent" for every living rack."""
    team = calling()
    team.heartbeat("north", 0, NIGHT, NIGHT)
    back_ms = NIGHT + away_s * 1000
    team.listen_anew(back_ms)
    assert not team.advance(back_ms).calls
    assert not team.advance(back_ms + DUTY.silent_after_ms - 1).calls
    assert team.advance(back_ms + DUTY.silent_after_ms + DUTY.gather_ms).calls, "but for what follows"


def test_a_kept_word_of_watching_is_no_sign_of_life():
    team = calling()
    team.watch("north", "watching", NIGHT, kept=True)
    team.advance(NIGHT + 4 * MIN)
    assert not team.watch("north", "watching", NIGHT + 5 * MIN, kept=True).calls
    assert len(team.problems()) == 1


def test_without_the_broker_no_rack_is_blamed_but_the_broker_is():
    team = calling(duty=replace(DUTY, racks=("north", "south")))
    team.link(False, NIGHT + MIN)
    told = team.advance(NIGHT + 10 * MIN)
    assert {call.about[0].event.condition for call in told.calls} == {"broker_lost"}
    assert told.calls[0].at_ms == NIGHT + 6 * MIN + 15_000
    assert [call.kind for call in team.link(True, NIGHT + 10 * MIN).calls] == [CallKind.RETURNED]
    assert not team.advance(NIGHT + 12 * MIN).calls, "every rack is given its time to be heard"
    assert len(team.advance(NIGHT + 14 * MIN).calls) == 2


# Time in which nobody was here


def test_after_a_pause_each_problem_is_told_once_now_and_not_as_often_as_was_missed():
    team = calling()
    team.hear(word(), NIGHT)
    team.advance(NIGHT + MIN)
    told = team.resume(NIGHT + 3 * HOUR)
    assert calls(told) == [(180, "bo", "alarm")]
    assert not team.advance(NIGHT + 3 * HOUR + MIN).calls


def test_after_a_pause_the_digest_waits_for_its_next_hour():
    team = calling()
    team.hear(word(priority=Priority.LOW), NIGHT)
    assert not team.resume(NOON).calls
    (digest,) = team.advance(NOON + 24 * HOUR).calls
    assert (digest.kind, digest.at_ms) == (CallKind.DIGEST, instant_ms(date(2026, 1, 8), time(8, 30), ZONE))


def test_an_answer_to_a_call_is_for_its_problem_and_there_is_none_to_a_digest():
    team = calling()
    team.hear(word(), NIGHT)
    team.hear(word(2, "k2/salinity/low", Priority.LOW), NIGHT)
    kinds = {call.kind: call.numbers for call in team.advance(NIGHT + 24 * HOUR).calls}
    assert (kinds[CallKind.ALARM], kinds[CallKind.DIGEST]) == ((1,), ())


def test_after_a_pause_no_rack_is_blamed_for_the_time_in_which_nobody_listened():
    team = calling()
    team.heartbeat("north", 0, NIGHT, NIGHT)
    assert not team.resume(NIGHT + 3 * HOUR).calls
    assert not team.advance(NIGHT + 3 * HOUR + 2 * MIN).calls
    assert len(team.advance(NIGHT + 3 * HOUR + 4 * MIN).calls) == 1


def test_time_cannot_run_back():
    team = calling()
    with pytest.raises(InputError, match="cannot run back"):
        team.advance(NIGHT - 1)
    with pytest.raises(InputError, match="cannot run back"):
        team.resume(NIGHT - 1)


def test_a_duty_that_cannot_be_kept_is_refused():
    with pytest.raises(InputError, match="no time for it"):
        replace(DUTY, digest_at=())
    with pytest.raises(InputError, match="critical alarms cannot wait"):
        replace(DUTY, manners={**MANNERS, Priority.CRITICAL: MANNERS[Priority.LOW]})
    with pytest.raises(InputError, match="more than 0"):
        Manner(When.ALWAYS, 0, 1)


# Laws

ALARMS = [f"k{n}/{what}" for n in (1, 2, 3) for what in ("temperature/high", "oxygen/low")]
STATES = ["unacknowledged", "acknowledged", "normal", "returned unacknowledged", "shelved",
          "suppressed by design", "latched unacknowledged"]  # fmt: skip
ANSWERS = st.builds(
    Answer, st.sampled_from(Reply), st.sampled_from(["ada", "bo"]), st.integers(NIGHT, NIGHT + HOUR)
)
TRIGGERS = ["raised", "worsened", "eased", "returned", "acknowledged", "announced again", "unshelved"]

steps = st.one_of(
    st.tuples(st.just("hear"), st.sampled_from(["north", "south"]), st.sampled_from(ALARMS),
              st.sampled_from(TRIGGERS), st.sampled_from(STATES), st.sampled_from(list(Priority)),
              st.sampled_from(["", "loop"]),
        st.sampled_from(["j", "j", "j", "other"]),
        st.sampled_from([0, 0, HOUR])),
    st.tuples(st.just("clear"), st.sampled_from(["north", "south"]), st.sampled_from(ALARMS)),
    st.tuples(st.just("heartbeat"), st.sampled_from(["north", "south"]), st.integers(0, 2)),
    st.tuples(st.just("watch"), st.sampled_from(["north", "south"]),
              st.sampled_from(["watching", "stopped", "gone"]), st.booleans()),
    st.tuples(st.just("link"), st.booleans()),
    st.tuples(st.just("answer"), st.integers(1, 6), ANSWERS),
    st.tuples(st.just("undelivered"), st.integers(1, 6), st.integers(1, 4)),
    st.tuples(st.just("advance")),
    st.tuples(st.just("resume")),
)  # fmt: skip
gaps = st.one_of(st.integers(0, 20_000), st.integers(0, 20 * MIN), st.integers(0, 12 * HOUR))
LAW_DUTY = replace(DUTY, racks=("north",), flood_calls=2)


def do(team, step, at_ms, number):
    kind, *rest = step
    if kind == "hear":
        rack, alarm, trigger, state, priority, cause, journal, late_ms = rest
        said = {"rack": rack, "trigger": trigger, "state": state, "cause": cause, "journal": journal}
        heard = word(number, alarm, priority, **said, at_ms=at_ms - late_ms, since_ms=at_ms)
        return team.hear(heard, at_ms)
    if kind == "heartbeat":
        return team.heartbeat(*rest, at_ms, at_ms)
    if kind == "watch":
        return team.watch(rest[0], rest[1], at_ms, kept=rest[2])
    if kind == "undelivered":
        return team.undelivered(f"{rest[0]}.{rest[1]}", at_ms)
    return getattr(team, kind)(*rest, at_ms)


def through_json(team):
    return Escalation.restore(json.loads(json.dumps(team.snapshot())), LAW_DUTY)


@settings(max_examples=examples(150), deadline=None)
@given(st.lists(st.tuples(gaps, steps, st.integers(0, 3)), max_size=25))
def test_cutting_time_anywhere_with_a_restart_in_between_gives_the_same_calls(story):
    whole, cut = Escalation(LAW_DUTY, NOON), Escalation(LAW_DUTY, NOON)
    at_ms = NOON
    for number, (gap_ms, step, cuts) in enumerate(story, 1):
        before_ms, at_ms = at_ms, at_ms + gap_ms
        once = do(whole, step, at_ms, number)
        pieces, settled = [], []
        if step[0] != "resume":  # that one says of itself that nobody was here before
            for place in range(1, cuts + 1):
                told = cut.advance(before_ms + gap_ms * place // (cuts + 1))
                pieces, settled = pieces + told.calls, settled + told.settled
                cut = through_json(cut)
        told = do(cut, step, at_ms, number)
        assert pieces + told.calls == once.calls
        assert settled + told.settled == once.settled
        assert told.refusal == once.refusal
        cut = through_json(cut)
    assert cut.snapshot() == json.loads(json.dumps(whole.snapshot()))


@settings(max_examples=examples(150), deadline=None)
@given(st.lists(st.tuples(gaps, steps), max_size=25))
def test_no_input_leaves_a_calling_problem_untold_and_none_breaks_the_promises(story):
    """After each input, time passes; a plain look at the problems and the calls decides."""
    team, at_ms, ids, told = Escalation(LAW_DUTY, NOON), NOON, set(), []
    for number, (gap_ms, step) in enumerate(story, 1):
        at_ms += gap_ms
        for call in do(team, step, at_ms, number).calls:
            assert call.id not in ids, "an id is never used for two calls"
            ids.add(call.id)
            told.append(call)
            wakes = call.kind is CallKind.ALARM and MANNERS[call.priority].when is not When.ALWAYS
            assert not wakes or DUTY.quiet.ends_ms(call.at_ms) is None, "quiet hours"
            assert call.person in DUTY.rota.people
            assert call.about, "a call is about something"
    tail = team.advance(at_ms + 2 * 24 * HOUR).calls
    for problem in team.problems():
        urgency = problem.urgency
        if urgency is None:
            continue
        names = {member.word.event.alarm
                 for member in problem.calling()}  # fmt: skip
        for priority, longest_ms in ((Priority.CRITICAL, 5 * MIN), (Priority.HIGH, 25 * MIN)):
            if urgency is priority:
                mine = [
                    call.at_ms
                    for call in tail
                    if call.priority >= priority and names & {about.event.alarm for about in call.about}
                ]
                spans = [later - sooner for sooner, later in pairwise(mine)]
                assert mine, "two days and nobody told"
                assert max(spans) <= longest_ms, "repeated until seen"
        if urgency in (Priority.MEDIUM, Priority.LOW):
            assert any(names & {about.event.alarm for about in call.about} for call in tail)


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(st.tuples(gaps, steps), max_size=20), st.integers(0, 3 * HOUR))
def test_a_critical_alarm_is_told_at_once_whatever_else_is_going_on(story, later_ms):
    team, at_ms = Escalation(LAW_DUTY, NOON), NOON
    for number, (gap_ms, step) in enumerate(story, 1):
        at_ms += gap_ms
        do(team, step, at_ms, number)
    at_ms += later_ms
    team.hear(word(1000, "k9/temperature/high", rack="west", at_ms=at_ms, since_ms=at_ms), at_ms)
    told = team.advance(at_ms + LAW_DUTY.gather_ms)
    mine = [call for call in told.calls if "west" in {about.rack for about in call.about}]
    assert [(call.person, call.at_ms) for call in mine] == [
        (DUTY.rota.on_call(at_ms + LAW_DUTY.gather_ms), at_ms + LAW_DUTY.gather_ms)
    ]


def test_the_state_is_plain_json():
    team = calling()
    team.hear(word(vessels=("k1", "k2")), NIGHT)
    team.advance(NIGHT + MIN)
    assert datetime.fromtimestamp(team.clock_ms / 1000, UTC).year == 2026
    assert json.loads(json.dumps(team.snapshot())) == team.snapshot()


def test_a_snapshot_of_version_1_goes_on_with_the_calls_that_it_would_have_gone_on_with():
    """The file was written by the version before, with the calls that it made in the 35 minutes after."""
    kept = json.loads((Path(__file__).parent / "escalation_1.json").read_text())
    duty = Duty(DUTY.rota, DUTY.quiet, DUTY.digest_at, flood_calls=2, racks=("south",))
    team = Escalation.restore(kept["snapshot"], duty)
    told = team.advance(NOON + 40 * MIN)
    assert [
        [call.id, call.kind, call.person, call.priority.word, call.at_ms,
         [[about.rack, about.event.vessel, about.event.condition] for about in call.about], call.more]
        for call in told.calls
    ] == kept["then"]  # fmt: skip
    assert Escalation.restore(team.snapshot(), duty).snapshot() == team.snapshot()
    (mentioned,) = [word for word in team._state.calls.gone if word.mention]
    team.mention(mentioned, team.clock_ms)
    assert len([word for word in team._state.calls.gone if word.mention]) == 1, "known by its id"
    assert mentioned.event.cause == "j:stage runs long:k1:5"


def test_a_snapshot_of_another_version_is_refused():
    with pytest.raises(InputError, match="version 9"):
        Escalation.restore({**calling().snapshot(), "version": 9}, DUTY)


def test_a_message_that_cannot_be_read_is_called_of_its_rack_or_of_the_broker_and_kept_over_a_restart():
    team = calling(duty=replace(DUTY, racks=("north",)))
    team.link(True, NIGHT)
    team.garbled("north", Priority.CRITICAL, NIGHT + 1)
    team.garbled("made-up", Priority.CRITICAL, NIGHT + 2)
    team = Escalation.restore(json.loads(json.dumps(team.snapshot())), team.duty)
    told = team.advance(NIGHT + MIN).calls
    assert {(call.about[0].rack, call.about[0].event.condition) for call in told} == {
        ("north", "unreadable"),
        ("broker", "unreadable"),
    }
    ended = team.advance(NIGHT + 11 * MIN).calls
    assert "returned" in {call.kind for call in ended}


def test_a_sender_that_makes_up_names_does_not_fill_the_memory(monkeypatch):
    monkeypatch.setattr(hearing, "RACKS_AT_MOST", 2)
    monkeypatch.setattr(hearing, "ALARMS_AT_MOST", 2)
    monkeypatch.setattr(hearing, "ALWAYS_HEARD", 1)
    team = calling()
    for rack in ("a", "b"):
        team.heartbeat(rack, 1, NIGHT, NIGHT)
        team.hear(word(1, rack=rack), NIGHT)
    before = team.snapshot()
    for one_more in (
        lambda: team.heartbeat("c", 0, NIGHT, NIGHT),
        lambda: team.watch("c", "watching", NIGHT, kept=False),
        lambda: team.mention(word(1, rack="c"), NIGHT),
        lambda: team.hear(word(1, rack="c"), NIGHT),
        lambda: team.hear(word(2, alarm="k2/temperature/high", rack="a"), NIGHT),
    ):
        with pytest.raises(InputError, match="is a sender making up names"):
            one_more()
    assert team.snapshot() == before
    team.hear(word(2, priority=Priority.HIGH, rack="a"), NIGHT)
    assert team.snapshot() != before, "what is known already is heard"


def test_a_rack_gone_wild_neither_takes_the_room_of_another_nor_makes_its_words_costly(monkeypatch):
    monkeypatch.setattr(hearing, "ALARMS_AT_MOST", 3_000)
    monkeypatch.setattr(hearing, "ALARMS_OF_A_RACK", 4_000)
    team, costs_s = calling(), []
    for first in range(0, 3_000, 300):
        began_s = process_time()
        for number in range(first + 1, first + 301):
            alarm = f"v{number}/temperature/high"
            team.hear(word(number, alarm, priority=Priority.HIGH, rack="south"), NIGHT)
            team.clear("south", f"v{number // 2}/temperature/high", NIGHT)
        costs_s.append(process_time() - began_s)
    assert min(costs_s[-3:]) < 4 * costs_s[0], f"each word costs what all before it cost: {costs_s}"
    with pytest.raises(InputError, match="south: more than 3000 alarms"):
        team.hear(word(9_000, "v9000/temperature/high", rack="south"), NIGHT)
    team.hear(word(1), NIGHT)
    told = team.advance(NIGHT + MIN).calls
    assert (told[0].about[0].rack, told[0].priority) == ("north", Priority.CRITICAL)


def under(team, zone):
    """The same calling, restored under the team's agreement in another time zone."""
    moved = replace(
        team.duty, quiet=replace(team.duty.quiet, zone=zone), rota=replace(team.duty.rota, zone=zone)
    )
    return Escalation.restore(json.loads(json.dumps(team.snapshot())), moved)


@pytest.mark.parametrize(
    ("zone", "told_after_ms"),
    [
        ("Europe/Copenhagen", 4 * HOUR),  # it is three at night there
        ("Asia/Dubai", HOUR),  # six in the morning
        ("America/New_York", MIN),  # nine in the evening: at once
    ],
)
def test_a_new_time_zone_moves_quiet_hours_from_the_next_minute_on_and_no_repeat(zone, told_after_ms):
    team = calling()
    team.hear(word(1, priority=Priority.CRITICAL), NIGHT)
    team.hear(word(2, alarm="k2/temperature/high", priority=Priority.MEDIUM), NIGHT)
    told = team.advance(NIGHT + MIN).calls
    told += under(team, ZoneInfo(zone)).advance(NIGHT + 5 * HOUR).calls
    medium = [call.at_ms - NIGHT for call in told if call.priority is Priority.MEDIUM]
    assert medium[0] == told_after_ms
    critical = [call.at_ms - told[0].at_ms for call in told if call.priority is Priority.CRITICAL]
    assert critical[:6] == [count * 5 * MIN for count in range(6)]


def test_a_new_time_zone_moves_the_digest_and_the_turns():
    team = calling()
    team.hear(word(1, "k2/salinity/low", Priority.LOW), NIGHT)
    team.advance(NIGHT + MIN)
    told = under(team, ZoneInfo("Asia/Dubai")).advance(NIGHT + 4 * HOUR).calls  # six in the morning there
    assert [(call.kind, call.at_ms - NIGHT) for call in told] == [(CallKind.DIGEST, 2 * HOUR + 30 * MIN)]
    hand_over = instant_ms(date(2026, 1, 12), time(9), ZONE)
    for zone, person in (("Europe/Copenhagen", "bo"), ("America/New_York", "ada")):
        team = under(calling(hand_over), ZoneInfo(zone))
        team.hear(word(1, at_ms=hand_over), hand_over)
        assert {call.person for call in team.advance(hand_over + MIN).calls} == {person}


def test_what_a_rack_mentions_of_a_full_disk_calls_once_while_it_goes_on_and_ends_by_itself():
    team, told = calling(NOON), []
    for minute in (0, 5, 10):
        full = word(alarm="rack/disk full", at_ms=NOON + minute * MIN, state="normal", priority=Priority.LOW,
                    cause=f"j:{minute}", mention=True)  # fmt: skip
        full = replace(full, event=replace(full.event, condition="disk full"))
        told += team.mention(full, NOON + minute * MIN).calls
    told += team.advance(NOON + 19 * MIN).calls
    alarms = [call for call in told if call.kind is CallKind.ALARM]
    assert {call.priority for call in alarms} == {Priority.HIGH}
    assert {call.problem for call in alarms} == {1}
    over = team.advance(NOON + 20 * MIN + 1).calls
    assert [call.kind for call in over] == [CallKind.RETURNED]


MONDAY_9 = instant_ms(date(2026, 1, 12), time(9), ZONE)


def test_who_comes_on_call_is_called_at_once_about_what_the_one_before_has_not_answered():
    """At the hand-over ada's turn goes to bo, between two repeats to ada."""
    begun_ms = MONDAY_9 - 7 * MIN
    team = calling(begun_ms)
    team.hear(word(), begun_ms)
    told = team.advance(MONDAY_9 + 6 * MIN)
    assert calls(told, MONDAY_9) == [
        (-6.75, "ada", "alarm"),
        (-1.75, "ada", "alarm"),
        (0, "bo", "alarm"),
        (5, "bo", "alarm"),
    ]
    told = team.advance(MONDAY_9 + 16 * MIN)
    assert calls(told, MONDAY_9)[-1] == (15, "cy", "alarm"), "a whole hand-over time for bo"


def test_a_new_rota_in_the_middle_of_a_call_calls_who_is_on_call_by_it_at_once():
    team = calling()
    team.hear(word(), NIGHT)
    team.advance(NIGHT + 2 * MIN)
    kept = json.loads(json.dumps(team.snapshot()))
    same = Escalation.restore(kept, DUTY).advance(NIGHT + 3 * MIN)
    assert calls(same) == [], "nothing has changed"
    changed = replace(DUTY, rota=replace(DUTY.rota, people=("cy", "ada", "bo")))
    assert calls(Escalation.restore(kept, changed).resume(NIGHT + 3 * MIN)) == [(3, "cy", "alarm")]
    team.answer(1, SEEN, NIGHT + 2 * MIN)
    seen = Escalation.restore(team.snapshot(), changed).advance(NIGHT + 4 * MIN)
    assert calls(seen) == [], "somebody has it"


def test_what_waits_for_the_morning_or_the_digest_waits_also_where_the_turn_changes():
    swap = Swap(NIGHT + HOUR, NIGHT + 2 * HOUR, "cy")
    duty = replace(DUTY, rota=replace(DUTY.rota, swaps=(swap,)))
    team = calling(duty=duty)
    team.hear(word(priority=Priority.MEDIUM), NIGHT)
    team.hear(word(2, "k2/temperature/high", priority=Priority.LOW), NIGHT)
    assert calls(team.advance(NIGHT + 90 * MIN)) == []


def test_turns_quiet_hours_and_times_of_day_go_by_the_peoples_clock_where_ours_is_ahead():
    """A clock that was half an hour ahead and is set back; ours goes on, since time never runs back."""
    ahead_ms = 30 * MIN
    swap = Swap(NOON, NOON + HOUR, "cy")
    duty = replace(DUTY, rota=replace(DUTY.rota, swaps=(swap,)), words_at={"cy": time(12, 30)})
    team = calling(NOON, duty)
    team.go_by(replace(duty, ahead_ms=ahead_ms))
    assert replace(duty, ahead_ms=ahead_ms).mark == duty.mark, "of a pair the two go by one file"
    team.hear(word(), NOON + 10 * MIN)
    told = team.advance(NOON + 61 * MIN)
    assert [its for its in calls(told, NOON) if its[2] == "alarm"][:5] == [
        (10.25, "ada", "alarm"),
        (15.25, "ada", "alarm"),
        (20.25, "ada", "alarm"),
        (25.25, "bo", "alarm"),
        (30, "cy", "alarm"),
    ]
    assert (60, "cy", "daily word") in calls(told, NOON)
    quiet = instant_ms(date(2026, 1, 8), time(7), ZONE)
    assert duty.quiet_ends_ms(quiet - 1) == quiet
    assert replace(duty, ahead_ms=ahead_ms).quiet_ends_ms(quiet + ahead_ms - 1) == quiet + ahead_ms
    assert replace(duty, ahead_ms=ahead_ms).quiet_ends_ms(quiet + ahead_ms) is None
