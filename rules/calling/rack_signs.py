"""Signs of life: whether racks are heard, whether the broker is, and when silence becomes a problem.

A dead rack cannot call for help, so its silence is an alarm in itself. While the broker cannot be
reached no rack can be heard: then the broker is the problem, and no rack is blamed. A rack of which a
message cannot be read is a problem too, until it has sent no other such for a while.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.duty import Duty
from rules.calling.records import BROKER_LOST, RACK_SILENT, RACK_STOPPED, UNREADABLE, Word

WATCHING, STOPPED, GONE = "watching", "stopped", "gone"
EVERY_RACK = "broker"
"""Stands for all racks in words that are about none of them: no rack can be heard, a message names none."""
READABLE_AFTER_MS = 600_000
"""What a rack says can be read again when so long nothing came that could not (project judgement)."""


@dataclass(slots=True)
class Rack:
    """`heard_ms` is the last sign of life, or when listening began; `silent` whether that was told."""

    state: str
    heard_ms: int
    silent: bool = False


@dataclass(slots=True)
class Unreadable:
    """A rack of which messages since `since_ms`, the last at `last_ms`, could not be read."""

    since_ms: int
    last_ms: int
    priority: Priority


@dataclass(slots=True)
class RackSigns:
    """When each rack was last heard, since when the broker is not reached (None: it is), if that was told.

    What comes back are words of silence, or of what cannot be read, that begins or is over.
    """

    down_ms: int | None
    racks: dict[str, Rack] = field(default_factory=dict)
    lost_told: bool = False
    unreadable: dict[str, Unreadable] = field(default_factory=dict)

    def expect(self, racks: Iterable[str], at_ms: int) -> None:
        """Miss these racks even where they were never heard."""
        for rack in racks:
            self.racks.setdefault(rack, Rack(WATCHING, at_ms))

    def heard(self, rack: str, at_ms: int) -> list[Word]:
        """Note a sign of life; return the words that end with it."""
        known = self.racks.setdefault(rack, Rack(WATCHING, at_ms))
        ended = _ended(rack, known, at_ms)
        known.state, known.heard_ms, known.silent = WATCHING, at_ms, False
        return ended

    def said(self, rack: str, state: str, at_ms: int, *, kept: bool) -> list[Word]:
        """Note what the rack's watch topic says: watching, stopped or gone.

        A message that the broker had `kept` tells what the rack was, not that it lives now.
        """
        if state == WATCHING and not kept:
            return self.heard(rack, at_ms)
        known = self.racks.setdefault(rack, Rack(state, at_ms))
        if state == STOPPED and known.state != STOPPED:
            ended = _ended(rack, known, at_ms)
            known.state, known.silent = STOPPED, False
            return [*ended, _word(rack, RACK_STOPPED, Priority.LOW, at_ms, at_ms)]
        if state in (WATCHING, GONE) and known.state != state:
            ended = _ended(rack, known, at_ms) if known.state == STOPPED else []
            known.state, known.heard_ms = state, at_ms
            return ended
        return []

    def garbled(self, rack: str, priority: Priority, at_ms: int) -> list[Word]:
        """Note a message that cannot be read, of the `priority` of what it may hide."""
        known = self.unreadable.get(rack)
        if known is not None and priority <= known.priority:
            known.last_ms = at_ms
            return []
        since_ms = at_ms if known is None else known.since_ms
        self.unreadable[rack] = Unreadable(since_ms, at_ms, priority)
        return [_word(rack, UNREADABLE, priority, at_ms, since_ms)]

    def link(self, up: bool, at_ms: int) -> list[Word]:
        """Note whether the broker is reached; once it is, every rack is given its time to be heard."""
        if not up:
            self.down_ms = at_ms if self.down_ms is None else self.down_ms
            return []
        if self.down_ms is None:
            return []
        ended = [_word(EVERY_RACK, BROKER_LOST, Priority.CRITICAL, at_ms, self.down_ms, ended=True)]
        told, self.down_ms, self.lost_told = self.lost_told, None, False
        self._allow_again(at_ms)
        return ended if told else []

    def resume(self, at_ms: int) -> None:
        """Count from `at_ms`: nobody listened before."""
        if self.down_ms is not None:
            self.down_ms = at_ms
        self._allow_again(at_ms)

    def _allow_again(self, at_ms: int) -> None:
        for rack in self.racks.values():
            if not rack.silent:
                rack.heard_ms = max(rack.heard_ms, at_ms)

    def due_ms(self, duty: Duty) -> int | None:
        """Return when the next silence becomes a problem, if nothing is heard before."""
        if self.down_ms is not None:
            return None if self.lost_told else self.down_ms + duty.link_lost_after_ms
        waiting = [_deadline_ms(rack, duty) for rack in self.racks.values() if _can_fall_silent(rack)]
        waiting += [known.last_ms + READABLE_AFTER_MS for known in self.unreadable.values()]
        return min(waiting, default=None)

    def fall_silent(self, at_ms: int, duty: Duty) -> list[Word]:
        """Return words on what has been silent for too long at `at_ms`, and on what can be read again."""
        if self.down_ms is not None:
            if self.lost_told or at_ms < self.down_ms + duty.link_lost_after_ms:
                return []
            self.lost_told = True
            return [_word(EVERY_RACK, BROKER_LOST, Priority.CRITICAL, at_ms, self.down_ms)]
        words = []
        for name in sorted(self.racks):
            rack = self.racks[name]
            if _can_fall_silent(rack) and at_ms >= _deadline_ms(rack, duty):
                rack.silent = True
                words.append(_word(name, RACK_SILENT, Priority.CRITICAL, at_ms, rack.heard_ms))
        for name, known in sorted(self.unreadable.items()):
            if at_ms >= known.last_ms + READABLE_AFTER_MS:
                del self.unreadable[name]
                words.append(_word(name, UNREADABLE, known.priority, at_ms, known.since_ms, ended=True))
        return words


def _can_fall_silent(rack: Rack) -> bool:
    return rack.state != STOPPED and not rack.silent


def _deadline_ms(rack: Rack, duty: Duty) -> int:
    return rack.heard_ms + (duty.gone_after_ms if rack.state == GONE else duty.silent_after_ms)


def _ended(name: str, rack: Rack, at_ms: int) -> list[Word]:
    ended = []
    if rack.silent:
        ended.append(_word(name, RACK_SILENT, Priority.CRITICAL, at_ms, rack.heard_ms, ended=True))
    if rack.state == STOPPED:
        ended.append(_word(name, RACK_STOPPED, Priority.LOW, at_ms, rack.heard_ms, ended=True))
    return ended


def _word(
    rack: str, condition: str, priority: Priority, at_ms: int, since_ms: int, *, ended: bool = False
) -> Word:
    state = State.NORMAL if ended else State.UNACKNOWLEDGED
    trigger = Trigger.RETURNED if ended else Trigger.RAISED
    event = AlarmEvent(0, at_ms, "", "", condition, trigger, state, priority, since_ms, cause=condition)
    return Word(rack, event)
