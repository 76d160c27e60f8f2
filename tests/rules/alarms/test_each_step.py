"""Every step of the transition table, from every state, over a restart: the same events, the same book.

The table itself is held against the standard in `test_life_cycle.py`.
"""

import json

import pytest

from rules.alarms.alarm import Alarm, AlarmRules, Hold, HoldKind
from rules.alarms.book import AlarmBook
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition, Priority, State
from rules.errors import AlarmError
from rules.plain import from_plain, to_plain

NAME, HOUR = "k1/temperature/high_high", 3_600_000
KEPT = Hold("kim", "pump", HOUR)


def crossing(active=True, condition=Condition.HIGH_HIGH, priority=Priority.CRITICAL):
    return Crossing("k1", "bus", "k1/temperature", condition, "k1/up", "critical", priority, active, 0)


STEPS = {
    "worse": lambda book, at: book.cross(crossing(), at, None),
    "well": lambda book, at: book.cross(crossing(False), at, None),
    "milder": lambda book, at: book.cross(crossing(True, Condition.HIGH, Priority.MEDIUM), at, None),
    "seen": lambda book, at: book.acknowledge(NAME, at, "kim"),
    "reset": lambda book, at: book.reset(NAME, at, "kim"),
    "shelved": lambda book, at: book.hold(crossing(False), HoldKind.SHELF, KEPT, at),
    "unshelved": lambda book, at: book.release(NAME, HoldKind.SHELF, at, "kim"),
    "out": lambda book, at: book.hold(crossing(False), HoldKind.SERVICE, KEPT, at),
    "back": lambda book, at: book.release(NAME, HoldKind.SERVICE, at, "kim"),
    "work": lambda book, at: book.hold_all(lambda _: True, HoldKind.MAINTENANCE, KEPT, at),
    "worked": lambda book, at: book.release(NAME, HoldKind.MAINTENANCE, at, "kim"),
}
WAYS = {
    State.NORMAL: ("milder",),
    State.UNACKNOWLEDGED: ("worse",),
    State.ACKNOWLEDGED: ("worse", "seen"),
    State.RETURNED: ("worse", "well"),
    State.LATCHED_UNACKNOWLEDGED: ("worse", "well"),
    State.LATCHED: ("worse", "seen", "well"),
    State.SHELVED: ("worse", "shelved"),
    State.SUPPRESSED: ("worse", "work"),
    State.OUT_OF_SERVICE: ("worse", "out"),
}
LATCHED = (State.LATCHED, State.LATCHED_UNACKNOWLEDGED)


def took(book, step, at_ms):
    """What a step makes the book say, or refuse."""
    try:
        STEPS[step](book, at_ms)
    except AlarmError as refusal:
        return [str(refusal)]
    return book.take_events()


def restarted(book):
    kept = [from_plain(Alarm, json.loads(json.dumps(to_plain(alarm)))) for alarm in book]
    return AlarmBook(book.rules, kept, book.last_number)


@pytest.mark.parametrize("state", State, ids=str)
def test_each_step_from_each_state_is_the_same_over_a_restart(state):
    for step in STEPS:
        for then in STEPS:
            rules = AlarmRules(latching=(Condition.HIGH,) if state in LATCHED else ())
            straight, broken = AlarmBook(rules), AlarmBook(rules)
            for number, way in enumerate(WAYS[state]):
                assert took(straight, way, number) == took(broken, way, number)
            stands = {alarm.name: alarm.state for alarm in straight}.get(NAME, State.NORMAL)
            assert stands is state
            broken = restarted(broken)
            assert took(straight, step, 10) == took(broken, step, 10), (step, then)
            broken = restarted(broken)
            assert took(straight, then, 20) == took(broken, then, 20), (step, then)
            assert list(straight) == list(broken)
