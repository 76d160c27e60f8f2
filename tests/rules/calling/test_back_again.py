"""A danger that comes and goes alone, and that nobody has answered: whoever was told that it was over
is called as it comes back, and the next of the line-up with them.

Who is called where nobody answers is common practice, no source. The times are those of the test's team.
"""

import json
from dataclasses import replace
from datetime import date, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarms.life_cycle import Priority
from rules.alarms.recurrence import AGAIN_MS
from rules.calling.duty import Pair
from rules.calling.escalation import Escalation
from rules.calling.pair import OtherSays, Sent
from rules.calling.records import DRILL, WENT_BACK, Answer, CallKind, Reply, Voice
from rules.calling.rota import Rota
from tests.rules.calling.test_come_and_go import ASKS_AGAIN, DANGER, Story
from tests.rules.calling.test_drill import asked
from tests.rules.calling.test_escalation import HOUR, MIN, NIGHT, NOON, ZONE, calling, calls, word

OTHER = "k3/temperature/high"
HIGH, MEDIUM = Priority.HIGH, Priority.MEDIUM
AGAIN_MIN = AGAIN_MS / MIN


class Alone(Story):
    """Nothing stands beside it."""

    def __init__(self, **given):
        super().__init__(None, **given)

    def names(self, since):
        """Everybody who was called since a minute, each once, in this order."""
        return list(dict.fromkeys(person for _, person in self.called(since)))

    def acts(self, at, trigger, state, alarm=DANGER, **said):
        self.says(at, alarm, trigger=trigger, state=state, who="kim", **said)

    def ends(self, at, alarm=DANGER, **said):
        self.says(at, alarm, trigger="returned", state="returned unacknowledged", **said)


def unanswered(**given):
    """A critical alarm of three minutes, of which ada was told that it is, and that it is over."""
    story = Alone(**given)
    story.comes(0, minutes=3)
    assert story.called() == [(0.25, "ada")]
    return story


def test_all_night_each_time_those_who_were_called_and_the_next():
    story = Alone()
    story.comes(*range(0, 60, 13), minutes=3)
    assert story.called() == [
        *((0.25, "ada"), (13.25, "ada"), (13.25, "bo"), (26.25, "ada"), (26.25, "bo"), (26.25, "cy")),
        *((39.25, "ada"), (39.25, "bo"), (39.25, "cy"), (52.25, "ada"), (52.25, "bo"), (52.25, "cy")),
    ]
    over = [(call.problem, call.person) for call in story.told if call.kind is CallKind.RETURNED]
    told = [(call.problem, call.person) for call in story.told if call.kind is CallKind.ALARM]
    assert over == told, "and each is told each time that it is over"
    assert len({call.id for call in story.told}) == len(story.told)


@given(
    st.integers(1, 6),
    st.lists(st.tuples(st.floats(0.3, 40), st.floats(0.1, 55)), min_size=2, max_size=8),
    st.sampled_from([Priority.CRITICAL, HIGH]),
    st.data(),
)
def test_each_return_calls_one_more_until_all_are_called_whatever_the_team_and_whose_phones_are_dead(
    size, spells, priority, data
):
    people = ("ada", "bo", "cy", "di", "eli", "fay")[:size]
    dead = data.draw(st.sets(st.sampled_from(people)))
    rota = Rota(people, date(2026, 1, 5), time(9), ZONE)
    story, at = Alone(duty=replace(ASKS_AGAIN, rota=rota, flood_calls=1000)), 0.0
    for count, (lasts, rests) in enumerate(spells, 1):
        story.says(at, priority=priority)
        before = len(story.told)
        story.until(at + 0.25)
        at_once = story.told[before:]
        assert at_once[0].person == people[0]
        assert len(at_once) == len({call.person for call in at_once}) >= min(count, size)
        for call in at_once:
            if call.person in dead:
                story.team.undelivered(call.id, story.team.clock_ms)
        story.until(at + 0.25)
        if size > len(at_once) and at_once[-1].person in dead:
            assert story.told[-1].person not in {call.person for call in at_once}, "the next one at once"
        story.ends(at + lasts, priority=priority)
        at += lasts + rests


