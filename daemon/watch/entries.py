"""What is asked back before an entry goes into the logbook: it corrects none, or somebody wrote the same."""

from typing import Any

from daemon.journal.history import Entry, History
from daemon.journal.logbook import HAND, roots_of

SAME_WITHIN_MS = 600_000
"""Two people who write down the same within so long mean the same deed, as a rule (project judgement)."""


def unfit_entry(history: History, asked: tuple[str, str, dict[str, Any]], at_ms: int) -> str:
    """Say why what is asked (kind, who, body) is not written down so; empty where it is."""
    kind, who, body = asked
    vessel, what = str(body.get("vessel")), str(body.get("what") if kind == "log" else HAND)
    if kind not in ("log", HAND):
        return ""
    if "corrects" in body:
        if _corrects(history.logbook((vessel,), (what,)), body):
            return ""
        return f"corrects: {vessel} has no {what} {body['corrects']}; `bellwatch log {vessel}` shows numbers"
    if body.get("another") is True:
        return ""
    said = [body.get(key) for key in ("value", "quantity")]
    for entry in history.logbook((vessel,), (what,), between=(at_ms - SAME_WITHIN_MS, at_ms)):
        same = [entry.body.get(key) for key in ("value", "quantity")] == said
        if entry.who != who and same and what != "note":
            ago = (at_ms - entry.at_ms) / 60_000
            return f"{entry.who} wrote the same {what} {ago:.0f} min ago; if yours is another, add --another"
    return ""


def _corrects(known: list[Entry], body: dict[str, Any]) -> bool:
    """Return whether an entry of the same kind, and quantity, is put right, at the time when it was made."""
    root = roots_of(known).get(body["corrects"]) if type(body["corrects"]) is int else None
    if root is None:
        return False
    told = body.get("corrects_ms", root.at_ms)
    return (told, body.get("quantity")) == (root.at_ms, root.body.get("quantity"))
