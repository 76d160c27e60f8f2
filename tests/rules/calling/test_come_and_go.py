"""A danger that comes and goes beside what calls, or was seen: the line-up goes on where it was.

Who is called next where nobody answers is common practice, no source. The times are those of the test's team.
"""

import json
from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, CallKind, Reply
from tests.rules.calling.test_escalation import DUTY, HOUR, MANNERS, MIN, NIGHT, NOON, calling, word

BESIDE, DANGER = "k1/temperature/high", "k2/temperature/high"
ASKS_AGAIN = replace(
    DUTY, manners={rank: replace(manner, ask_again_ms=HOUR) for rank, manner in MANNERS.items()}
)

SOONER = {
    rank: replace(manner, ask_again_ms=30 * MIN if rank >= Priority.HIGH else 4 * HOUR)
    for rank, manner in MANNERS.items()
}


class Story:
    """What is said of one cause, and who is called about it, in minutes from the start."""

    def __init__(self, beside, start_ms=NIGHT, duty=ASKS_AGAIN):
        self.duty, self.start_ms, self.team, self.number = duty, start_ms, calling(start_ms, duty), 0
        self.told = []
        if beside is not None:
            self.says(0, BESIDE, beside)
            self.until(1)

    def says(self, at, alarm=DANGER, priority=Priority.CRITICAL, **said):
        self.until(at)
        self.number += 1
        at_ms = self.start_ms + round(at * MIN)
        heard = word(self.number, alarm, priority, **({"cause": "loop", "at_ms": at_ms} | said))
        self.told += self.team.hear(heard, at_ms).calls

    def comes(self, *moments, minutes=1.0, alarm=DANGER, priority=Priority.CRITICAL):
        for at in moments:
            self.says(at, alarm, priority)
            self.says(at + minutes, alarm, priority, trigger="returned", state="normal")

    def until(self, at):
        self.told += self.team.advance(max(self.start_ms + round(at * MIN), self.team.clock_ms)).calls
        snapshot = json.loads(json.dumps(self.team.snapshot()))
        self.team = Escalation.restore(snapshot, self.duty)

    def answer(self, at, reply, who):
        self.until(at)
        answered = self.team.answer(1, Answer(reply, who), self.start_ms + round(at * MIN))
        self.told += answered.calls
        return answered.refusal

    def called(self, since=0.0):
        return [
            ((call.at_ms - self.start_ms) / MIN, call.person)
            for call in self.told
            if call.kind is CallKind.ALARM and call.at_ms >= self.start_ms + round(since * MIN)
        ]

    def first(self, person):
        return next((at for at, name in self.called() if name == person), None)


def test_a_danger_that_comes_and_goes_beside_what_calls_reaches_the_next_person_and_the_one_after():
    story = Story(Priority.HIGH)
    story.comes(*range(4, 60, 4))
    assert story.called()[:2] == [(0.25, "ada"), (4.25, "ada")], "worse than what was told: from the top"
    assert (story.first("bo"), story.first("cy")) == (20.25, 36.25), "15 minutes each, told when it is there"


def test_it_is_told_each_time_as_soon_as_a_new_one_is():
    story = Story(Priority.HIGH)
    story.comes(*range(4, 60, 4))
    calls_ms = [round(at * 4) / 4 for at, _ in story.called()]
    assert {at + 0.25 for at in range(4, 60, 4)} <= set(calls_ms)


def test_whoever_is_due_next_is_not_put_off_by_its_return():
    story = Story(Priority.HIGH)
    story.comes(4)
    story.says(19)  # ada was called of it at 4.25 and has until 19.25
    story.until(30)
    assert story.first("bo") == 19.25
    later = Story(Priority.HIGH)
    later.comes(4)
    later.says(34.1)  # what calls beside it goes on to the next person at 34.25
    later.until(35)
    assert later.called(since=34) == [(34.25, "bo")]


@pytest.mark.parametrize("beside", [Priority.LOW, Priority.MEDIUM, Priority.HIGH])
def test_so_it_is_beside_what_waits_for_the_morning_or_the_digest(beside):
    story = Story(beside)
    story.comes(*range(4, 60, 6))
    assert story.first("ada") < story.first("bo") <= 22.25
    assert story.first("cy") <= 40.25


@pytest.mark.parametrize("beside", [Priority.MEDIUM, Priority.HIGH, Priority.CRITICAL])
def test_so_it_is_beside_what_somebody_has_seen(beside):
    story = Story(beside, start_ms=NOON)
    assert story.answer(2, Reply.SEEN, "ada") == ""
    story.comes(*range(4, 60, 6))
    assert story.called(since=2)[0] == (4.25, "ada")
    assert (story.first("bo"), story.first("cy")) == (22.25, 40.25)