def test_where_it_stays_the_calling_goes_on_down_the_line_up_as_usual():
    story = unanswered()
    story.says(13)
    story.until(50)
    assert story.called(since=13) == [
        *((13.25, "ada"), (13.25, "bo"), (18.25, "bo"), (23.25, "bo"), (28.25, "cy"), (33.25, "cy")),
        *((38.25, "cy"), (43.25, "ada"), (48.25, "ada")),
    ]


def test_a_step_of_the_rack_itself_is_no_answer():
    """A danger that its cause explains for a while, and that is over behind it."""
    story = Alone()
    story.says(0)
    story.says(3, trigger="suppressed", state="suppressed by design")
    story.says(5, trigger="released", state="normal")
    story.comes(13, minutes=3)
    assert story.names(since=5) == ["ada", "bo"]


def test_once_everybody_was_called_it_begins_again_with_whoever_is_on_call():
    story = Alone()
    story.comes(0, 13, 26, minutes=3)
    story.says(39)
    story.until(70)
    assert story.called(since=40)[:4] == [(44.25, "ada"), (49.25, "ada"), (54.25, "bo"), (59.25, "bo")]


def test_a_call_says_who_was_called_before():
    story = unanswered()
    story.comes(13, minutes=8)
    story.comes(30, minutes=3)
    said = [(call.at_ms - NIGHT, call.called_before) for call in story.told if call.kind is CallKind.ALARM]
    assert [(at / MIN, before) for at, before in said] == [
        *((0.25, ()), (13.25, ("ada",)), (13.25, ("ada",)), (18.25, ("ada",))),
        *((30.25, ("ada", "bo")),) * 3,
    ]


@pytest.mark.parametrize("reply", [Reply.SEEN, Reply.ON_MY_WAY, Reply.QUIET])
def test_once_somebody_has_answered_its_return_calls_whoever_is_on_call(reply):
    story = Alone()
    story.comes(0, 13, minutes=3)
    story.says(26)
    story.until(27)
    assert story.team.answer(3, Answer(reply, "bo"), NIGHT + 27 * MIN).refusal == ""
    story.ends(29)
    story.comes(39, minutes=3)
    assert story.called(since=30) == [(39.25, "ada")]
    story.comes(52, minutes=3)
    assert story.called(since=50) == [(52.25, "ada"), (52.25, "bo")], "that one nobody has answered"


def test_it_can_be_answered_after_it_was_over():
    story = unanswered()
    assert story.team.answer(1, Answer(Reply.SEEN, "ada"), NIGHT + 5 * MIN).refusal == ""
    assert "no problem" in story.team.answer(1, Answer(Reply.SEEN, "ada"), NIGHT + 6 * MIN).refusal
    story.comes(13, minutes=3)
    assert story.called(since=5) == [(13.25, "ada")]


def test_a_late_answer_is_one_to_its_own_number_and_not_for_ever():
    story = unanswered()
    story.comes(5, minutes=3, alarm=OTHER)
    assert story.team.answer(2, Answer(Reply.SEEN, "ada"), NIGHT + 10 * MIN).refusal == ""
    story.comes(13, minutes=3)
    story.comes(20, minutes=3, alarm=OTHER)
    assert story.called(since=10) == [(13.25, "ada"), (13.25, "bo"), (20.25, "ada")]
    story.until(AGAIN_MIN + 24)
    assert story.team.answer(4, Answer(Reply.SEEN, "ada"), story.team.clock_ms).refusal


def test_what_is_answered_before_it_is_called_is_answered():
    story = unanswered()
    story.says(13)
    assert story.team.answer(2, Answer(Reply.SEEN, "ada"), NIGHT + 13 * MIN).refusal == ""
    story.ends(16)
    story.comes(26, minutes=3)
    assert story.called(since=5) == [(26.25, "ada")]


