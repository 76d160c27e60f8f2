"""What the simulator says, line by line on stdout, and the three ways in which it is ended."""

import json
import os
import select
import signal
import sys
from types import FrameType


def tell(record: dict[str, object]) -> None:
    """Writes one JSON line to stdout at once."""
    print(json.dumps(record), flush=True)


class EndSignals:
    """Ends on SIGTERM, SIGINT or the end of stdin, so that the process never outlives its parent."""

    def __init__(self) -> None:
        self._wake_read, self._wake_write = os.pipe()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_signal)

    def wait(self, seconds: float | None) -> bool:
        """Waits at most so long (None: for ever); True when the process is to end."""
        inputs = [self._wake_read, sys.stdin.fileno()]
        ready, _, _ = select.select(inputs, [], [], seconds)
        if self._wake_read in ready:
            return True
        return sys.stdin.fileno() in ready and os.read(sys.stdin.fileno(), 4096) == b""

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        os.write(self._wake_write, b".")
