"""What a driver is, and what it hands on: a raw reading, or the trouble that it had instead."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

RAW_BYTES_KEPT = 256

# What others are computed from comes first: conductivity needs temperature to become salinity,
# oxygen needs both and the air pressure to become saturation.
_EMISSION_RANKS = {"temperature": 0, "air_pressure": 1, "conductivity": 2, "salinity": 2}


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value, in the unit of its quantity, at `time_ms` (UTC milliseconds)."""

    probe: str
    quantity: str
    value: float
    time_ms: int


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that went wrong on a bus: `text` is one line for the log, `raw` the bytes at fault.

    `kind` is that of an error in `drivers/errors.py`.
    """

    bus: str
    probe: str | None
    kind: str
    text: str
    raw: bytes
    time_ms: int

    def __post_init__(self) -> None:
        object.__setattr__(self, "raw", self.raw[:RAW_BYTES_KEPT])


def emission_rank(quantity: str) -> int:
    """Return a sort key: readings of one moment are emitted in the order in which they are needed."""
    return _EMISSION_RANKS.get(quantity, 3)


Emit = Callable[[Reading | Trouble], None]


class Clock(Protocol):
    """Where a driver takes its time from; a demonstration passes one that runs faster."""

    def now_ms(self) -> int:
        """Return UTC milliseconds that never run backwards."""
        ...

    def wait(self, stop: threading.Event, until_ms: int) -> bool:
        """Sleep until `now_ms()` reaches `until_ms`; return True at once when `stop` is set."""
        ...


class Bus(Protocol):
    """What a driver offers: the body of one thread."""

    def run(self, stop: threading.Event) -> None:
        """Read probes until `stop` is set."""
        ...
