"""The system's clock, and whether anything has synchronised it since the machine started."""

import ctypes
import time
import uuid
from pathlib import Path
from typing import Protocol

from daemon.clock import SYNCHRONISED_MARK

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")

_LIBC = ctypes.CDLL(None)
_STA_UNSYNC = 0x0040  # adjtimex(2)
_TIMEX = ctypes.create_string_buffer(512)  # more than struct timex has on any architecture
_STATUS_OFFSET = {8: 40, 4: 20}
"""Where struct timex holds `status`, by the size of a long: after modes, offset, freq, maxerror, esterror."""
_STATUS = ctypes.c_int.from_buffer(_TIMEX, _STATUS_OFFSET[ctypes.sizeof(ctypes.c_long)])


class WallClock(Protocol):
    """Where the daemon learns what time it is; the tests pass one of their own."""

    def utc_ms(self) -> int:
        """Return what the system believes, in UTC milliseconds."""
        ...

    def is_synchronised(self) -> bool:
        """Return whether that can be trusted."""
        ...

    def boot_id(self) -> str:
        """Return a name for this start of the machine; the monotonic clock counts from there."""
        ...


class SystemWallClock:
    """The clock of this machine; `trusted` says that it is right without synchronisation."""

    def __init__(self, *, trusted: bool) -> None:
        self._trusted = trusted
        self._boot_id = BOOT_ID.read_text().strip() if BOOT_ID.exists() else uuid.uuid4().hex

    def utc_ms(self) -> int:
        """Return what the system believes, in UTC milliseconds."""
        return int(time.time() * 1000)

    def is_synchronised(self) -> bool:
        """Return whether a time service looks after the clock, or it is trusted without.

        The mark says that it once did; the kernel, where we may ask it, that it does.
        """
        says = kernel_says_synchronised()
        return self._trusted or (SYNCHRONISED_MARK.exists() if says is None else says)

    def boot_id(self) -> str:
        """Return the kernel's name for this start of the machine."""
        return self._boot_id


def kernel_says_synchronised() -> bool | None:
    """Return whether the kernel's clock is under the discipline of a time service (adjtimex, read only).

    None where it does not let us ask.
    """
    if _LIBC.adjtimex(_TIMEX) == -1:  # modes = 0: nothing is set
        return None
    return not _STATUS.value & _STA_UNSYNC
