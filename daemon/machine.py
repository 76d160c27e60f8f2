"""What the machine says of itself: supply, temperature, memory, wear of its card; each with its limit.

What a machine does not say, it has no reading of: only a Raspberry Pi tells of its supply, only eMMC of its
wear (an SD card keeps that to itself).
"""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from glob import glob
from pathlib import Path

LOW_SUPPLY, HOT, SHORT_OF_MEMORY, WORN = "supply voltage low", "machine hot", "memory short", "card worn"
MACHINE = "machine"
"""The note under which the journal keeps what the machine said last; and the machine's name as a probe."""
SERIES = {
    "machine_under_voltage": "",
    "machine_temperature": "°C",
    "machine_memory_free": "MB",
    "machine_card_wear": "%",
    "machine_disk_free": "MB",
    "machine_clock_set": "",
}
"""What that probe measures, each with its unit; under-voltage (since the start) and the clock are 1 or 0."""


@dataclass(frozen=True, slots=True)
class MachineReading:
    """`kind` is the notice where the value is beyond its limit; `at_most` says on which side that is."""

    kind: str
    name: str
    value: float
    unit: str
    limit: float
    at_most: bool
    what_to_do: str

    @property
    def is_well(self) -> bool:
        """Return whether the value is within its limit."""
        return self.value <= self.limit if self.at_most else self.value >= self.limit

    def __str__(self) -> str:
        side = "at most" if self.at_most else "at least"
        text = f"{self.name} {self.value:g} {self.unit}, {side} {self.limit:g}"
        return text if self.is_well else f"{text}: {self.what_to_do}"


@dataclass(slots=True)
class Machine:
    """What the watch noted of its machine last, within five minutes while it runs."""

    readings: list[MachineReading] = field(default_factory=list)


def machine_readings(root: Path = Path("/")) -> list[MachineReading]:
    """Return what the machine below `root` says of itself."""
    found: list[MachineReading] = []
    for read in (_supply, _temperature, _memory, _wear):
        with suppress(OSError, ValueError, IndexError):  # this kernel says it otherwise, or not at all
            found += read(root)
    return found


def _supply(root: Path) -> Iterator[MachineReading]:
    """By the firmware: bit 0 now, bit 16 since it was started (Raspberry Pi documentation, from memory)."""
    now, since = False, None
    for name in _found(root, "sys/class/hwmon/hwmon*/name"):
        if name.read_text().strip() == "rpi_volt":
            now, since = name.with_name("in0_lcrit_alarm").read_text().strip() == "1", False
    for word in _found(root, "sys/devices/platform/soc*/*firmware/get_throttled"):
        bits = int(word.read_text(), 16)
        now, since = now or bool(bits & 1), bool(bits & 1 << 16)
    if since is not None:
        advice = "use the supply made for this Pi and a short cable; under it the card and USB adapters fail"
        yield MachineReading(
            LOW_SUPPLY, "under-voltage", float(now or since), "(1: since the start)", 0, True, advice
        )


def _temperature(root: Path) -> Iterator[MachineReading]:
    """A Pi slows down from 80 °C (Raspberry Pi documentation, from memory)."""
    zone = root / "sys/class/thermal/thermal_zone0/temp"
    value = round(int(zone.read_text()) / 1000, 1)
    yield MachineReading(
        HOT, "temperature", value, "°C", 80, True, "give it air, keep it out of the lamps' heat"
    )


def _memory(root: Path) -> Iterator[MachineReading]:
    advice = "see what else runs here (ps aux --sort -rss), or take a machine with more"
    for line in (root / "proc/meminfo").read_text().splitlines():
        if line.startswith("MemAvailable:"):
            free = round(int(line.split()[1]) * 1024 / 1e6)  # its kB are of 1024 bytes: proc_meminfo(5)
            yield MachineReading(SHORT_OF_MEMORY, "memory free", free, "MB", 64, False, advice)


def _wear(root: Path) -> Iterator[MachineReading]:
    """In tenths of its life, the worse of two kinds of cell (JEDEC eMMC 5.0, from memory; 0 says nothing)."""
    for card in _found(root, "sys/block/mmcblk*/device/life_time"):
        used = max(int(part, 16) for part in card.read_text().split())
        if used:
            advice = "copy it to a new one: bellwatch backup, then restore there"
            yield MachineReading(WORN, f"wear of {card.parts[-3]}", 10.0 * used, "%", 80, True, advice)


def _found(root: Path, pattern: str) -> list[Path]:
    """Return what is there by a pattern; that of Path looks at all else in a folder, too, each time."""
    return sorted(map(Path, glob(f"{root}/{pattern}")))  # noqa: PTH207
