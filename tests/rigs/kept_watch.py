"""The real watch in a thread over a journal: it has taken readings in, and now answers requests."""

import threading
from contextlib import contextmanager

from daemon.check.load import load_settings
from daemon.journal.journal import Journal
from tests.rigs.nights.recorded_nights import quiet, watch_of

PATIENCE_S = 30.0
LOOK_EVERY_S = 0.01


@contextmanager
def answering(settings_file, readings, *, now_ms=None):
    """Take `readings` in as one turn, then answer until the block ends, at the time of the last of them."""
    ready, stop, crash = threading.Event(), threading.Event(), []

    def body():
        try:
            quiet()
            settings = load_settings(settings_file)
            journal = Journal(settings.journal.path, writable=True)
            watch = watch_of(journal, settings, readings[0].time_ms)
            clock_ms = now_ms or readings[-1].time_ms
            watch.take(readings, clock_ms)
            while not stop.is_set():
                watch.take([], clock_ms)
                ready.set()
                stop.wait(LOOK_EVERY_S)
            watch.stop()
            journal.close()
        except BaseException as error:
            crash.append(error)
            ready.set()
            raise

    thread = threading.Thread(target=body, name="watch under test")
    thread.start()
    try:
        assert ready.wait(PATIENCE_S), "the watch does not get ready"
        yield
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        if crash:
            raise crash[0]
