"""The daemon in a thread of the test, under a clock of the test's own; built as `bellwatch run` builds it."""

import threading
from contextlib import contextmanager

from daemon.wiring import build

PATIENCE_S = 60.0


@contextmanager
def running_daemon(settings, clock):
    """Run the daemon until the block ends; what ended it early is raised at the end."""
    stop = threading.Event()
    crash = []

    def body():
        try:
            build(settings, clock).run(stop)
        except BaseException as error:
            crash.append(error)
            raise

    thread = threading.Thread(target=body, name="daemon under test")
    thread.start()
    try:
        yield thread
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), "the daemon does not stop"
        if crash:
            raise crash[0]
