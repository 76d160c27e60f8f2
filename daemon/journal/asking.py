"""Asking the daemon to do something, through the journal's request table, and waiting for its answer.

This is the one way in for people and for the broker's commands alike: what was asked is journaled
with who asked it, and a request that the daemon cannot take up now stays until it runs.
"""

import json
import threading
import time
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from daemon.errors import RequestError
from daemon.journal.schema import open_for_writing

ANSWER_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.05
_ANSWER = "SELECT refusal FROM request WHERE id = ? AND answered_ms IS NOT NULL"


def ask_daemon(
    journal_path: Path, kind: str, body: Mapping[str, Any], who: str, within_s: float = ANSWER_WITHIN_S
) -> None:
    """Ask for an action (`rules.deeds.DEEDS`); raise RequestError where it is refused or not answered."""
    if not journal_path.exists():
        raise RequestError(f"journal {journal_path}: no such file; is this the daemon's settings file?")
    with closing(open_for_writing(journal_path)) as db:
        asked = (kind, who, json.dumps(body))
        request = db.execute("INSERT INTO request (kind, who, body) VALUES (?, ?, ?)", asked).lastrowid
        deadline = time.monotonic() + within_s
        while (answer := db.execute(_ANSWER, (request,)).fetchone()) is None:
            if time.monotonic() > deadline:
                raise RequestError(
                    f"{kind}: no answer from the daemon in {within_s:.0f} s; it takes this up when it runs"
                )
            threading.Event().wait(_LOOK_EVERY_S)
    if answer[0]:
        raise RequestError(answer[0])
