"""The life cycle of an alarm, as one table (states and terms of IEC 62682 / ANSI/ISA-18.2).

Everything that moves an alarm from one state to another stands in `TRANSITIONS`. What the table
does not list is refused and changes nothing.
"""

from collections.abc import Collection, Mapping
from enum import IntEnum, StrEnum

from rules.errors import AlarmError


class State(StrEnum):
    """Where an alarm stands; the letters are those of the standard's state diagram."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B
    ACKNOWLEDGED = "acknowledged"  # C
    RETURNED = "returned unacknowledged"  # D
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"  # E
    LATCHED = "latched acknowledged"  # F
    SHELVED = "shelved"  # G
    SUPPRESSED = "suppressed by design"  # H
    OUT_OF_SERVICE = "out of service"  # I


class Trigger(StrEnum):
    """What happens to an alarm."""

    RAISED = "raised"
    WORSENED = "worsened"
    EASED = "eased"
    RETURNED = "returned"
    LATCHED = "latched"
    ACKNOWLEDGED = "acknowledged"
    REANNOUNCED = "announced again"
    GOES_ON = "goes on"
    GOES_ON_SEEN = "goes on, as seen"
    HANDED_ON = "handed on"
    RESET = "reset"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    RELEASED = "released"
    TAKEN_OUT = "taken out of service"
    PUT_BACK = "put back into service"


class Priority(IntEnum):
    """How much an alarm matters; a higher number is more urgent."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3
    CRITICAL = 4

    @property
    def word(self) -> str:
        """Return the priority as it is shown and sent."""
        return self.name.lower()


class Condition(StrEnum):
    """What can be wrong on a channel."""

    HIGH_HIGH = "high_high"
    HIGH = "high"
    LOW = "low"
    LOW_LOW = "low_low"
    RISING = "rising"
    FALLING = "falling"
    HEADING_OUT = "heading_out"
    UNWATCHED = "unwatched"
    SILENT = "silent"
    PROBE_FAULT = "probe_fault"
    DISAGREEMENT = "disagreement"


WORSE: Mapping[str, Condition] = {Condition.HIGH: Condition.HIGH_HIGH, Condition.LOW: Condition.LOW_LOW}
MILDER: Mapping[str, Condition] = {worse: Condition(milder) for milder, worse in WORSE.items()}
"""Two limits of one kind: while the worse is crossed the milder is kept from people, then it goes on."""


EXCUSES = {Condition.UNWATCHED: (Condition.SILENT, Condition.PROBE_FAULT)}
"""What an alarm explains although it was announced before: a probe's trouble, once it hides a danger."""


def latches(condition: Condition, latching: Collection[Condition]) -> bool:
    """Return whether a condition stays until somebody resets it; what latches when mild does when worse."""
    return condition in latching or MILDER.get(condition) in latching


OF_PEOPLE = (
    Trigger.ACKNOWLEDGED,
    Trigger.RESET,
    Trigger.SHELVED,
    Trigger.UNSHELVED,
    Trigger.TAKEN_OUT,
    Trigger.PUT_BACK,
)
"""Steps that people take."""

HANDING = (Trigger.GOES_ON, Trigger.GOES_ON_SEEN, Trigger.HANDED_ON)
"""Steps by which a problem passes from one alarm to another."""

HELD = (State.OUT_OF_SERVICE, State.SHELVED, State.SUPPRESSED)
"""States in which an alarm is kept from people, whatever the water does; the first outranks the others."""

_BY_THE_WATER = {
    (State.NORMAL, Trigger.RAISED): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.WORSENED): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.EASED): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.RETURNED): State.RETURNED,
    (State.UNACKNOWLEDGED, Trigger.LATCHED): State.LATCHED_UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.WORSENED): State.UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.EASED): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.RETURNED): State.NORMAL,
    (State.ACKNOWLEDGED, Trigger.LATCHED): State.LATCHED,
    (State.ACKNOWLEDGED, Trigger.REANNOUNCED): State.UNACKNOWLEDGED,
    (State.RETURNED, Trigger.RAISED): State.UNACKNOWLEDGED,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.RAISED): State.UNACKNOWLEDGED,
    (State.LATCHED, Trigger.RAISED): State.UNACKNOWLEDGED,
}
_BETWEEN_TWO = {
    (State.UNACKNOWLEDGED, Trigger.HANDED_ON): State.NORMAL,
    (State.ACKNOWLEDGED, Trigger.HANDED_ON): State.NORMAL,
    (State.NORMAL, Trigger.GOES_ON): State.UNACKNOWLEDGED,
    (State.NORMAL, Trigger.GOES_ON_SEEN): State.ACKNOWLEDGED,
    (State.SUPPRESSED, Trigger.GOES_ON): State.UNACKNOWLEDGED,
    (State.SUPPRESSED, Trigger.GOES_ON_SEEN): State.ACKNOWLEDGED,
    (State.NORMAL, Trigger.WORSENED): State.UNACKNOWLEDGED,
}
"""One problem passes from one alarm to another: its state with it and no announcement, or as a worse one."""

_AFTER_WORK = {
    (State.NORMAL, Trigger.RETURNED): State.RETURNED,
    (State.NORMAL, Trigger.LATCHED): State.LATCHED_UNACKNOWLEDGED,
}
"""What nobody had seen, or reset, when maintenance began is there afterwards, though its water is well."""

_BY_PEOPLE = {
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGED): State.ACKNOWLEDGED,
    (State.RETURNED, Trigger.ACKNOWLEDGED): State.NORMAL,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGED): State.LATCHED,
    (State.LATCHED, Trigger.RESET): State.NORMAL,
    (State.SHELVED, Trigger.UNSHELVED): State.NORMAL,
    (State.SUPPRESSED, Trigger.RELEASED): State.NORMAL,
    (State.OUT_OF_SERVICE, Trigger.PUT_BACK): State.NORMAL,
}
_HOLDING = {
    (state, trigger): held
    for trigger, held in (
        (Trigger.SUPPRESSED, State.SUPPRESSED),
        (Trigger.SHELVED, State.SHELVED),
        (Trigger.TAKEN_OUT, State.OUT_OF_SERVICE),
    )
    for state in State
    if state not in HELD[: HELD.index(held) + 1]
}

TRANSITIONS: dict[tuple[State, Trigger], State] = {
    **_BY_THE_WATER,
    **_BY_PEOPLE,
    **_HOLDING,
    **_BETWEEN_TWO,
    **_AFTER_WORK,
}


def next_state(state: State, trigger: Trigger) -> State:
    """Return the state after `trigger`; raise AlarmError where the table has no such step."""
    try:
        return TRANSITIONS[state, trigger]
    except KeyError:
        possible = ", ".join(sorted(then for now, then in TRANSITIONS if now is state))
        raise AlarmError(f"an alarm that is {state} cannot be {trigger}; it can be: {possible}") from None
