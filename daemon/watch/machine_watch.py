"""What is wrong below the watch, told to people: room on the disk, the file of the journal, the clock.

The log tells nobody. What is said here is a notice: every screen shows it for a week, the next digest
names it, and of those that cannot wait the on-call process calls (`rules.calling.racks.signs.CALLS_FOR`).
"""

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field

from daemon.broker.notices import DAY_MS, Notices
from daemon.journal.repair import BALLAST_BYTES, JournalRepair
from daemon.machine import MACHINE, Machine, MachineReading, machine_readings
from daemon.watch.timekeeper import GivenTime, TimeKeeper
from daemon.words import iso_time
from rules.calling.records import DISK_FULL

DISK_FILLS, CLOCK_LEFT, CLOCK_SET = "disk fills", "clock left alone", "clock set"
LOOK_EVERY_MS, KEEP_EVERY_MS, MACHINE_EVERY_MS = 10_000, 3_600_000, 300_000
FULL_AGAIN_MS = 300_000
LITTLE_ROOM_BYTES = 16 * BALLAST_BYTES
DAYS_OF_ROOM = 2
"""Told when the room is for fewer days than that, as it went within the last day (project judgement)."""
_NOTE = "room"


@dataclass(slots=True)
class _Room:
    """Hour by hour of the last day: the moment of the axis, and how many bytes were free on the disk."""

    free: dict[int, int] = field(default_factory=dict)


class MachineWatch:
    """A chore of the service."""

    def __init__(
        self,
        notices: Notices,
        repair: JournalRepair,
        keeper: TimeKeeper | GivenTime,
        machine: Callable[[], list[MachineReading]] = machine_readings,
    ) -> None:
        self._machine = machine
        self._notices = notices
        self._repair = repair
        self._keeper = keeper
        self._room = notices.journal.state.record(_NOTE, _Room())
        self._due_ms = self._machine_due_ms = 0
        self._unwell: list[str] = []

    def step(self, now_ms: int) -> None:
        """Say what was done to the journal's file; now and then look at disk and clock."""
        for kind, details in list(self._repair.done.items()):
            self._notices.say(kind, details, now_ms)
            del self._repair.done[kind]
        if now_ms >= self._due_ms:
            self._look_at_disk(now_ms)
            self._look_at_clock(now_ms)
            self._look_at_machine(now_ms)
            self._due_ms = now_ms + LOOK_EVERY_MS

    def _look_at_disk(self, now_ms: int) -> None:
        journal, room = self._notices.journal, self._room.free
        try:
            free = shutil.disk_usage(journal.path.parent).free
        except OSError:  # its folder is gone, or the disk fails: the journal's repair tells of that
            return
        gone = max([*room.values(), free]) - free
        said = {"free_mb": round(free / 1e6, 1), "gone_mb": round(gone / 1e6, 1)}
        if free < BALLAST_BYTES:
            self._notices.say_lasting(DISK_FULL, said, now_ms, FULL_AGAIN_MS)
        elif free < max(LITTLE_ROOM_BYTES, DAYS_OF_ROOM * gone):
            self._notices.say_lasting(DISK_FILLS, said, now_ms)
        if now_ms - max(room, default=0) >= KEEP_EVERY_MS:
            self._room = _Room(
                {at_ms: it for at_ms, it in room.items() if at_ms > now_ms - DAY_MS} | {now_ms: free}
            )
            with journal.transaction():
                journal.state.keep_record(_NOTE, self._room)

    def _look_at_machine(self, now_ms: int) -> None:
        readings = self._machine()
        unwell = [reading.kind for reading in readings if not reading.is_well]
        if now_ms >= self._machine_due_ms or unwell != self._unwell:
            with self._notices.journal.transaction():
                self._notices.journal.state.keep_record(MACHINE, Machine(readings))
            self._machine_due_ms, self._unwell = now_ms + MACHINE_EVERY_MS, unwell
        for reading in readings:
            if not reading.is_well:
                said = {"value": reading.value, "unit": reading.unit, "what_to_do": reading.what_to_do}
                self._notices.say_lasting(reading.kind, said, now_ms)

    def _look_at_clock(self, now_ms: int) -> None:
        keeper = self._keeper
        if keeper.set_by_ms:
            self._notices.say(CLOCK_SET, {"by_s": round(keeper.set_by_ms / 1000)}, now_ms)
            keeper.set_by_ms = 0
        if keeper.left_alone_ms is not None:
            since = iso_time(keeper.dating.utc_ms(keeper.left_alone_ms))
            self._notices.say_lasting(CLOCK_LEFT, {"since": since}, now_ms)
