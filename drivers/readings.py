"""What a driver is, and what it hands on: a raw reading, or the trouble that it had instead."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

RAW_BYTES_KEPT = 256
# So many messages of a bus may wait for their commit; then its broker sends no more.
RECEIPTS_OPEN = 2_000

# What others are computed from comes first: conductivity needs temperature to become salinity,
# oxygen needs both and the air pressure to become saturation. Whether an answer is new is known before all.
_EMISSION_RANKS = {"fresh": -1, "temperature": 0, "air_pressure": 1, "conductivity": 2, "salinity": 2}


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


@dataclass(frozen=True, slots=True)
class Waited:
    """A message that had waited at the broker and does not say when it was measured: kept, never judged."""

    probe: str
    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Receipt:
    """Stands behind all that one message brought; `confirm` is called once that is committed."""

    confirm: Callable[[], None]


def emission_rank(quantity: str) -> int:
    """Return a sort key: readings of one moment are emitted in the order in which they are needed."""
    return _EMISSION_RANKS.get(quantity, 3)


Emitted = Reading | Trouble | Waited | Receipt
Emit = Callable[[Emitted], None]


class Clock(Protocol):
    """Where a driver takes its time from; a demonstration passes one that runs faster."""

    def now_ms(self) -> int:
        """Return UTC milliseconds that never run backwards."""
        ...

    def wait(self, stop: threading.Event, until_ms: int) -> bool:
        """Sleep until `now_ms()` reaches `until_ms`; return True at once when `stop` is set."""
        ...


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a bus is told of the rack: its clock (the journal's axis), how UTC and the axis become each
    other, and the topic and the id under which it is known.
    """

    clock: Clock
    utc_ms: Callable[[int], int]
    axis_ms: Callable[[int], int]
    topic: str
    id: str


class Bus(Protocol):
    """What a driver offers: the body of one thread."""

    def run(self, stop: threading.Event) -> None:
        """Read probes until `stop` is set."""
        ...