def test_to_ask_for_the_next_person_after_it_was_over_leaves_it_unanswered():
    story = unanswered()
    assert "no problem" in story.team.answer(1, Answer(Reply.NEXT, "ada"), NIGHT + 5 * MIN).refusal
    story.comes(13, minutes=3)
    assert story.names(since=5) == ["ada", "bo"]


@pytest.mark.parametrize(
    ("trigger", "state"),
    [
        ("acknowledged", "acknowledged"),
        ("shelved", "shelved"),
        ("taken out of service", "out of service"),
    ],
)
def test_an_act_at_the_rack_is_an_answer(trigger, state):
    story = unanswered()
    story.says(13)
    story.acts(14, trigger, state)
    story.ends(16)
    story.comes(26, minutes=3)
    assert story.called(since=16) == [(26.25, "ada")]


def test_so_it_is_after_it_was_over():
    """IEC 62682: what has returned to normal and was not acknowledged may still be."""
    story = unanswered()
    story.acts(5, "acknowledged", "normal")
    story.comes(13, minutes=3)
    assert story.called(since=5) == [(13.25, "ada")]


def test_whose_turn_begins_meanwhile_is_called_first_and_alone():
    nine_ms = NIGHT + 5 * 24 * HOUR + 6 * HOUR  # Monday the 12th, 9:00
    story = unanswered(start_ms=nine_ms - 8 * MIN)
    story.comes(13, minutes=3)
    assert story.called(since=5) == [(13.25, "bo")]


@pytest.mark.parametrize(("late_ms", "who"), [(0, ["ada", "bo"]), (1, ["ada"])])
def test_what_has_rested_for_hours_begins_anew(late_ms, who):
    """The time is that within which a rack takes what is back for what comes and goes."""
    story = unanswered()
    story.comes(3 + AGAIN_MIN - 0.25 + late_ms / MIN)
    assert story.names(since=5) == who


def test_what_is_over_before_it_was_told_counts_for_nothing():
    story = unanswered()
    story.comes(13, 14, 15, minutes=0.1)
    assert story.called(since=5) == []
    story.comes(26, minutes=3)
    assert story.called(since=5) == [(26.25, "ada"), (26.25, "bo")]


def test_what_is_over_and_was_never_told_rests_no_longer_by_that():
    story = unanswered()
    story.comes(AGAIN_MIN - 5, minutes=0.1)
    story.comes(AGAIN_MIN + 10)
    assert story.names(since=5) == ["ada"]


def test_what_is_worse_than_what_was_told_begins_with_whoever_is_on_call():
    story = Alone()
    story.comes(0, minutes=3, priority=HIGH)
    story.comes(13, minutes=3)
    assert story.called(since=5) == [(13.25, "ada")]


def test_what_comes_back_milder_by_turns_goes_on_as_what_it_was():
    story = unanswered()
    story.comes(13, minutes=3, priority=HIGH)
    story.comes(26, minutes=3)
    assert story.called(since=5)[:2] == [(13.25, "ada"), (13.25, "bo")]
    assert story.names(since=20) == ["ada", "bo", "cy"]


def test_what_is_back_and_may_wait_for_the_day_calls_who_is_on_call_and_forgets_nobody():
    story = Alone(start_ms=NOON)
    story.comes(0, 13, minutes=3)
    story.comes(26, minutes=3, priority=MEDIUM)
    assert story.called(since=20) == [(26.25, "ada")]
    story.comes(39, minutes=3)
    assert story.called(since=30) == [(39.25, "ada"), (39.25, "bo"), (39.25, "cy")]


def test_what_the_flood_gate_holds_tells_nobody_and_leaves_it_as_it_was():
    story = Alone(duty=replace(ASKS_AGAIN, flood_calls=1))
    story.comes(0, 2, 4, 6, minutes=1, priority=HIGH)
    assert story.called() == [(0.25, "ada"), (2.25, "bo"), (4.25, "cy")]
    story.until(30)
    assert story.names(since=5) == [], "it is over before the gate opens"
    story.says(30, priority=HIGH)
    story.until(31)
    assert story.called(since=30) == [(30.25, "ada"), (30.25, "bo"), (30.25, "cy")]
    assert story.told[-1].called_before == ("ada", "bo", "cy")


