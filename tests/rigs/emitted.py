"""Runs the body of a driver in a thread and keeps what it emits."""

import threading
import time
from contextlib import contextmanager

from drivers.readings import Reading, Trouble

PATIENCE_S = 20.0


class Emitted:
    """A list that a driver appends to from its thread, with a bounded wait for what is expected."""

    def __init__(self):
        self._items = []
        self._changed = threading.Condition()

    def __call__(self, item):
        with self._changed:
            self._items.append(item)
            self._changed.notify_all()

    @property
    def items(self):
        with self._changed:
            return list(self._items)

    @property
    def readings(self):
        return [item for item in self.items if isinstance(item, Reading)]

    @property
    def troubles(self):
        return [item for item in self.items if isinstance(item, Trouble)]

    def values(self, quantity, probe=None):
        return [r.value for r in self.readings if r.quantity == quantity and probe in (None, r.probe)]

    def kinds(self, probe=None):
        return [t.kind for t in self.troubles if probe in (None, t.probe)]

    def wait_for(self, condition, patience_s=PATIENCE_S):
        """Wait until `condition(self)` holds; fail with all that was emitted when it never does."""
        until = time.monotonic() + patience_s
        with self._changed:
            while not condition(self):
                left = until - time.monotonic()
                assert left > 0, f"never came; the last of {len(self._items)} emitted: {self._items[-8:]}"
                self._changed.wait(left)


@contextmanager
def running(driver):
    """Run `driver.run` in a thread; on the way out stop it, and raise what it raised."""
    stop = threading.Event()
    raised = []

    def body():
        try:
            driver.run(stop)
        except BaseException as error:
            raised.append(error)

    thread = threading.Thread(target=body, name="driver under test")
    thread.start()
    try:
        yield thread
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), "the driver does not stop"
    if raised:
        raise raised[0]
