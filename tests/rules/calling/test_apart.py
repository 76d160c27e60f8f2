"""What is not meant is left alone: another rack's alarms, and what somebody has seen."""

from rules.alarms.life_cycle import Priority
from rules.calling.escalation import Escalation
from rules.calling.records import Stand
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN, NIGHT, SEEN, calling, word


def test_what_is_over_on_one_rack_stands_on_another():
    """Both call by the same name of an alarm, and go on to do so."""
    team = calling()
    for rack in ("north", "south"):
        team.hear(word(rack=rack), NIGHT)
    team.advance(NIGHT + MIN)
    team.clear("north", "k1/temperature/high", NIGHT + 2 * MIN)
    told = team.advance(NIGHT + 36 * MIN)
    assert {one.rack for call in told.calls if call.kind == "alarm" for one in call.about} == {"south"}
    assert len(told.calls) >= 6, "every five minutes until somebody has seen it"


def test_a_journal_that_begins_anew_on_one_rack_ends_nothing_on_another():
    team = calling()
    for rack in ("north", "south"):
        team.hear(word(rack=rack), NIGHT)
    team.hear(word(rack="north", journal="a new one", alarm="k2/temperature/high"), NIGHT + MIN)
    standing = [member.word for problem in team.problems() for member in problem.calling()]
    assert sorted((one.rack, one.event.channel) for one in standing) == [
        ("north", "k2/temperature"),
        ("south", "k1/temperature"),
    ]


def test_what_was_seen_while_it_waited_for_the_morning_calls_nobody_then_even_after_a_restart():
    team = calling()
    team.hear(word(priority=Priority.MEDIUM), NIGHT)
    assert not team.advance(NIGHT + MIN).calls, "it waits for the end of the quiet hours"
    (problem,) = team.problems()
    assert team.answer(problem.number, SEEN, NIGHT + 2 * MIN).refusal == ""
    again = Escalation.restore(team.snapshot(), DUTY)
    assert again.snapshot() == team.snapshot(), "there was nothing to work out anew"
    for each in (team, again):
        assert not each.advance(NIGHT + 8 * HOUR).calls


def test_the_milder_limit_that_goes_on_is_seen_where_the_worse_was():
    """Water comes back inside the critical limit: who took that as seen is not called for the rest of it."""
    team = calling()
    team.hear(word(alarm="k1/temperature/high_high", cause="k1/temperature"), NIGHT)
    team.advance(NIGHT + MIN)
    (problem,) = team.problems()
    assert team.answer(problem.number, SEEN, NIGHT + 2 * MIN).refusal == ""
    on = {"number": 2, "at_ms": NIGHT + 3 * MIN, "cause": "k1/temperature", "priority": Priority.MEDIUM}
    team.hear(word(alarm="k1/temperature/high", trigger="goes on", **on), NIGHT + 3 * MIN)
    assert [member.stand for member in problem.members.values()] == [Stand.SEEN, Stand.SEEN]
    assert not team.advance(NIGHT + HOUR).calls


def test_a_milder_limit_that_is_crossed_anew_calls_whatever_was_seen():
    team = calling()
    team.hear(word(alarm="k1/temperature/high_high", cause="k1/temperature"), NIGHT)
    team.advance(NIGHT + MIN)
    (problem,) = team.problems()
    team.answer(problem.number, SEEN, NIGHT + 2 * MIN)
    anew = {"number": 2, "at_ms": NIGHT + 3 * MIN, "cause": "k1/temperature"}
    team.hear(word(alarm="k1/temperature/high", **anew), NIGHT + 3 * MIN)
    assert team.advance(NIGHT + HOUR).calls
