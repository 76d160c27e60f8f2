"""What a rack's sign of life, the broker's forgetting and the rack's mentions end or keep; times in ms."""

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.escalation import SNAPSHOT_VERSION
from rules.calling.records import Voice
from tests.rules.calling.test_escalation import HOUR, NIGHT, NOON, calling, word

WARM = "k1/temperature/high"


def standing(team):
    return [
        alarm for problem in team.problems() for alarm, it in problem.members.items() if problem.stands(alarm)
    ]


@pytest.mark.parametrize(
    ("alarms", "rack_ms", "voice", "ends"),
    [
        (0, NIGHT, Voice(), True),
        (0, NIGHT - 1, Voice(), False),
        (1, NIGHT + 9, Voice(), False),
        (0, NIGHT, Voice("j"), True),
        (0, NIGHT - 1, Voice("j"), False),
        (1, NIGHT + 9, Voice("j"), False),
    ],
    ids=["none stands", "earlier", "one stands", "of its journal", "earlier too", "one of its journal"],
)
def test_a_rack_on_which_no_alarm_stands_ends_what_it_said_up_to_then(alarms, rack_ms, voice, ends):
    team = calling()
    team.hear(word(at_ms=NIGHT, journal="j"), NIGHT + 50)
    team.heartbeat("north", alarms, rack_ms, NIGHT + 60, voice)
    assert standing(team) == ([] if ends else [WARM])


def test_our_own_word_on_a_rack_is_ended_by_no_sign_of_life_of_it():
    team = calling()
    team.garbled("broker", Priority.CRITICAL, NIGHT)
    team.heartbeat("broker", 0, NIGHT + 1, NIGHT + 1)
    assert len(standing(team)) == 1


def test_what_the_broker_forgets_is_over_and_its_word_is_news_if_it_comes_again():
    team = calling()
    team.hear(word(3), NIGHT)
    team.clear("north", "k9/temperature/high", NIGHT + 1)
    team.clear("south", WARM, NIGHT + 1)
    assert standing(team) == [WARM]
    team.clear("north", WARM, NIGHT + 2)
    assert standing(team) == []
    team.hear(word(2), NIGHT + 3)
    assert standing(team) == []
    team.hear(word(3), NIGHT + 4)
    assert standing(team) == [WARM]


def test_what_is_over_already_and_then_forgotten_is_no_news():
    """Another alarm of its cause stands, so that the problem is still known."""
    team = calling()
    team.hear(word(1, cause="loop"), NIGHT)
    team.hear(word(2, "k2/x/high", cause="loop"), NIGHT)
    team.hear(word(3, trigger="returned", state="normal", cause="loop"), NIGHT + 1)
    team.clear("north", WARM, NIGHT + 2)
    team.hear(word(3, cause="loop"), NIGHT + 3)
    assert standing(team) == ["k2/x/high"]


def test_a_mention_is_known_by_its_rack_and_id():
    team = calling(NOON)
    for rack, name in (("north", "a"), ("north", "a"), ("north", "b"), ("south", "a")):
        team.mention(word(alarm="/stage runs long", rack=rack, cause=name, mention=True, at_ms=NOON), NOON)
    assert [(it.rack, it.event.cause) for it in team.calls.gone] == [
        ("north", "a"), ("north", "b"), ("south", "a"),
    ]  # fmt: skip


def test_time_passes_to_the_very_moment_that_is_asked_for():
    team = calling()
    team.advance(NIGHT + 7)
    assert team.clock_ms == NIGHT + 7
    team.resume(NIGHT + 9)
    assert team.clock_ms == NIGHT + 9
    team.given_before((0, 0, 0), NIGHT + HOUR)
    assert team.clock_ms == NIGHT + HOUR


def test_a_file_says_of_which_layout_it_is():
    assert calling().snapshot()["version"] == SNAPSHOT_VERSION == 2
