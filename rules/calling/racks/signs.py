"""Signs of life: whether racks are heard, whether the broker is, and when silence becomes a problem.

A dead rack cannot call for help, so its silence is an alarm in itself. While the broker cannot be
reached no rack can be heard: then the broker is the problem, and no rack is blamed. What is wrong again and
again (a rack sends what cannot be read, another process takes our place at the broker) is a problem too,
until it has not happened for a while.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.duty import Duty
from rules.calling.records import (
    BROKER_LOST,
    DISK_FULL,
    RACK_RESTARTS,
    RACK_SILENT,
    RACK_STOPPED,
    TWO_CALL,
    TWO_LISTENERS,
    Word,
)

WATCHING, STOPPED, GONE, TAKEN_AWAY = "watching", "stopped", "gone", "taken away"
"""What a rack's watch topic says; the last where people have cleared what the broker kept there."""
EVERY_RACK = "broker"
"""Stands for all racks in words that are about none of them: no rack can be heard, a message names none."""
WELL_AFTER_MS = 600_000
"""What was wrong again and again is well when it was not so for so long (project judgement)."""
STARTS_AT_MOST = 2
"""More starts within that time, none of them after a goodbye, are a rack that hardly watches."""
CALLS_FOR = {DISK_FULL: Priority.HIGH}
"""What a rack mentions that cannot wait for the digest; it is mentioned again while it lasts."""

RIVALS = {TWO_LISTENERS: Priority.CRITICAL, TWO_CALL: Priority.MEDIUM}
"""What another on-call process may do: take our place at the broker, call people beside us."""


@dataclass(slots=True)
class Rack:
    """`heard_ms` is the last sign of life, or when listening began; `silent` whether its absence was told.

    Of a rack that was stopped on purpose, `heard_ms` is when we heard of that. `since` names its newest
    start in its own words, `starts_ms` are those that were heard lately and came without a goodbye.
    `gone_ms` is when it went, until a heartbeat or another start is heard: a rack whose every connection
    breaks says that it watches again and again, and nothing else of it comes through.
    `every_ms` is how often it says that it gives a sign of life, 0 where it does not say.
    """

    state: str
    heard_ms: int
    silent: bool = False
    since: str = ""
    starts_ms: list[int] = field(default_factory=list)
    vessels: int = 0
    gone_ms: int | None = None
    every_ms: int = 0


@dataclass(slots=True)
class Wrong:
    """What is wrong with a rack (`condition`) since `since_ms`, again and again, lately at `last_ms`."""

    rack: str
    condition: str
    since_ms: int
    last_ms: int
    priority: Priority
    reason: str = ""


