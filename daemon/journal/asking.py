"""Asking the daemon to do something, through the journal's request table, and waiting for its answer.

This is the one way in for people and for the broker's commands alike: what was asked is journaled
with who asked it, and a request that the daemon cannot take up now stays until it runs.
"""

import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daemon.errors import RequestError
from daemon.journal.journal import Journal

ANSWER_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.05


def ask_daemon(
    journal_path: Path, kind: str, body: Mapping[str, Any], who: str, within_s: float = ANSWER_WITHIN_S
) -> None:
    """Ask for an action (`rules.deeds.DEEDS`); raise RequestError where it is refused or not answered."""
    if not journal_path.exists():
        raise RequestError(f"journal {journal_path}: no such file; is this the daemon's settings file?")
    journal = Journal(journal_path, writable=True)
    try:
        request = journal.ask(kind, who, dict(body))
        deadline = time.monotonic() + within_s
        while (refusal := journal.answer_to(request)) is None:
            if time.monotonic() > deadline:
                raise RequestError(
                    f"{kind}: no answer from the daemon in {within_s:.0f} s; it takes this up when it runs"
                )
            threading.Event().wait(_LOOK_EVERY_S)
    finally:
        journal.close()
    if refusal:
        raise RequestError(refusal)
