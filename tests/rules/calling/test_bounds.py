"""How much is heard, kept, listed and passed over: more than any team cares for (all project judgement)."""

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.records import CallKind
from rules.errors import InputError
from tests.rules.calling.test_escalation import HOUR, MIN, NIGHT, NOON, calling, over, word

TOO_MANY = "is a sender making up names"


def test_two_hundred_racks_are_heard_and_no_more():
    team = calling()
    for number in range(200):
        team.heartbeat(f"rack-{number}", 0, NIGHT, NIGHT)
    team.heartbeat("rack-7", 0, NIGHT, NIGHT)
    with pytest.raises(InputError, match=f"north: more than 200 racks; {TOO_MANY}"):
        team.heartbeat("north", 0, NIGHT, NIGHT)


def heard_of(**alarms):
    """A team that has heard of so many alarms of each rack."""
    team = calling()
    for rack, count in alarms.items():
        team._state.hearing.numbers[rack] = {f"j:k{number}/x/high": 1 for number in range(count)}
        team.heartbeat(rack, 1, NIGHT, NIGHT)
    return team


@pytest.mark.parametrize(
    ("alarms", "most"),
    [
        ({"north": 4_999}, None),
        ({"north": 5_000}, 5_000),
        ({"north": 4_999, "a": 5_000, "b": 5_000, "c": 5_000}, None),
        ({"north": 4_999, "a": 5_000, "b": 5_000, "c": 5_001}, 4_999),
        ({"north": 100, "a": 19_900}, 100),
        ({"north": 99, "a": 19_901}, None),
    ],
    ids=["room", "full", "nearly all full", "all full", "all full, own full", "room for the first hundred"],
)
def test_a_rack_has_room_for_its_first_hundred_alarms_though_others_went_wild(alarms, most):
    team, its = heard_of(**alarms), word(2, "k-new/temperature/high")
    team._state.hearing.begins_anew(word(1))
    team._state.hearing.numbers["north"] = {f"j:k{n}/x/high": 1 for n in range(alarms["north"])}
    if most is None:
        team.hear(its, NIGHT)
        assert team.problems()
    else:
        with pytest.raises(InputError, match=f"north: more than {most} alarms; {TOO_MANY}"):
            team.hear(its, NIGHT)


def test_a_digest_lists_twenty_and_says_how_many_more_there_are():
    team = calling(NOON)
    for number in range(1, 24):
        team.hear(word(number, f"k{number}/x/high", Priority.LOW, at_ms=NOON), NOON)
    (digest,) = team.advance(NOON + 24 * HOUR).calls
    assert (digest.kind, len(digest.about), digest.more) == (CallKind.DIGEST, 20, 3)


def test_what_is_over_is_kept_for_the_digest_the_newest_two_hundred():
    team = calling(NOON)
    for number in range(203):
        alarm = f"k{number:03}/x/high"
        team.hear(word(2 * number + 1, alarm, Priority.LOW, at_ms=NOON), NOON)
        team.hear(over(2 * number + 2, alarm=alarm, priority=Priority.LOW, at_ms=NOON), NOON)
    kept = [it.event.vessel for it in team.calls.gone]
    assert (len(kept), kept[0], kept[-1]) == (200, "k003", "k202")


def test_after_our_file_went_back_a_hundred_numbers_are_left_out_beyond_all_that_are_known():
    team = calling(NOON)
    team.hear(word(1, at_ms=NOON), NOON)
    assert [call.id for call in team.advance(NOON + MIN).calls] == ["1.1"]
    told = team.given_before((40, 7, 90), NOON + MIN).calls
    assert [call.id for call in told] == ["141.1"], "called again at once, under a number that nobody has"
    assert [problem.key for problem in team.problems()] == ["north/k1/temperature/high", "broker/went_back"]
    assert team.calls.given == (142, 107, 191)