def test_where_the_gate_held_the_call_the_last_number_that_people_have_can_be_answered():
    story = Alone(duty=replace(ASKS_AGAIN, flood_calls=1))
    story.comes(0, 2, 4, 6, minutes=1, priority=HIGH)
    assert story.team.answer(4, Answer(Reply.SEEN, "cy"), NIGHT + 8 * MIN).refusal, "nobody has that one"
    assert story.team.answer(3, Answer(Reply.SEEN, "cy"), NIGHT + 8 * MIN).refusal == ""


def test_what_is_high_goes_by_the_same_rule_and_what_may_wait_for_the_day_does_not():
    story = Alone(start_ms=NOON)
    story.comes(0, 13, minutes=3, priority=HIGH)
    assert story.called() == [(0.25, "ada"), (13.25, "ada"), (13.25, "bo")]
    story = Alone(start_ms=NOON)
    story.comes(0, 13, minutes=3, priority=MEDIUM)
    assert story.called() == [(0.25, "ada"), (13.25, "ada")]


def test_a_new_danger_beside_what_is_back_keeps_nobody_from_being_called():
    story = unanswered()
    story.says(13)
    story.says(13.1, OTHER)
    story.until(14)
    assert story.called(since=5) == [(13.25, "ada"), (13.25, "bo")]
    assert len(story.told[-1].about) == 2


def test_so_it_is_where_the_worse_of_two_limits_is_crossed_again_and_again():
    """Each limit is a problem of its own where no cause is known; the steps are those that a rack says."""
    story, worse = Alone(), f"{DANGER}_high"
    for at in range(0, 30, 13):
        story.says(at, worse, cause="")
        story.says(at, DANGER, HIGH, cause="", trigger="suppressed", state="suppressed by design")
        story.says(at + 3, DANGER, HIGH, cause="", trigger="goes on")
        story.says(at + 3, worse, cause="", trigger="handed on", state="normal")
    critical = [call for call in story.told if call.priority is Priority.CRITICAL]
    assert [call.person for call in critical] == ["ada", "ada", "bo", "ada", "bo", "cy"]


def test_each_of_several_goes_its_own_way():
    story = Alone()
    story.comes(0, 13, minutes=3)
    story.says(26, cause="")
    story.says(26, OTHER, cause="other")
    story.until(27)
    called = [
        (call.about[0].event.alarm, call.person) for call in story.told if call.at_ms > NIGHT + 20 * MIN
    ]
    assert called == [(DANGER, "ada"), (DANGER, "bo"), (DANGER, "cy"), (OTHER, "ada")]


def test_it_is_known_by_its_alarm_whatever_its_cause_is_said_to_be():
    story = Alone()
    story.comes(0, minutes=3)
    story.says(13, cause="pump")
    story.until(14)
    assert story.names(since=5) == ["ada", "bo"]


def test_what_is_back_beside_what_calls_for_less_is_back():
    story = unanswered()
    story.says(10, OTHER, HIGH)
    story.says(13)
    story.until(14)
    assert story.called(since=5) == [(10.25, "ada"), (13.25, "ada"), (13.25, "bo")]


def test_what_is_back_beside_what_calls_for_as_much_takes_part_in_that():
    story = unanswered()
    story.says(10, OTHER)
    story.says(13)
    story.until(26)
    assert story.called(since=5) == [(10.25, "ada"), (15.25, "ada"), (20.25, "ada"), (25.25, "bo")]
    assert [call.called_before for call in story.told if call.at_ms > NIGHT + 5 * MIN] == [
        (),
        *(("ada",),) * 3,
    ]


def test_what_was_back_for_a_moment_beside_what_calls_is_still_to_come_back():
    story = unanswered()
    story.says(13, OTHER, HIGH)
    story.comes(13.05, minutes=0.1)
    story.until(14)
    assert (story.called(since=5), story.told[-1].called_before) == ([(13.25, "ada")], ())
    story.comes(16, minutes=3)
    assert story.called(since=15)[:2] == [(16.25, "ada"), (16.25, "bo")]


