"""A clock for driver tests: UTC milliseconds that never run backwards, waiting as told."""

import threading
import time


class SystemClock:
    """The machine's time, taken once and carried on by the monotonic clock."""

    def __init__(self):
        self._ahead_s = time.time() - time.monotonic()

    def now_ms(self):
        return int((time.monotonic() + self._ahead_s) * 1000)

    def wait(self, stop: threading.Event, until_ms):
        return stop.wait(max(until_ms - self.now_ms(), 0) / 1000)
