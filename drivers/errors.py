"""What can go wrong between a probe and us, and, in brackets, whose fault it is.

A ProbeError becomes a Trouble of its class's `kind`.
"""

from typing import ClassVar, Self

# An answer that takes more of the time-out than this is told as slow. Common practice, no source.
SLOW_SHARE = 0.7


class DriverError(Exception):
    """Anything that the drivers raise on purpose."""


class SetupError(DriverError, ValueError):
    """The settings ask for something that cannot be (whoever installs it); the text says what would."""


class ProbeError(DriverError):
    """One failed attempt to get a reading: one line for the log, and the bytes at fault."""

    kind: ClassVar[str]

    def __init__(self, text: str, raw: bytes = b"") -> None:
        super().__init__(text)
        self.raw = raw

    def __init_subclass__(cls, kind: str = "") -> None:
        cls.kind = kind or cls.kind


class NoAnswerError(ProbeError, kind="timeout"):
    """Nothing came back in time (probe, cable, address)."""


class GarbledAnswerError(ProbeError, kind="garbled"):
    """Bytes came back that cannot be trusted (cable, two probes at once)."""


class RefusedError(ProbeError, kind="refused"):
    """The other side understood and turned the request down (probe or broker)."""


class NoSuchRegisterError(RefusedError):
    """The probe has not all of the registers that it was asked for (probe or settings)."""


class LateAnswerError(ProbeError, kind="late"):
    """Bytes came that no open question is for (probe, cable, timeout_ms)."""


class SlowAnswerError(ProbeError, kind="slow"):
    """An answer came in time, but only just (probe, timeout_ms)."""

    @classmethod
    def near(cls, taken_s: float, timeout_ms: int | None) -> Self | None:
        """Return what to say of an answer that took so long; None where there was time left."""
        taken_ms = round(1000 * taken_s)
        if timeout_ms is None or taken_ms <= SLOW_SHARE * timeout_ms:
            return None
        what = f"answers after {taken_ms} ms, near the {timeout_ms} ms of timeout_ms"
        return cls(f"{what}; set it to {2 * taken_ms} or more")


class PortLostError(ProbeError, kind="port"):
    """The serial port or the broker is not there, or no longer."""


class StaleReadingError(ProbeError, kind="stale"):
    """A value of another time than now (probe's clock, old message)."""


class PayloadError(ProbeError, kind="payload"):
    """A message or register arrived whole but holds no usable value (probe or settings)."""
