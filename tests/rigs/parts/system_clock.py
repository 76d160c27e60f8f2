"""A clock for driver tests: UTC milliseconds that never run backwards, waiting as told."""

import threading
import time


class SystemClock:
    """The machine's time, taken once and carried on by the monotonic clock, `scale` times as fast."""

    def __init__(self, scale=1):
        self._began_s, self._monotonic_s, self._scale = time.time(), time.monotonic(), scale

    def now_ms(self):
        return int((self._began_s + (time.monotonic() - self._monotonic_s) * self._scale) * 1000)

    def wait(self, stop: threading.Event, until_ms):
        return stop.wait(max(until_ms - self.now_ms(), 0) / 1000 / self._scale)
