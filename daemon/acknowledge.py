"""`bellwatch ack`: saying that somebody has seen an alarm, through the journal's request table."""

import threading
import time
from pathlib import Path

from daemon.errors import RequestError
from daemon.journal import Journal

ANSWER_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.05


def acknowledge(journal_path: Path, alarm: str, who: str, within_s: float = ANSWER_WITHIN_S) -> None:
    """Ask the daemon to acknowledge `alarm` and wait for its answer; raise RequestError if it does not.

    The request stays in the journal: a daemon that is down now takes it up when it starts.
    """
    if not journal_path.exists():
        raise RequestError(f"journal {journal_path}: no such file; is this the daemon's settings file?")
    journal = Journal(journal_path, writable=True)
    try:
        request = journal.ask("acknowledge", who, {"alarm": alarm})
        deadline = time.monotonic() + within_s
        while (refusal := journal.answer_to(request)) is None:
            if time.monotonic() > deadline:
                raise RequestError(
                    f"{alarm}: no answer from the daemon in {within_s:.0f} s; it takes this up when it runs"
                )
            threading.Event().wait(_LOOK_EVERY_S)
    finally:
        journal.close()
    if refusal:
        raise RequestError(refusal)