def test_whose_cause_becomes_known_is_still_back():
    story = Alone()
    story.comes(0, minutes=3)
    story.says(13, cause="")
    story.says(15, trigger="worsened")
    story.until(19)
    assert story.called(since=14) == [(15.25, "bo")]
    assert story.told[-1].called_before == ("ada",)


def test_of_one_name_at_another_rack_it_is_another_one():
    story = unanswered()
    story.number += 1
    south = word(story.number, DANGER, cause="loop", at_ms=NIGHT + 13 * MIN, rack="south")
    story.team.hear(south, NIGHT + 13 * MIN)
    assert calls(story.team.advance(NIGHT + 14 * MIN)) == [(13.25, "ada", "alarm")]


def test_who_has_left_the_team_is_not_called_and_who_has_come_is_the_next():
    story = Alone()
    story.comes(0, 13, minutes=3)
    assert story.names(since=5) == ["ada", "bo"]
    story.duty = replace(ASKS_AGAIN, rota=Rota(("ada", "di", "cy"), date(2026, 1, 5), time(9), ZONE))
    story.team = Escalation.restore(story.team.snapshot(), story.duty)
    story.comes(26, minutes=3)
    assert story.called(since=20) == [(26.25, "ada"), (26.25, "di")]


def test_who_asks_for_the_next_person_as_it_is_back_passes_over_all_who_were_called():
    story = unanswered()
    story.says(13)
    story.until(14)
    assert story.team.answer(2, Answer(Reply.NEXT, "bo"), NIGHT + 14 * MIN).refusal == ""
    story.until(15)
    assert story.called(since=13.3) == [(14, "cy")]


def test_who_is_not_reached_of_those_is_followed_at_once_by_who_was_not_called():
    story = unanswered()
    story.says(13)
    story.until(13.25)
    newest = story.told[-1]
    assert newest.person == "bo"
    story.team.undelivered(newest.id, NIGHT + 13 * MIN + 20_000)
    story.until(14)
    assert story.called(since=13.3) == [(13 + 1 / 3, "cy")]


def test_where_all_were_called_none_is_called_twice_at_once_as_one_is_not_reached():
    story = Alone()
    story.comes(0, 13, 26, minutes=3)
    story.says(39)
    story.until(39.25)
    story.team.undelivered(story.told[-1].id, NIGHT + 39 * MIN + 20_000)
    story.until(44)
    assert len(story.called(since=39)) == 3


def second_watcher():
    """The second of a pair, which has heard of the third raising; the first lives until then."""
    story = Alone(duty=replace(ASKS_AGAIN, pair=Pair("desk", second=True, missing_after_ms=2 * MIN)))
    for at in range(27):
        if at % 13 == 0:
            story.comes(at, minutes=0.5) if at < 26 else story.says(at)
        story.until(at + 0.75)
        story.team.other(OtherSays(), NIGHT + round((at + 0.75) * MIN))
    assert [its.told for its in story.team.problems()] == [["ada", "bo", "cy"]]
    assert story.told == [], "all of it waits"
    return story


def test_where_the_first_watcher_is_gone_the_second_calls_all_of_them():
    story = second_watcher()
    story.until(30)
    called = [(at, person) for at, person in story.called() if at < 28.5]
    assert called == [(28.25, "ada"), (28.25, "bo"), (28.25, "cy")]


def test_what_the_first_watcher_called_before_it_was_over_covers_no_call_about_its_return():
    """The first lives on, and no service takes its messages any more."""
    story = Alone(duty=replace(ASKS_AGAIN, pair=Pair("desk", second=True, missing_after_ms=2 * MIN)))
    story.says(0)
    for at in range(1, 8):
        if at in (1, 2):
            (story.ends if at == 1 else story.says)(at)
        story.until(at + 0.5)
        ago_ms = round((at + 0.25) * MIN)
        sent = Sent("north/loop", CallKind.ALARM, Priority.CRITICAL, ago_ms)
        story.told += story.team.other(OtherSays((sent,)), story.team.clock_ms).calls
    assert story.called() == [(4.25, "ada"), (4.25, "bo")]


