"""An agreement that is changed while something stands: it goes for that from the next start on."""

import json
from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.duty import When
from rules.calling.escalation import Escalation
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NIGHT, NOON, calling, calls, word

MEDIUM = Priority.MEDIUM


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
