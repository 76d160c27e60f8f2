"""Signs of life: whether racks are heard, whether the broker is, and when silence becomes a problem.

A dead rack cannot call for help, so its silence is an alarm in itself. While the broker cannot be
reached no rack can be heard: then the broker is the problem, and no rack is blamed.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from rules.alarms.life_cycle import Priority
from rules.calling.reports import BROKER_LOST, RACK_SILENT, RACK_STOPPED, Report

WATCHING, STOPPED, GONE = "watching", "stopped", "gone"
EVERY_RACK = "broker"
"""Stands for all racks in the one report that is about none of them: a rack cannot be silent then."""


@dataclass(slots=True)
class Rack:
    """`heard_ms` is the last sign of life, or when listening began; `silent` whether that was told."""

    state: str
    heard_ms: int
    silent: bool = False


class RackSigns:
    """Keeps when each rack was last heard; `raise`s and ends reports of silence.

    `gone_after_ms`, `silent_after_ms` and `link_lost_after_ms` are those of `rules.calling.duty.Duty`.
    """

    def __init__(
        self, gone_after_ms: int, silent_after_ms: int, link_lost_after_ms: int, start_ms: int
    ) -> None:
        self._gone_after_ms = gone_after_ms
        self._silent_after_ms = silent_after_ms
        self._link_lost_after_ms = link_lost_after_ms
        self._racks: dict[str, Rack] = {}
        self._down_ms: int | None = start_ms
        self._lost_told = False

    def expect(self, racks: Iterable[str], at_ms: int) -> None:
        """Miss these racks even where they were never heard."""
        for rack in racks:
            self._racks.setdefault(rack, Rack(WATCHING, at_ms))

    def heard(self, rack: str, at_ms: int) -> list[Report]:
        """Note a sign of life; return the reports that end with it."""
        known = self._racks.setdefault(rack, Rack(WATCHING, at_ms))
        ended = self._ended(rack, known, at_ms)
        known.state, known.heard_ms, known.silent = WATCHING, at_ms, False
        return ended

    def said(self, rack: str, state: str, at_ms: int, *, kept: bool) -> list[Report]:
        """Note what the rack's watch topic says: watching, stopped or gone.

        A message that the broker had `kept` tells what the rack was, not that it lives now.
        """
        if state == WATCHING and not kept:
            return self.heard(rack, at_ms)
        known = self._racks.setdefault(rack, Rack(state, at_ms))
        if state == STOPPED and known.state != STOPPED:
            ended = self._ended(rack, known, at_ms)
            known.state, known.silent = STOPPED, False
            return [*ended, _report(rack, RACK_STOPPED, Priority.LOW, at_ms, at_ms)]
        if state in (WATCHING, GONE) and known.state != state:
            ended = self._ended(rack, known, at_ms) if known.state == STOPPED else []
            known.state, known.heard_ms = state, at_ms
            return ended
        return []

    def link(self, up: bool, at_ms: int) -> list[Report]:
        """Note whether the broker is reached; once it is, every rack is given its time to be heard."""
        if not up:
            self._down_ms = at_ms if self._down_ms is None else self._down_ms
            return []
        if self._down_ms is None:
            return []
        ended = [_report(EVERY_RACK, BROKER_LOST, Priority.CRITICAL, at_ms, self._down_ms, ended=True)]
        told, self._down_ms, self._lost_told = self._lost_told, None, False
        self._allow_again(at_ms)
        return ended if told else []

    def resume(self, at_ms: int) -> None:
        """Count from `at_ms`: nobody listened before."""
        if self._down_ms is not None:
            self._down_ms = at_ms
        self._allow_again(at_ms)

    def _allow_again(self, at_ms: int) -> None:
        for rack in self._racks.values():
            if not rack.silent:
                rack.heard_ms = max(rack.heard_ms, at_ms)

    def due_ms(self) -> int | None:
        """Return when the next silence becomes a problem, if nothing is heard before."""
        if self._down_ms is not None:
            return None if self._lost_told else self._down_ms + self._link_lost_after_ms
        waiting = [self._deadline_ms(rack) for rack in self._racks.values() if self._can_fall_silent(rack)]
        return min(waiting, default=None)

    def fall_silent(self, at_ms: int) -> list[Report]:
        """Return reports of what has been silent for too long at `at_ms`."""
        if self._down_ms is not None:
            if self._lost_told or at_ms < self._down_ms + self._link_lost_after_ms:
                return []
            self._lost_told = True
            return [_report(EVERY_RACK, BROKER_LOST, Priority.CRITICAL, at_ms, self._down_ms)]
        silent = []
        for name in sorted(self._racks):
            rack = self._racks[name]
            if self._can_fall_silent(rack) and at_ms >= self._deadline_ms(rack):
                rack.silent = True
                silent.append(_report(name, RACK_SILENT, Priority.CRITICAL, at_ms, rack.heard_ms))
        return silent

    def _can_fall_silent(self, rack: Rack) -> bool:
        return rack.state != STOPPED and not rack.silent

    def _deadline_ms(self, rack: Rack) -> int:
        return rack.heard_ms + (self._gone_after_ms if rack.state == GONE else self._silent_after_ms)

    def _ended(self, name: str, rack: Rack, at_ms: int) -> list[Report]:
        ended = []
        if rack.silent:
            ended.append(_report(name, RACK_SILENT, Priority.CRITICAL, at_ms, rack.heard_ms, ended=True))
        if rack.state == STOPPED:
            ended.append(_report(name, RACK_STOPPED, Priority.LOW, at_ms, rack.heard_ms, ended=True))
        return ended

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values for the snapshot; `take_json` is the inverse."""
        racks = {name: [rack.state, rack.heard_ms, rack.silent] for name, rack in self._racks.items()}
        return {"racks": racks, "down_ms": self._down_ms, "lost_told": self._lost_told}

    def take_json(self, data: dict[str, Any]) -> None:
        """Go on from what `to_json` wrote down."""
        self._racks = {name: Rack(*rack) for name, rack in data["racks"].items()}
        self._down_ms, self._lost_told = data["down_ms"], data["lost_told"]


def _report(
    rack: str, condition: str, priority: Priority, at_ms: int, since_ms: int, *, ended: bool = False
) -> Report:
    state = "normal" if ended else "unacknowledged"
    trigger = "returned" if ended else "raised"
    return Report(rack, condition, "", "", condition, trigger, state, priority, at_ms, since_ms)
