"""The machine as a probe: rack-wide readings of what carries the watch, in the journal beside the water.

No stage has a limit on them and the rules pass them over; what is beyond its limit `MachineWatch` tells.
"""

import shutil
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from daemon.machine import HOT, LOW_SUPPLY, MACHINE, SHORT_OF_MEMORY, WORN, machine_readings
from drivers.readings import Clock, Emit, Reading

READ_EVERY_MS = 300_000
_SERIES = {
    LOW_SUPPLY: "machine_under_voltage",
    HOT: "machine_temperature",
    SHORT_OF_MEMORY: "machine_memory_free",
    WORN: "machine_card_wear",
}
_ROOM, _CLOCK = "machine_disk_free", "machine_clock_set"
SERIES = (*_SERIES.values(), _ROOM, _CLOCK)
"""In °C, MB and %; under-voltage (since the start) and the clock are 1 or 0."""


def machine_series(folder: Path, *, synchronised: bool, root: Path = Path("/")) -> dict[str, float]:
    """Return what the machine below `root` says of itself by series, and the room on the disk of `folder`."""
    worst_last = sorted(machine_readings(root), key=lambda it: it.value)  # of two cards the more worn
    found = {_SERIES[it.kind]: it.value for it in worst_last} | {_CLOCK: float(synchronised)}
    with suppress(OSError):  # it is gone this moment, or the disk fails: the journal's repair tells of that
        found[_ROOM] = round(shutil.disk_usage(folder).free / 1e6, 1)
    return found


class MachineProbe:
    """A bus of one probe, which has no wire; `says` returns its series."""

    def __init__(self, says: Callable[[], dict[str, float]], clock: Clock, emit: Emit) -> None:
        self._says, self._clock, self._emit = says, clock, emit

    def run(self, stop: threading.Event) -> None:
        """Read the machine now and then until `stop` is set."""
        while not self._clock.wait(stop, self._clock.now_ms() + READ_EVERY_MS):
            now_ms = self._clock.now_ms()
            for name, value in self._says().items():
                self._emit(Reading(MACHINE, name, value, now_ms))