def test_where_the_first_watcher_has_called_the_second_calls_nobody():
    story = second_watcher()
    sent = Sent("north/loop", CallKind.ALARM, Priority.CRITICAL, 45_000)
    story.team.other(OtherSays((sent,)), NIGHT + 27 * MIN)
    story.until(28.9)
    assert story.called() == []


def test_a_rack_that_falls_silent_again_and_again_is_such_a_danger():
    team, told, at_ms = calling(), [], NIGHT
    for _ in range(2):
        for beat in range(3):
            told += team.heartbeat("north", 0, at_ms + beat * 30_000, at_ms + beat * 30_000, Voice("j")).calls
        at_ms += 10 * MIN
        told += team.advance(at_ms).calls
    people = [call.person for call in told if call.kind is CallKind.ALARM]
    first = people.index("bo")
    assert first < 4
    assert people[first - 1] == "ada"


def test_a_drill_that_nobody_answered_is_none():
    team = calling(NOON)
    team.mention(asked("1"), NOON)
    team.advance(NOON + 2 * HOUR)
    team.mention(asked("2"), NOON + 2 * HOUR)
    told = team.advance(NOON + 2 * HOUR + MIN)
    assert [(call.about[0].event.condition, call.person) for call in told.calls] == [(DRILL, "ada")]


def test_a_file_of_before_is_read_and_one_that_went_back_forgets_the_numbers_of_then():
    story = unanswered()
    older = json.loads(json.dumps(story.team.snapshot()))
    del older["calls"]["rested"]["promised"]
    assert Escalation.restore(older, story.duty).calls.rested == story.team.calls.rested
    del older["calls"]["rested"]
    story.team = Escalation.restore(older, story.duty)
    story.comes(13, minutes=3)
    assert story.called(since=5) == [(13.25, "ada")], "nothing is known of it there"
    told = story.team.given_before((9, 0, 9), NIGHT + 20 * MIN)
    assert {call.about[0].event.condition for call in told.calls} <= {WENT_BACK}
    assert "no problem" in story.team.answer(2, Answer(Reply.SEEN, "ada"), NIGHT + 21 * MIN).refusal


def test_little_is_kept_of_what_was_over_long_ago():
    story = Alone()
    for day in range(3):
        story.comes(day * 24 * 60, minutes=3, alarm=f"k{day}/temperature/high")
    assert list(story.team.calls.rested.of_rack["north"]) == ["k2/temperature/high"]


@pytest.mark.parametrize("seen", [False, True])
def test_what_stands_while_two_racks_of_one_name_are_told_apart_and_renamed_is_not_back(seen):
    """It was never over; and somebody who has answered under the one name is not called as if nobody had."""
    story, voices = Alone(), [Voice(letter * 8, "r", f"boot-{letter}", f"{letter}-pi") for letter in "ab"]

    def beats(at, rack, voice):
        story.until(at)
        story.told += story.team.heartbeat(rack, 1, story.team.clock_ms, story.team.clock_ms, voice).calls

    story.says(0, journal=voices[0].journal, run="r", boot=voices[0].boot)
    for at in range(1, 5):
        beats(at, "north", voices[0])
        beats(at + 0.5, "north", voices[1])
    (apart,) = [its for its in story.team.problems() if DANGER in its.members]
    assert apart.key.startswith("north (")
    if seen:
        assert story.team.answer(apart.number, Answer(Reply.SEEN, "ada"), story.team.clock_ms).refusal == ""
    beats(5, "south", voices[1])
    story.until(6)
    (again,) = [its for its in story.team.problems() if DANGER in its.members]
    assert again.key == "north/loop"
    assert not any(call.called_before for call in story.told)
    assert story.called(since=5) == [(5.25, "ada")]