@pytest.mark.parametrize("seen", [False, True])
@pytest.mark.parametrize("priority", [Priority.HIGH, Priority.CRITICAL])
def test_after_longer_rests_beside_what_stands_it_calls_who_was_called_and_the_next(priority, seen):
    """What stands waits for the morning, or somebody has seen it; none of it is why the danger is called."""
    story = Story(Priority.MEDIUM, start_ms=NOON if seen else NIGHT, duty=replace(ASKS_AGAIN, manners=SOONER))
    if seen:
        assert story.answer(2, Reply.SEEN, "ada") == ""
    story.comes(*range(4, 130, 40), minutes=3, priority=priority)
    assert story.called(since=2) == [
        *((4.25, "ada"), (44.25, "ada"), (44.25, "bo"), (84.25, "ada"), (84.25, "bo"), (84.25, "cy")),
        *((124.25, "ada"), (124.25, "bo"), (124.25, "cy")),
    ]
    before = [call.called_before for call in story.told if call.kind is CallKind.ALARM]
    assert before[-1] == ("ada", "bo", "cy")


def test_after_a_longer_rest_what_is_new_beside_what_waits_calls_whoever_is_on_call():
    story = Story(Priority.MEDIUM, duty=replace(ASKS_AGAIN, manners=SOONER))
    story.comes(4, minutes=20)
    story.comes(60, alarm="k3/temperature/high")
    assert story.called(since=30) == [(60.25, "ada")]
    assert story.told[-1].called_before == ()


def test_once_somebody_has_answered_a_return_after_a_longer_rest_calls_whoever_is_on_call():
    story = Story(Priority.MEDIUM, duty=replace(ASKS_AGAIN, manners=SOONER))
    story.comes(4, minutes=3)
    story.says(44)
    assert story.answer(45, Reply.SEEN, "bo") == ""
    story.says(46, trigger="returned", state="normal")
    story.comes(90, minutes=3)
    assert story.called(since=50) == [(90.25, "ada")]


def test_what_is_gone_before_it_was_told_leaves_the_calling_where_it_was():
    story = Story(Priority.HIGH)
    story.comes(*range(4, 100, 8), minutes=0.1)
    assert story.first("bo") <= 36.25, "after 30 minutes of what is high, told when the next one came"
    assert story.first("cy") <= 68.5


def test_a_danger_of_another_vessel_that_was_not_told_yet_calls_whoever_is_on_call_first():
    story = Story(Priority.HIGH)
    story.comes(4, minutes=20)
    assert story.called()[-1][1] == "bo"
    story.says(26, "k3/temperature/high")
    story.until(27)
    assert story.called(since=26) == [(26.25, "ada")]


def test_where_it_goes_from_vessel_to_vessel_and_back_everybody_is_reached():
    story = Story(Priority.HIGH)
    for at in range(4, 60, 8):
        story.comes(at, alarm="k2/temperature/high")
        story.comes(at + 4, alarm="k3/temperature/high")
    assert story.called()[:3] == [(0.25, "ada"), (4.25, "ada"), (8.25, "ada")], "each told to ada first"
    assert (story.first("bo"), story.first("cy")) == (24.25, 40.25)


def test_what_comes_back_milder_and_then_as_bad_as_it_was_told_goes_on_as_well():
    story = Story(Priority.MEDIUM)
    for at in range(4, 60, 8):
        story.comes(at)
        story.comes(at + 4, priority=Priority.HIGH)
    assert (story.first("bo"), story.first("cy")) == (20.25, 36.25)


def test_so_it_is_where_the_worse_of_two_limits_is_crossed_again_and_again():
    """The steps are those that a rack says where water goes to and fro across its critical limit."""
    story, high = Story(Priority.HIGH), Priority.HIGH
    for at in range(4, 60, 8):
        story.says(at, f"{BESIDE}_high")
        story.says(at, BESIDE, high, trigger="suppressed", state="suppressed by design")
        story.says(at + 4, BESIDE, high, trigger="goes on")
        story.says(at + 4, f"{BESIDE}_high", trigger="handed on", state="normal")
    assert (story.first("bo"), story.first("cy")) == (20.25, 36.25)


