"""An older copy of our own file: no number is given out twice, and nothing that stands is forgotten."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from rules.alarms.life_cycle import Priority
from rules.calling.escalation import Escalation
from rules.calling.records import WENT_BACK, Answer, Reply
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NOON, calling, over, word


def ids(*upshots):
    return [call.id for upshot in upshots for call in upshot.calls]


def put_back(team, duty=DUTY):
    """The same state as it was written down."""
    return Escalation.restore(team.snapshot(), duty)


def test_what_stands_calls_again_under_a_number_that_nobody_has():
    team = calling(NOON)
    team.hear(word(at_ms=NOON), NOON)
    told = team.advance(NOON + MIN)
    older = put_back(team)
    team.answer(1, Answer(Reply.SEEN, "ada"), NOON + 2 * MIN)
    team.hear(word(2, "k2/oxygen/low", at_ms=NOON), NOON + 3 * MIN)
    used = {*ids(told), *ids(team.advance(NOON + HOUR))}
    again = older.given_before(team.calls.given, NOON + HOUR)
    again.calls += older.advance(NOON + HOUR + MIN).calls
    assert used
    assert used.isdisjoint(ids(again))
    assert {call.about[0].event.condition for call in again.calls} == {"high", WENT_BACK}
    assert older.answer(1, Answer(Reply.SEEN, "ada"), NOON + 2 * HOUR).refusal
    high = next(its.number for its in older.problems() if its.urgency is Priority.CRITICAL)
    assert older.answer(high, Answer(Reply.SEEN, "ada"), NOON + 2 * HOUR).refusal == ""


def test_what_somebody_had_seen_in_the_copy_calls_again():
    team = calling(NOON)
    team.hear(word(at_ms=NOON), NOON)
    team.advance(NOON + MIN)
    team.answer(1, Answer(Reply.SEEN, "ada"), NOON + MIN)
    older = put_back(team)
    assert team.advance(NOON + 2 * MIN).calls == []
    called = older.given_before((1, 0, 9), NOON + 2 * MIN).calls + older.advance(NOON + 3 * MIN).calls
    assert any(call.about[0].event.condition == "high" for call in called)


@given(st.lists(st.sampled_from(["raise", "over", "seen", "wait", "copy"]), min_size=4, max_size=25))
def test_whenever_the_copy_was_made_no_number_is_used_twice(steps):
    """Also for the digest and for the rest of a flood; the copy may be put back more than once."""
    duty = replace(DUTY, flood_calls=1)
    team, at_ms, number, used, copy = calling(NOON, duty), NOON, 0, [], None
    for step in [*steps, "back", *steps, "back", *steps]:
        at_ms += 7 * MIN
        upshots = [team.advance(at_ms)]
        if step == "raise":
            number += 1
            upshots.append(team.hear(word(number, f"k{number % 3}/temperature/high", at_ms=at_ms), at_ms))
        elif step == "over":
            number += 1
            ended = over(number, alarm=f"k{number % 3}/temperature/high", at_ms=at_ms)
            upshots.append(team.hear(ended, at_ms))
        elif step == "seen":
            for problem in team.problems():
                upshots.append(team.answer(problem.number, Answer(Reply.SEEN, "bo"), at_ms))
        elif step == "copy":
            copy = team.snapshot()
        elif step == "back" and copy is not None:
            known = team.calls.given
            team = Escalation.restore(copy, duty)
            upshots = [team.given_before(known, at_ms)]
        used += ids(*upshots)
    assert len(used) == len(set(used))