@dataclass(slots=True)
class RackSigns:
    """When each rack was last heard, since when the broker is not reached (None: it is), if that was told.

    What comes back are words of silence, or of what is wrong, that begins or is over.
    """

    down_ms: int | None
    racks: dict[str, Rack] = field(default_factory=dict)
    lost_told: bool = False
    wrong: list[Wrong] = field(default_factory=list)
    listening_ms: int = 0

    def expect(self, racks: Iterable[str], at_ms: int) -> None:
        """Miss these racks even where they were never heard."""
        for rack in racks:
            self.racks.setdefault(rack, Rack(WATCHING, at_ms))

    def heard(self, rack: str, at_ms: int) -> list[Word]:
        """Note a sign of life; return the words that end with it."""
        known = self.racks.setdefault(rack, Rack(WATCHING, at_ms))
        ended = _ended(rack, known, at_ms)
        known.state, known.heard_ms, known.silent, known.gone_ms = WATCHING, at_ms, False, None
        return ended

    def said(self, rack: str, state: str, at_ms: int, *, kept: bool, since: str = "") -> list[Word]:
        """Note what the rack's watch topic says: watching, stopped or gone, and `since` when it watches.

        A message that the broker had `kept` tells what the rack was, not that it lives now.
        """
        if state == WATCHING and not kept:
            return self._watches(rack, since, at_ms)
        if state == TAKEN_AWAY:
            return _ended(rack, self.racks.pop(rack), at_ms) if rack in self.racks else []
        known = self.racks.setdefault(rack, Rack(state, at_ms))
        if state == STOPPED and known.state != STOPPED:
            ended = _ended(rack, known, at_ms)
            known.state, known.silent, known.heard_ms, known.gone_ms = STOPPED, False, at_ms, None
            return [*ended, sign_word(rack, RACK_STOPPED, Priority.MEDIUM, at_ms, at_ms)]
        if state in (WATCHING, GONE) and known.state != state:
            ended = _ended(rack, known, at_ms) if known.state == STOPPED else []
            known.silent &= known.state != STOPPED
            known.state, known.heard_ms = state, at_ms
            if state == GONE and known.gone_ms is None:
                known.gone_ms = at_ms
            return ended
        return []

    def _watches(self, rack: str, since: str, at_ms: int) -> list[Word]:
        """Note that a rack watches; of one that went and is back, only a heartbeat ends what was told."""
        known = self.racks.setdefault(rack, Rack(WATCHING, at_ms))
        gone_ms = known.gone_ms if known.since == since else None
        if gone_ms is not None and known.silent:
            return []
        words = [*self._started(rack, since, at_ms), *self.heard(rack, at_ms)]
        known.gone_ms = gone_ms
        return words

    def _started(self, rack: str, since: str, at_ms: int) -> list[Word]:
        """Count a start that is another than the last and came without a goodbye; too many are a problem."""
        known = self.racks.setdefault(rack, Rack(WATCHING, at_ms))
        anew, known.since = known.since not in ("", since), since
        if not anew or known.state == STOPPED:
            return []
        known.starts_ms = [it for it in known.starts_ms if it > at_ms - WELL_AFTER_MS] + [at_ms]
        if len(known.starts_ms) <= STARTS_AT_MOST:
            return []
        return self.is_wrong(rack, RACK_RESTARTS, Priority.CRITICAL, at_ms)

    def is_wrong(
        self, rack: str, condition: str, priority: Priority, at_ms: int, reason: str = ""
    ) -> list[Word]:
        """Note that something is wrong once more; what cannot be read is as bad as what it may hide."""
        known = next((it for it in self.wrong if (it.rack, it.condition) == (rack, condition)), None)
        if known is not None and priority <= known.priority:
            known.last_ms = at_ms
            return []
        self.wrong = [it for it in self.wrong if it is not known]
        since_ms = at_ms if known is None else known.since_ms
        self.wrong.append(Wrong(rack, condition, since_ms, at_ms, priority, reason))
        return [sign_word(rack, condition, priority, at_ms, since_ms, reason)]

    def link(self, up: bool, at_ms: int) -> list[Word]:
        """Note whether the broker is reached; once it is, every rack is given its time to be heard."""
        if not up:
            self.down_ms = at_ms if self.down_ms is None else self.down_ms
            return []
        if self.down_ms is None:
            return []
        ended = [sign_word(EVERY_RACK, BROKER_LOST, Priority.CRITICAL, at_ms, self.down_ms, ended=True)]
        told, self.down_ms, self.lost_told = self.lost_told, None, False
        self._allow_again(at_ms)
        return ended if told else []

    def resume(self, at_ms: int) -> None:
        """Count from `at_ms`: nobody listened before."""
        if self.down_ms is not None:
            self.down_ms = at_ms
        self._allow_again(at_ms)

    def _allow_again(self, at_ms: int) -> None:
        self.listening_ms = at_ms
        for rack in self.racks.values():
            if not rack.silent and rack.state != STOPPED:
                rack.heard_ms, rack.gone_ms = max(rack.heard_ms, at_ms), None

    @property
    def linked_ms(self) -> int | None:
        """Return since when the broker is reached; None where it is not."""
        return self.listening_ms if self.down_ms is None else None

    def due_ms(self, duty: Duty) -> int | None:
        """Return when the next silence becomes a problem, if nothing is heard before."""
        if self.down_ms is not None:
            return None if self.lost_told else self.down_ms + duty.link_lost_after_ms
        waiting = [self._deadline_ms(rack, duty) for rack in self.racks.values() if not rack.silent]
        waiting += [wrong.last_ms + WELL_AFTER_MS for wrong in self.wrong]
        return min(waiting, default=None)

    def fall_silent(self, at_ms: int, duty: Duty) -> list[Word]:
        """Return words on what has been silent for too long at `at_ms`, and on what is well again."""
        if self.down_ms is not None:
            if self.lost_told or at_ms < self.down_ms + duty.link_lost_after_ms:
                return []
            self.lost_told = True
            return [sign_word(EVERY_RACK, BROKER_LOST, Priority.CRITICAL, at_ms, self.down_ms)]
        words = []
        for name in sorted(self.racks):
            rack = self.racks[name]
            if not rack.silent and at_ms >= self._deadline_ms(rack, duty):
                rack.silent = True
                what = RACK_STOPPED if rack.state == STOPPED else RACK_SILENT
                words.append(sign_word(name, what, Priority.CRITICAL, at_ms, rack.heard_ms))
        well = [wrong for wrong in self.wrong if at_ms >= wrong.last_ms + WELL_AFTER_MS]
        self.wrong = [wrong for wrong in self.wrong if wrong not in well]
        for it in well:
            words.append(sign_word(it.rack, it.condition, it.priority, at_ms, it.since_ms, ended=True))
        return words

    def silent_ms(self, names: Iterable[str], duty: Duty) -> int:
        """Return how long any of these racks may be silent."""
        known = [duty.silent_ms(self.racks[name].every_ms) for name in names if name in self.racks]
        return max(known, default=duty.silent_after_ms)

    def _deadline_ms(self, rack: Rack, duty: Duty) -> int:
        """Return when a rack must have been heard; a stopped one may be back without our knowing."""
        if rack.state == STOPPED:
            return max(rack.heard_ms + duty.stopped_after_ms, self.listening_ms + duty.gone_after_ms)
        silent_ms = duty.silent_ms(rack.every_ms)
        usual_ms = rack.heard_ms + (duty.gone_after_ms if rack.state == GONE else silent_ms)
        return usual_ms if rack.gone_ms is None else min(usual_ms, rack.gone_ms + silent_ms)


def _ended(name: str, rack: Rack, at_ms: int) -> list[Word]:
    ended = []
    if rack.silent and rack.state != STOPPED:
        ended.append(sign_word(name, RACK_SILENT, Priority.CRITICAL, at_ms, rack.heard_ms, ended=True))
    if rack.state == STOPPED:
        priority = Priority.CRITICAL if rack.silent else Priority.MEDIUM
        ended.append(sign_word(name, RACK_STOPPED, priority, at_ms, rack.heard_ms, ended=True))
    return ended


def sign_word(
    rack: str,
    condition: str,
    priority: Priority,
    at_ms: int,
    since_ms: int,
    reason: str = "",
    *,
    ended: bool = False,
) -> Word:
    """Return our own word on a rack, that a problem begins or has `ended`."""
    state = State.NORMAL if ended else State.UNACKNOWLEDGED
    trigger = Trigger.RETURNED if ended else Trigger.RAISED
    event = AlarmEvent(
        0,
        at_ms,
        "",
        "",
        condition,
        trigger,
        state,
        priority,
        since_ms,
        cause=condition,
        evidence=Evidence(reason=reason),
    )
    return Word(rack, event)
