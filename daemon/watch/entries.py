"""What is asked back before an entry goes into the logbook: it corrects none, or somebody wrote the same."""

from typing import Any

from daemon.journal.history import History

SAME_WITHIN_MS = 600_000
"""Two people who write down the same within so long mean the same deed, as a rule (project judgement)."""


def unfit_entry(history: History, asked: tuple[str, str, dict[str, Any]], at_ms: int) -> str:
    """Say why what is asked (kind, who, body) is not written down so; empty where it is."""
    kind, who, body = asked
    vessel, what = str(body.get("vessel")), str(body.get("what"))
    if kind != "log" or body.get("another") is True:
        return ""
    if "corrects" in body:
        known = [it.seq for it in history.logbook(vessel, (what,))]
        if body["corrects"] in known and type(body["corrects"]) is int:
            return ""
        return f"corrects: {vessel} has no {what} {body['corrects']}; `bellwatch log {vessel}` shows numbers"
    for entry in history.logbook(vessel, (what,), between=(at_ms - SAME_WITHIN_MS, at_ms)):
        if entry.who != who and entry.body.get("value") == body.get("value") and what != "note":
            ago = (at_ms - entry.at_ms) / 60_000
            return f"{entry.who} wrote the same {what} {ago:.0f} min ago; if yours is another, add --another"
    return ""
