"""The flood gate to the millisecond: two calls within a hundred, as this test's team has it."""

from dataclasses import replace

from rules.calling.flood import FloodGate
from tests.rules.calling.test_escalation import DUTY

TWO = replace(DUTY, flood_calls=2, flood_window_ms=100)


def test_within_a_window_a_person_gets_as_many_as_agreed_and_each_person_by_itself():
    gate = FloodGate()
    assert [gate.admits("ada", at_ms, TWO) for at_ms in (1_000, 1_001, 1_002)] == [True, True, False]
    assert gate.admits("bo", 1_002, TWO) is True


def test_a_call_counts_for_as_long_as_the_window_and_no_longer():
    gate = FloodGate()
    for at_ms in (1_000, 1_050):
        gate.admits("ada", at_ms, TWO)
    assert gate.admits("ada", 1_099, TWO) is False
    assert gate.admits("ada", 1_100, TWO) is True
    assert gate.admits("ada", 1_101, TWO) is False, "the second still counts"


def test_what_is_held_is_told_once_as_one_call_when_the_first_of_the_window_is_over():
    gate = FloodGate()
    for at_ms in (1_000, 1_050):
        gate.admits("bo", at_ms, TWO)
        gate.admits("ada", at_ms + 10, TWO)
    assert gate.due_ms() is None
    gate.hold("bo", 7, 1_060, TWO)
    gate.hold("bo", 8, 1_070, TWO)
    gate.hold("ada", 9, 1_070, TWO)
    assert gate.due_ms() == 1_100
    assert gate.release(1_099) == []
    assert gate.release(1_100) == [("bo", {7, 8})]
    assert gate.due_ms() == 1_110
    assert gate.release(2_000) == [("ada", {9})]
    assert gate.due_ms() is None
    assert gate.admits("ada", 2_001, TWO) is True
    assert gate.admits("ada", 2_002, TWO) is False, "the call about the rest counts as one"


def test_while_something_is_held_for_a_person_nothing_passes_it():
    gate = FloodGate()
    gate.hold("ada", 7, 1_000, TWO)
    assert gate.due_ms() == 1_100, "from now on where nobody was called"
    assert gate.admits("ada", 1_001, TWO) is False
