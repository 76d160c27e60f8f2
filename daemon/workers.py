"""Processes of this machine that compute for another one of ours, and end with it however it ends."""

import multiprocessing
import os
import signal
import threading
from concurrent.futures import ProcessPoolExecutor


def processes(workers: int | None = None) -> ProcessPoolExecutor:
    """Return processes on this machine, as many as it has cores where no number is given."""
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _begin)


def _begin() -> None:
    """Leave interrupts to the parent, and end with it: a pool waits for a killed one for ever."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    if (parent := multiprocessing.parent_process()) is not None:
        parent.join()
        os._exit(1)
