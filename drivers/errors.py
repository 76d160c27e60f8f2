"""What can go wrong between a probe and us, and whose fault it is.

DriverError
├── SetupError               the settings ask for something that cannot be     (whoever installs it)
└── ProbeError               becomes a Trouble of the class's `kind`
    ├── NoAnswerError        "timeout"   nothing came back in time             (probe, cable, address)
    ├── GarbledAnswerError   "garbled"   a frame that cannot be trusted        (cable, two probes at once)
    ├── RefusedError         "refused"   understood, and turned down           (probe or broker)
    │   └── NoSuchRegisterError          ... since it has no such register     (probe or settings)
    ├── LateAnswerError      "late"      bytes that no open question is for     (probe, cable, timeout_ms)
    ├── SlowAnswerError      "slow"      in time, but only just                 (probe, timeout_ms)
    ├── PortLostError        "port"      the serial port or broker is not there
    ├── StaleReadingError    "stale"     right, but not about now              (probe's clock, old message)
    └── PayloadError         "payload"   arrived whole, holds no usable value  (probe or settings)
"""

from typing import ClassVar


class DriverError(Exception):
    """Anything that the drivers raise on purpose."""


class SetupError(DriverError, ValueError):
    """The settings describe a probe or bus that cannot exist; the text says what would be right."""


class ProbeError(DriverError):
    """One failed attempt to get a reading: one line for the log, and the bytes at fault."""

    kind: ClassVar[str]

    def __init__(self, text: str, raw: bytes = b"") -> None:
        super().__init__(text)
        self.raw = raw

    def __init_subclass__(cls, kind: str = "") -> None:
        cls.kind = kind or cls.kind


class NoAnswerError(ProbeError, kind="timeout"):
    """Nothing came back in time."""


class GarbledAnswerError(ProbeError, kind="garbled"):
    """Bytes came back that cannot be trusted."""


class RefusedError(ProbeError, kind="refused"):
    """The other side understood and turned the request down."""


class NoSuchRegisterError(RefusedError):
    """The probe has not all of the registers that it was asked for."""


class LateAnswerError(ProbeError, kind="late"):
    """Bytes came that no open question is for."""


class SlowAnswerError(ProbeError, kind="slow"):
    """An answer came in time, but only just."""


class PortLostError(ProbeError, kind="port"):
    """The serial port or the broker is not there, or no longer."""


class StaleReadingError(ProbeError, kind="stale"):
    """A value of another time than now."""


class PayloadError(ProbeError, kind="payload"):
    """A message or register arrived whole but holds no usable value."""