def on_my_way(late=False):
    """ada has promised at 1 (or, where late, at 4) to be there at 24, and it comes and goes meanwhile."""
    story = Alone()
    story.says(0)
    story.until(1)
    if late:
        story.ends(3)
    at_ms = NIGHT + (4 if late else 1) * MIN
    promise = Answer(Reply.ON_MY_WAY, "ada", NIGHT + 24 * MIN)
    assert story.team.answer(1, promise, at_ms).refusal == ""
    if not late:
        story.ends(3)
    return story


@pytest.mark.parametrize("late", [False, True])
def test_while_somebody_is_on_the_way_nobody_else_is_woken_by_what_comes_and_goes(late):
    story = on_my_way(late)
    story.comes(*range(5, 36, 5), minutes=3)
    assert story.called(since=5)[:5] == [
        (5.25, "ada"),
        (10.25, "ada"),
        (15.25, "ada"),
        (20.25, "ada"),
        (25.25, "ada"),
    ]
    assert story.called(since=26) == [
        *((30.25, "ada"), (30.25, "bo")),
        *((35.25, "ada"), (35.25, "bo"), (35.25, "cy")),
    ]


def test_who_is_on_the_way_may_still_ask_for_the_next_person():
    story = on_my_way()
    story.says(5)
    story.until(6)
    assert story.team.answer(2, Answer(Reply.NEXT, "ada"), NIGHT + 6 * MIN).refusal == ""
    story.ends(8)
    story.comes(10, 15, minutes=3)
    assert [person for _, person in story.called(since=9)] == ["ada", "bo", "cy"] * 2


def test_a_promise_about_what_was_milder_is_none_about_what_is_worse():
    story = Alone()
    story.says(0, priority=HIGH)
    story.until(1)
    promise = Answer(Reply.ON_MY_WAY, "ada", NIGHT + 24 * MIN)
    assert story.team.answer(1, promise, NIGHT + MIN).refusal == ""
    story.ends(3, priority=HIGH)
    story.comes(5, 10, minutes=3)
    assert story.called(since=5) == [(5.25, "ada"), (10.25, "ada"), (10.25, "bo")]


def test_what_has_gone_over_to_its_cause_is_back_there_and_no_longer_where_it_was():
    story = unanswered()
    story.says(13, cause="")
    story.says(13, OTHER, cause=DANGER)
    story.until(14)
    assert story.called(since=5) == [(13.25, "ada"), (13.25, "bo")]
    story.says(15, trigger="worsened", cause="pump")
    story.until(24)
    told = [call for call in story.told if call.kind is CallKind.ALARM and call.at_ms > NIGHT + 14 * MIN]
    moved = [call for call in told if call.key == "north/pump"]
    assert moved[0].person == "ada"
    assert "bo" in {call.person for call in moved}
    assert moved[0].called_before
    assert not any(call.called_before for call in told if call.key != "north/pump")


def test_where_one_person_was_passed_over_the_next_is_who_follows_the_last_that_was_called():
    """So that one of the team who is not reached is followed by who was not called yet."""
    rota = Rota(("ada", "bo", "cy", "di", "eli"), date(2026, 1, 5), time(9), ZONE)
    story = Alone(duty=replace(ASKS_AGAIN, rota=rota))
    story.says(0)
    story.until(1)
    assert story.team.answer(1, Answer(Reply.NEXT, "bo"), NIGHT + MIN).refusal == ""
    story.until(2)
    story.ends(3)
    story.says(13)
    story.until(13.25)
    assert story.called(since=1) == [(1, "cy"), (13.25, "ada"), (13.25, "cy"), (13.25, "di")]
    story.team.undelivered(story.told[-1].id, NIGHT + 13 * MIN + 20_000)
    story.until(14)
    assert story.called(since=13.3) == [(13 + 1 / 3, "eli")]
    story.ends(16)
    story.says(26)
    story.until(27)
    assert story.names(since=20) == ["ada", "cy", "di", "eli", "bo"]
