"""The alarm life cycle against the state diagram of IEC 62682 / ANSI/ISA-18.2.

The table below was written down from the standard's state diagram, independently of the code. Letters A to
D and the names NORM, RTNUN, SHLVD, DSUPR and OOSRV are as public sources quote them; the letters E to I and
all transitions are from memory: no standard text was read. Rows that are this project's choice are marked.
Out of service outranks shelved, which outranks suppressed by design (this project's choice too): "any state"
of the standard is any that is not held more strongly already.
"""

import pytest

from rules.alarms.life_cycle import HELD, TRANSITIONS, Condition, Priority, State, Trigger, next_state
from rules.errors import AlarmError

LETTERS = {
    "A": State.NORMAL,
    "B": State.UNACKNOWLEDGED,
    "C": State.ACKNOWLEDGED,
    "D": State.RETURNED,
    "E": State.LATCHED_UNACKNOWLEDGED,
    "F": State.LATCHED,
    "G": State.SHELVED,
    "H": State.SUPPRESSED,
    "I": State.OUT_OF_SERVICE,
}
STANDARD = """
    A raised B          the condition occurs
    B acknowledged C
    B returned D        not latching
    C returned A
    D acknowledged A
    D raised B          it occurs again
    C announced-again B re-alarm
    B latched E         latching
    E acknowledged F
    E raised B
    C latched F
    F reset A
    F raised B          this project's choice: a latched alarm that occurs again calls again
    B worsened B        one alarm with two levels: the standard has two alarms, of which the worse calls
    C worsened B
    B eased B
    C eased C
    A shelved G
    B shelved G
    C shelved G
    D shelved G
    E shelved G
    F shelved G
    H shelved G
    G unshelved A       from where it is raised again if its condition lasts
    A suppressed H
    B suppressed H
    C suppressed H
    D suppressed H
    E suppressed H
    F suppressed H
    H released A
    A taken-out I
    B taken-out I
    C taken-out I
    D taken-out I
    E taken-out I
    F taken-out I
    G taken-out I
    H taken-out I
    I put-back A
    B handed-on A       this project's choice: of two limits of a kind the milder goes on, the worse is over
    C handed-on A
    H goes-on B
    H goes-on-seen C
    A goes-on B
    A goes-on-seen C
    A worsened B        this project's choice: what was told of a probe goes over to what it hides
    A returned D        this project's choice: maintenance keeps for afterwards what nobody had seen
    A latched E
"""
WORDS = {
    "announced-again": Trigger.REANNOUNCED,
    "taken-out": Trigger.TAKEN_OUT,
    "put-back": Trigger.PUT_BACK,
    "handed-on": Trigger.HANDED_ON,
    "goes-on": Trigger.GOES_ON,
    "goes-on-seen": Trigger.GOES_ON_SEEN,
}
ROWS = [line.split()[:3] for line in STANDARD.strip().splitlines()]
EXPECTED = {
    (LETTERS[before], WORDS.get(word) or Trigger(word)): LETTERS[after] for before, word, after in ROWS
}
FORBIDDEN = [(state, trigger) for state in State for trigger in Trigger if (state, trigger) not in EXPECTED]


@pytest.mark.parametrize(("before", "trigger"), EXPECTED, ids=str)
def test_each_transition_of_the_standard_is_there(before, trigger):
    assert next_state(before, trigger) is EXPECTED[before, trigger]


@pytest.mark.parametrize(("state", "trigger"), FORBIDDEN, ids=str)
def test_every_other_step_is_refused_with_a_reason(state, trigger):
    with pytest.raises(AlarmError) as refused:
        next_state(state, trigger)
    text = str(refused.value)
    assert f"that is {state} cannot be {trigger}" in text
    possible = ", ".join(sorted(str(then) for now, then in EXPECTED if now is state))
    assert text.split("it can be: ")[1] == possible


def test_the_table_has_no_row_beside_those_of_the_standard():
    assert TRANSITIONS == EXPECTED
    assert len(ROWS) == len(EXPECTED)
    assert len(FORBIDDEN) == 9 * 17 - len(ROWS)


def test_every_state_can_be_reached_and_left():
    assert set(TRANSITIONS.values()) == set(State)
    assert {before for before, _ in TRANSITIONS} == set(State)


def test_each_held_state_has_one_way_out_beside_stronger_holds():
    ways = {state: {trigger for now, trigger in TRANSITIONS if now is state} for state in HELD}
    assert ways[State.OUT_OF_SERVICE] == {Trigger.PUT_BACK}
    assert ways[State.SHELVED] == {Trigger.UNSHELVED, Trigger.TAKEN_OUT}
    goes_on = {Trigger.GOES_ON, Trigger.GOES_ON_SEEN}
    assert ways[State.SUPPRESSED] == {Trigger.RELEASED, Trigger.SHELVED, Trigger.TAKEN_OUT} | goes_on


def test_priorities_are_ordered_and_have_words():
    assert [priority.word for priority in sorted(Priority)] == ["low", "medium", "high", "critical"]


def test_the_conditions_are_those_of_the_design():
    names = [
        "high_high",
        "high",
        "low",
        "low_low",
        "rising",
        "falling",
        "heading_out",
        "unwatched",
        "silent",
        "probe_fault",
        "disagreement",
    ]
    assert [str(condition) for condition in Condition] == names
