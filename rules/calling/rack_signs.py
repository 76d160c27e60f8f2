"""Signs of life: whether racks are heard, whether the broker is, and when silence becomes a problem.

A dead rack cannot call for help, so its silence is an alarm in itself. While the broker cannot be
reached no rack can be heard: then the broker is the problem, and no rack is blamed.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Priority, State, Trigger
from rules.calling.duty import Duty
from rules.calling.records import BROKER_LOST, RACK_SILENT, RACK_STOPPED, Word

WATCHING, STOPPED, GONE = "watching", "stopped", "gone"
EVERY_RACK = "broker"
"""Stands for all racks in the one word that is about none of them: a rack cannot be silent then."""


@dataclass(slots=True)
class Rack:
    """`heard_ms` is the last sign of life, or when listening began; `silent` whether that was told."""

    state: str
    heard_ms: int
    silent: bool = False


@dataclass(slots=True)
class RackSigns:
    """When each rack was last heard, since when the broker is not reached (None: it is), if that was told.

    What comes back are words of silence that begins or is over.
    """

    down_ms: int | None
    racks: dict[str, Rack] = field(default_factory=dict)
    lost_told: bool = False

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
        return min(waiting, default=None)

    def fall_silent(self, at_ms: int, duty: Duty) -> list[Word]:
        """Return words on what has been silent for too long at `at_ms`."""
        if self.down_ms is not None:
            if self.lost_told or at_ms < self.down_ms + duty.link_lost_after_ms:
                return []
            self.lost_told = True
            return [_word(EVERY_RACK, BROKER_LOST, Priority.CRITICAL, at_ms, self.down_ms)]
        silent = []
        for name in sorted(self.racks):
            rack = self.racks[name]
            if _can_fall_silent(rack) and at_ms >= _deadline_ms(rack, duty):
                rack.silent = True
                silent.append(_word(name, RACK_SILENT, Priority.CRITICAL, at_ms, rack.heard_ms))
        return silent


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
