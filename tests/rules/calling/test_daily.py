"""Calls about several problems or about none: what is in them, and what is left out."""

from dataclasses import replace
from datetime import time

from rules.alarms.life_cycle import Priority
from rules.calling.records import Answer, CallKind, Day, RackToday, Reply
from tests.rules.calling.test_drill import asked, drilled
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NIGHT, NOON, calling, over, word

LOW, MEDIUM, HIGH, CRITICAL = Priority
SEEN = Answer(Reply.SEEN, "ada")
DAY_MS = 24 * HOUR
WORD = replace(DUTY, words_at={"ada": time(13)})
"""At one in the afternoon, an hour after noon, ada is on call and gets the daily word."""


def daily(team, until_ms=NOON + HOUR):
    (its,) = [call for call in team.advance(until_ms).calls if call.kind is CallKind.DAILY_WORD]
    return its


def test_the_daily_word_counts_what_stands_on_each_rack_the_worst_first():
    team = calling(NOON, WORD)
    for rack in ("south", "north", "west"):
        team.watch(rack, "watching", NOON, kept=False, vessels=3)
    for number, alarm in enumerate(("k1/x/unwatched", "k2/x/high", "k3/x/low", "k4/x/high"), 1):
        team.hear(word(number, alarm, LOW, at_ms=NOON), NOON)
    team.hear(over(5, alarm="k4/x/high", priority=LOW), NOON + 1)
    team.hear(word(6, "k2/x/high", LOW, trigger="acknowledged", state="acknowledged"), NOON + 2)
    for minute in range(59):
        for rack in ("south", "north", "west"):
            team.heartbeat(rack, 3, NOON, NOON + minute * MIN + 3)
    team.watch("west", "stopped", NOON + 59 * MIN, kept=False)
    its = daily(team)
    assert (its.person, its.priority, its.problem, its.about, its.numbers) == ("ada", LOW, 0, (), ())
    assert its.day == Day(
        (
            RackToday("west", "stopped", 3, 0, 0),  # its own word, that it was stopped, is none of a rack
            RackToday("north", "watching", 3, 1, 3),
            RackToday("south", "watching", 3, 0, 0),
        ),
        None,
    )


def test_while_the_broker_is_away_the_daily_word_does_not_say_how_racks_are():
    team = calling(NOON, WORD)
    team.heartbeat("north", 0, NOON, NOON + HOUR - 2 * MIN)
    team.link(False, NOON + HOUR - MIN)
    assert daily(team).day.racks == (RackToday("north", "", 0, 0, 0),)


def test_the_daily_word_says_when_a_drill_was_answered_last():
    team = drilled(NOON, WORD)
    team.advance(NOON + MIN)
    team.answer(1, SEEN, NOON + 2 * MIN)
    assert daily(team).day.drill_ms == NOON + 2 * MIN


def test_a_drill_begins_at_once_by_day_and_with_the_day_at_night():
    assert drilled(NOON).calls.practice.newest.begun_ms == NOON
    assert drilled(NIGHT).calls.practice.newest.begun_ms == NIGHT + 4 * HOUR


def test_there_is_one_drill_at_a_time():
    team = drilled(NOON)
    team.mention(asked("r:drill:2", "south"), NOON + MIN)
    newest = team.calls.practice.newest
    assert (newest.id, newest.rack, newest.key, newest.number) == ("r:drill:1", "north", "north/drill", 1)
    assert team.calls.practice.going_on
    assert len(team.problems()) == 1


def test_a_drill_under_a_name_that_is_taken_is_broken_off():
    team = calling(NOON)
    team.hear(word(priority=LOW, cause="drill", at_ms=NOON), NOON)
    team.mention(asked(), NOON)
    assert not team.problems()[0].is_drill
    assert "broken off" in team.calls.practice.newest.outcome


