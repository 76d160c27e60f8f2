"""One alarm as it stands, and what keeps it from people."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from rules.alarms.event import NO_EVIDENCE, Crossing, Evidence
from rules.alarms.life_cycle import (
    EXCUSES,
    HELD,
    MILDER,
    OF_PEOPLE,
    TRANSITIONS,
    Condition,
    Priority,
    State,
    Trigger,
    latches,
)
from rules.errors import AlarmError
from rules.plain import taken_over


class HoldKind(StrEnum):
    """What can keep an alarm from people."""

    SERVICE = "service"
    SHELF = "shelf"
    MAINTENANCE = "maintenance"
    EXPLAINED = "explained"


@dataclass(frozen=True, slots=True)
class AlarmRules:
    """What holds for all alarms of a rack.

    `shelf_limit_ms`: the longest an alarm may be shelved, `critical_shelf_limit_ms` a critical one.
    `reannounce_ms`: an acknowledged critical alarm that still stands is announced again after this (None:
    never). `latching`: conditions whose alarms stay until somebody resets them.
    """

    shelf_limit_ms: int = 8 * 3_600_000
    critical_shelf_limit_ms: int = 3_600_000
    reannounce_ms: int | None = 2 * 3_600_000
    latching: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True)
class Hold:
    """Why an alarm is kept from people, by whom, and until when (None: until somebody ends it).

    `value` is what its channel measured when it was shelved; None where that was not known.
    """

    who: str
    why: str
    until_ms: int | None = None
    value: float | None = None


HOLDING: dict[HoldKind, tuple[Trigger, State, Trigger]] = {
    HoldKind.SERVICE: (Trigger.TAKEN_OUT, State.OUT_OF_SERVICE, Trigger.PUT_BACK),
    HoldKind.SHELF: (Trigger.SHELVED, State.SHELVED, Trigger.UNSHELVED),
    HoldKind.MAINTENANCE: (Trigger.SUPPRESSED, State.SUPPRESSED, Trigger.RELEASED),
    HoldKind.EXPLAINED: (Trigger.SUPPRESSED, State.SUPPRESSED, Trigger.RELEASED),
}
"""For each kind: the trigger that begins it, the state that it makes, the trigger that ends it."""


COMES_AND_GOES = "what comes and goes"

UNSEEN = (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)
"""States of what nobody has acknowledged yet."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One condition on one channel, as it stands; `since_ms` is when the condition began.

    `active` maps each level that is crossed now to its priority; `worst` is the most urgent
    priority that nobody has acknowledged yet; `cause` names what the alarm shares with others and
    `reach` the vessels that it concerns beside its own; `evidence` is that of the newest crossing;
    `holds` says what keeps it from people; `before_work` is the state that maintenance found it in, or a
    danger that it hid; `seen_by` acknowledged it last.
    """

    vessel: str
    bus: str
    channel: str
    condition: Condition
    cause: str
    state: State
    active: Mapping[str, Priority]
    worst: Priority
    since_ms: int
    reach: tuple[str, ...] = ()
    evidence: Evidence = NO_EVIDENCE
    acknowledged_ms: int = 0
    holds: Mapping[HoldKind, Hold] = field(default_factory=dict)
    before_work: State = State.NORMAL
    seen_by: str = ""

    @property
    def priority(self) -> Priority:
        """Return how urgent the condition is now; once it has returned, how urgent it came to be."""
        return max(self.active.values(), default=self.worst)

    @property
    def name(self) -> str:
        """Return what people acknowledge it by, such as kreisel-1/temperature/high."""
        return f"{self.channel}/{self.condition}"

    @property
    def announced(self) -> bool:
        """Return whether people are told of it now and its condition lasts."""
        return bool(self.active) and self.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)

    @property
    def held_by(self) -> HoldKind | None:
        """Return what keeps it from people, the strongest where there are several; None if nothing does."""
        return min(self.holds, key=lambda kind: (HELD.index(HOLDING[kind][1]), kind), default=None)

    def waits(self, until_ms: int) -> Hold:
        """Return what keeps it from people for a while: what its probe hides, or that it was told twice."""
        its_probe = self.condition in EXCUSES[Condition.UNWATCHED]
        return Hold("", f"{self.cause}/{Condition.UNWATCHED}" if its_probe else COMES_AND_GOES, until_ms)

    def waited_for(self, crossing: Crossing) -> bool:
        """Return whether a crossing ends its wait: what comes and goes is worse than before."""
        comes_and_goes = self.holds[HoldKind.EXPLAINED].why == COMES_AND_GOES
        return comes_and_goes and crossing.active and crossing.priority >= self.priority


def is_worse(one: Alarm, other: Alarm) -> bool:
    """Return whether of two limits of one kind the first is the worse."""
    return one.channel == other.channel and MILDER.get(one.condition) is other.condition


def explains(alarm: Alarm, other: Alarm) -> bool:
    """Return whether an announced alarm of a cause needs telling no more once `alarm` is raised."""
    return is_worse(alarm, other) or other.condition in EXCUSES.get(alarm.condition, ())


_MOVES = (Condition.RISING, Condition.FALLING)


def stands_for(alarm: Alarm, other: Alarm) -> bool:
    """Return whether who knows of an alarm need not be told of another one of its cause that is no worse.

    What comes and goes, and was told twice, stands for what is milder while it is there. A move that is not
    urgent now stands for no limit: what leapt stands for a day, and the water may go on since.
    """
    if alarm.condition in _MOVES and alarm.priority < Priority.HIGH and other.condition in MILDER.values():
        return False
    hold = alarm.holds.get(HoldKind.EXPLAINED)
    told_twice = hold is not None and hold.why == COMES_AND_GOES and alarm.priority > other.priority
    shelved = alarm.held_by is HoldKind.SHELF and explains(alarm, other)
    return alarm.announced or (bool(alarm.active) and (shelved or told_twice))


def must_allow(alarm: Alarm, trigger: Trigger) -> None:
    """Raise AlarmError, in the words of who asks, where an alarm as it stands does not allow a step."""
    if (alarm.state, trigger) in TRANSITIONS:
        return
    by = f" by {alarm.seen_by}" if alarm.state is State.ACKNOWLEDGED and alarm.seen_by else ""
    possible = [step for step in OF_PEOPLE if (alarm.state, step) in TRANSITIONS]
    what = f"an alarm that is {alarm.state}{by} cannot be {trigger}; it can be: {', '.join(possible)}"
    raise AlarmError(f"{alarm.name}: {what}")


def new_alarm(crossing: Crossing) -> Alarm:
    """Return the alarm of a crossing, before it is raised."""
    return taken_over(Alarm, crossing, state=State.NORMAL, active={}, worst=crossing.priority)


def raised_again(alarm: Alarm, crossing: Crossing) -> Alarm:
    """Return an alarm that was not active as the crossing finds it; what nobody has seen yet is kept."""
    unseen = alarm.state in (State.RETURNED, State.LATCHED_UNACKNOWLEDGED)
    worst = max(alarm.worst, crossing.priority) if unseen else crossing.priority
    kept = replace(new_alarm(crossing), before_work=alarm.before_work, seen_by=alarm.seen_by)
    return replace(kept, state=alarm.state, holds=alarm.holds, worst=worst)


def trigger_of(before: Alarm, after: Alarm, latching: Collection[Condition]) -> Trigger | None:
    """Say what a change of the crossed levels means for an alarm that stands; None where it means nothing."""
    if not before.active:
        return None
    if not after.active:
        return Trigger.LATCHED if latches(after.condition, latching) else Trigger.RETURNED
    was, now = max(before.active.values()), max(after.active.values())
    if was == now:
        more = after.condition is Condition.UNWATCHED and len(after.active) > len(before.active)
        return Trigger.WORSENED if more and after.evidence.hidden != before.evidence.hidden else None
    return Trigger.WORSENED if now > was else Trigger.EASED


def explained_until(alarm: Alarm, at_ms: int) -> bool:
    """Return whether an alarm has waited long enough for what explained it."""
    until_ms = alarm.holds[HoldKind.EXPLAINED].until_ms if HoldKind.EXPLAINED in alarm.holds else None
    return until_ms is not None and until_ms <= at_ms


_GOES_ON = {State.UNACKNOWLEDGED: Trigger.GOES_ON, State.ACKNOWLEDGED: Trigger.GOES_ON_SEEN}


def hidden_by(worse: Alarm, alarm: Alarm) -> Alarm:
    """Return an alarm that a worse one explains; a probe's trouble remembers that people were told of it."""
    excused = alarm.condition in EXCUSES.get(worse.condition, ())
    return replace(alarm, before_work=alarm.state) if excused else alarm


def step_after(alarm: Alarm, kind: HoldKind) -> Trigger:
    """Return by which step an alarm is there again after a hold: what was told before goes on as it was."""
    told = kind is HoldKind.EXPLAINED and alarm.priority <= alarm.worst
    return _GOES_ON.get(alarm.before_work, Trigger.RAISED) if told else Trigger.RAISED