def test_what_is_worse_than_anything_told_calls_from_the_top():
    story = Story(Priority.MEDIUM, start_ms=NOON)
    story.comes(*range(4, 70, 8), priority=Priority.HIGH)
    assert story.called()[-1][1] == "cy"
    story.says(80)
    story.until(81)
    assert story.called(since=80) == [(80.25, "ada")]


@pytest.mark.parametrize("reply", [Reply.SEEN, Reply.ON_MY_WAY, Reply.QUIET])
def test_once_somebody_has_answered_its_return_calls_from_the_top(reply):
    story = Story(Priority.HIGH)
    story.comes(*range(4, 24, 4))
    assert story.called()[-1][1] == "bo"
    story.answer(25, reply, "bo")
    story.says(28)
    story.until(29)
    assert story.called(since=25) == [(28.25, "ada")]


@pytest.mark.parametrize(
    "step",
    [
        {"trigger": "acknowledged", "state": "acknowledged"},
        {"trigger": "shelved", "state": "shelved", "who": "bo"},
        {"trigger": "taken out of service", "state": "out of service", "who": "bo"},
    ],
)
def test_a_step_of_people_at_the_rack_is_an_answer_as_well(step):
    story = Story(Priority.HIGH)
    story.comes(*range(4, 24, 4))
    story.says(24)
    assert story.called()[-1][1] == "bo"
    story.says(25, **step)
    story.says(26)
    story.until(27)
    assert story.called(since=26)[0] == (26.25, "ada")


def test_what_is_worse_gathers_although_what_calls_beside_it_is_due_sooner():
    story = Story(Priority.HIGH)  # due again at 10.25
    story.says(10.1)
    story.says(10.3, "k3/temperature/high")
    story.until(12)
    assert story.called(since=10) == [(10.35, "ada")]
    assert len(story.told[-1].about) == 3


def test_what_was_called_long_ago_and_rested_since_calls_from_the_top():
    story = Story(Priority.MEDIUM)
    story.comes(4)
    story.comes(100)
    assert story.called()[:2] == [(4.25, "ada"), (100.25, "ada")], (
        "ada is on call, and nobody was called since"
    )


def test_an_answer_to_what_was_told_is_none_to_its_return():
    story = Story(Priority.HIGH)
    story.comes(4)
    story.says(12)
    assert "told" in story.answer(12.1, Reply.SEEN, "ada")
    story.until(12.5)
    assert story.called(since=12) == [(12.25, "ada")]


def test_whoever_asks_for_the_next_person_as_it_returns_passes_over_those_who_were_called():
    story = Story(Priority.HIGH)
    story.comes(*range(4, 24, 4))
    assert story.called()[-1][1] == "bo"
    story.says(28)
    assert story.answer(28.1, Reply.NEXT, "ada") == ""
    story.until(28.2)
    assert story.called(since=28) == [(28.1, "cy")]


def test_whose_turn_begins_meanwhile_is_called_first():
    nine_ms = NIGHT + 5 * 24 * HOUR + 6 * HOUR  # Monday the 12th, 9:00
    story = Story(Priority.MEDIUM, start_ms=nine_ms - 30 * MIN)
    story.answer(1, Reply.SEEN, "ada")
    story.comes(4, 20)
    story.says(31)
    story.until(32)
    assert story.called(since=4) == [(4.25, "ada"), (20.25, "bo"), (31.25, "bo")], "on call now"


def test_once_what_was_seen_is_over_its_time_to_be_asked_about_calls_nobody():
    story = Story(Priority.CRITICAL)
    story.answer(2, Reply.SEEN, "ada")
    story.says(55, priority=Priority.HIGH)
    story.until(56)
    story.says(61, BESIDE, trigger="returned", state="normal")  # it was to be asked about at 62
    story.until(70)
    assert story.called(since=55) == [(55.25, "ada"), (65.25, "ada")]


def test_whose_cause_becomes_known_is_called_on_down_the_line_up_and_whoever_was_called_knows_its_end():
    story = Story(None)
    story.says(0, cause="")
    story.says(14, trigger="worsened")  # ada was called about it at 0.25 and has until 15.25
    story.until(21)
    assert story.called(since=14) == [(14.25, "ada"), (15.25, "bo"), (20.25, "bo")]
    other = Story(None)
    other.says(0, cause="")
    other.says(16, trigger="worsened")
    other.until(17)
    assert other.called(since=15) == [(15.25, "bo"), (16.25, "bo")]
    other.says(18, trigger="returned", state="normal")
    assert {call.person for call in other.told if call.kind is CallKind.RETURNED} == {"ada", "bo"}