def test_the_digest_says_of_which_rack_nobody_answered_and_of_none_that_there_was_none():
    team = drilled(NOON)
    team.advance(NOON + HOUR)
    (mentioned,) = team.calls.gone
    assert (mentioned.rack, mentioned.mention, mentioned.event.evidence.reason) == (
        "north", True, "nobody answered",
    )  # fmt: skip
    quiet = calling(NOON)
    quiet.advance(NOON + 31 * DAY_MS - 1)
    assert quiet.calls.gone == []
    quiet.advance(NOON + 31 * DAY_MS)
    (mentioned,) = quiet.calls.gone
    assert (mentioned.rack, mentioned.mention, mentioned.event.evidence.reason) == ("", True, "")
    assert quiet.calls.practice.lacking_ms == NOON + 31 * DAY_MS, "again after as long"


def flooded(*priorities, at_ms=NOON):
    """One call passes the gate; the others are held."""
    team = calling(at_ms, replace(DUTY, flood_calls=1))
    for number, priority in enumerate((HIGH, *priorities), 1):
        team.hear(word(number, f"k{number}/x/high", priority, at_ms=at_ms), at_ms)
    return team


def flood_of(team, until_ms):
    return [call for call in team.advance(until_ms).calls if call.kind is CallKind.FLOOD]


def test_the_rest_of_a_flood_is_told_the_most_urgent_first_and_counts_as_told():
    team = flooded(MEDIUM, HIGH, MEDIUM)
    team.advance(NOON + MIN)
    (its, *_) = flood_of(team, NOON + 11 * MIN)
    assert (its.person, its.priority, its.problem) == ("ada", HIGH, 0)
    assert [about.event.vessel for about in its.about] == ["k1", "k3", "k2", "k4"]
    assert its.numbers == (1, 3, 2, 4), "the first, whose repeat had no room either"
    assert all(problem.told == ["ada"] for problem in team.problems())


def test_what_was_seen_meanwhile_is_not_in_the_rest_of_a_flood():
    team = flooded(MEDIUM, HIGH)
    team.advance(NOON + MIN)
    team.answer(3, SEEN, NOON + 2 * MIN)
    (its, *_) = flood_of(team, NOON + 11 * MIN)
    assert 3 not in its.numbers
    assert {about.event.vessel for about in its.about} == {"k1", "k2"}


def test_where_all_of_it_was_seen_there_is_no_call_about_the_rest():
    team = flooded(HIGH)
    team.advance(NOON + MIN)
    for number in (1, 2):
        team.answer(number, SEEN, NOON + 2 * MIN)
    assert flood_of(team, NOON + 11 * MIN) == []


def test_what_may_wait_for_the_day_is_not_told_at_night_with_the_rest_of_a_flood():
    """Held by day, five minutes before the quiet hours: what is medium waits for their end."""
    dusk = NOON + 10 * HOUR - 5 * MIN
    team = flooded(MEDIUM, at_ms=dusk)
    team.advance(dusk + MIN)
    night = flood_of(team, dusk + 8 * HOUR)
    assert all(2 not in call.numbers for call in night)


def test_the_digest_goes_to_whoever_is_on_call_and_lists_what_waits_and_what_is_over_once():
    team = calling(NOON)
    team.hear(word(1, "k1/x/high", LOW, at_ms=NOON), NOON)
    team.hear(word(2, "k2/x/high", LOW, at_ms=NOON), NOON)
    team.hear(over(3, alarm="k2/x/high", priority=LOW), NOON + 1)
    team.hear(word(4, "k3/x/high", LOW, at_ms=NOON), NOON + 2)
    team.answer(3, SEEN, NOON + 3)
    first, second = [call for call in team.advance(NOON + 2 * DAY_MS).calls if call.kind is CallKind.DIGEST]
    assert (first.person, first.priority, first.more) == ("ada", LOW, 0)
    assert [about.event.vessel for about in first.about] == ["k1", "k2"]
    assert "k2" not in [about.event.vessel for about in second.about], "said once"
