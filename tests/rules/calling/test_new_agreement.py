"""An agreement that is changed while something stands: it goes for that from the next start on."""

import json
from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.duty import When
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, Reply
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NIGHT, NOON, calling, calls, word

CRITICAL, MEDIUM = Priority.CRITICAL, Priority.MEDIUM


def told(when, duty=DUTY):
    """The agreement by which what is medium is told at other times."""
    return replace(duty, manners={**duty.manners, MEDIUM: replace(duty.manners[MEDIUM], when=when)})


def started_anew(team, duty):
    return Escalation.restore(json.loads(json.dumps(team.snapshot())), duty)


@pytest.mark.parametrize("start_ms", [NIGHT, NOON])
@pytest.mark.parametrize("before", [When.AWAKE, When.DIGEST])
@pytest.mark.parametrize("now", [When.AWAKE, When.ALWAYS])
def test_what_waited_for_the_morning_or_the_digest_is_called_as_the_new_agreement_says(start_ms, before, now):
    team = calling(start_ms, told(before))
    team.hear(word(priority=MEDIUM, at_ms=start_ms), start_ms)
    first = calls(team.advance(start_ms + MIN), start_ms)
    team = started_anew(team, told(now))
    first += calls(team.advance(start_ms + 5 * HOUR), start_ms)
    by_day = start_ms == NOON
    at_once = 0.25 if by_day and before is When.AWAKE else 1
    assert first[0] == (at_once if by_day or now is When.ALWAYS else 240, "ada", "alarm")


def test_what_was_called_is_left_to_the_digest_once_the_agreement_says_so():
    team = calling(NOON, told(When.AWAKE))
    team.hear(word(priority=MEDIUM, at_ms=NOON), NOON)
    assert calls(team.advance(NOON + MIN), NOON) == [(0.25, "ada", "alarm")]
    team = started_anew(team, told(When.DIGEST))
    assert {kind for _, _, kind in calls(team.advance(NOON + 23 * HOUR), NOON)} == {"digest"}


def with_times(repeat, hand_over, duty=DUTY):
    """The agreement by which what is critical is repeated, and handed over, after so many minutes."""
    critical = replace(duty.manners[CRITICAL], repeat_ms=repeat * MIN, hand_over_ms=hand_over * MIN)
    return replace(duty, manners={**duty.manners, CRITICAL: critical})


def asked_after(minutes):
    """The agreement by which what is critical and seen is asked about again after so long."""
    critical = replace(DUTY.manners[CRITICAL], ask_again_ms=minutes * MIN)
    return replace(DUTY, manners={**DUTY.manners, CRITICAL: critical})


@pytest.mark.parametrize(
    ("before", "now", "expected"),
    [
        ((30, 60), (12, 60), [(12.25, "ada"), (24.25, "ada")]),
        ((30, 60), (5, 60), [(10, "ada"), (15, "ada"), (20, "ada"), (25, "ada")]),
        ((30, 60), (30, 15), [(15.25, "bo")]),
        ((30, 60), (30, 5), [(10, "bo"), (15, "cy"), (20, "ada"), (25, "bo")]),
        ((12, 60), (30, 60), [(12.25, "ada")]),
        ((12, 60), (12, 60), [(12.25, "ada"), (24.25, "ada")]),
    ],
)
def test_times_that_are_shorter_now_go_for_what_is_being_called_and_nobody_waits_for_longer_ones(
    before, now, expected
):
    team = calling(NIGHT, with_times(*before))
    team.hear(word(), NIGHT)
    assert calls(team.advance(NIGHT + 10 * MIN)) == [(0.25, "ada", "alarm")]
    team = started_anew(team, with_times(*now))
    told = calls(team.advance(NIGHT + 29 * MIN))
    assert [(at, person) for at, person, _ in told] == expected


@pytest.mark.parametrize(
    ("reply", "before", "now", "expected"),
    [
        (Reply.SEEN, 60, 20, 21.0),
        (Reply.SEEN, 60, 5, 10.0),
        (Reply.SEEN, 30, 60, 31.0),
        (Reply.ON_MY_WAY, 60, 20, 21.0),
        (Reply.QUIET, 60, 5, 31.0),
    ],
)
def test_what_somebody_has_seen_is_asked_about_by_the_shorter_time_too(reply, before, now, expected):
    """But for quiet, which is half an hour whatever the agreement says."""
    team = calling(NIGHT, asked_after(before))
    team.hear(word(), NIGHT)
    team.advance(NIGHT + MIN)
    team.answer(1, Answer(reply, "ada"), NIGHT + MIN)
    team.advance(NIGHT + 10 * MIN)
    team = started_anew(team, asked_after(now))
    assert calls(team.advance(NIGHT + HOUR))[0][0] == expected


def test_what_was_seen_at_the_rack_is_asked_about_by_the_shorter_time_too():
    team = calling(NIGHT, asked_after(60))
    team.hear(word(), NIGHT)
    team.advance(NIGHT + MIN)
    team.hear(word(2, trigger="acknowledged", state="acknowledged"), NIGHT + 2 * MIN)
    team = started_anew(team, asked_after(20))
    assert calls(team.advance(NIGHT + HOUR))[0] == (22, "ada", "alarm")


def test_what_gathers_still_does_so_under_shorter_times():
    team = calling(NIGHT, with_times(30, 60))
    team.hear(word(), NIGHT)
    team = started_anew(team, with_times(1, 2))
    assert calls(team.advance(NIGHT + MIN)) == [(0.25, "ada", "alarm")]
