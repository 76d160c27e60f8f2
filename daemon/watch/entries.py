"""What is asked back before an entry goes into the logbook.

It does not fit the animals that there are, it corrects none, or somebody wrote the same.
"""

from typing import Any

from daemon.journal.history import Entry
from daemon.journal.journal import Journal
from daemon.journal.logbook import CULTURE, HAND, acts_in, roots_of
from rules.culture.acts import act_of
from rules.culture.cohorts import culture_of
from rules.culture.refusals import unfit_act, unfit_sample
from rules.errors import RulesError
from rules.water.ammonia import RANGES, unionised

SAME_WITHIN_MS = 600_000
"""Two people who write down the same within so long mean the same deed, as a rule (project judgement)."""


_ABOUT = ("value", "share", "quantity", "what", "cohort", "to", "into", "when_ms")


_CHECKED_HERE = {"cohort", "when_ms", "scale", *RANGES}


def unfit_entry(journal: Journal, asked: tuple[str, str, dict[str, Any]], at_ms: int) -> str:
    """Say why what is asked (kind, who, body) is not written down so; empty where it is."""
    kind, who, body = asked
    vessel, what = str(body.get("vessel", "")), str(body.get("what") if kind == "log" else kind)
    if kind not in ("log", HAND, CULTURE):
        return ""
    unfit = _unfit_for_animals(journal, asked, at_ms)
    if unfit or (body.get("another") is True and "corrects" not in body):
        return unfit
    if "corrects" in body:
        if _corrects(journal.history.logbook(() if kind == CULTURE else (vessel,), (what,)), body):
            return ""
        return f"corrects: {vessel} has no {what} {body['corrects']}; `bellwatch log {vessel}` shows numbers"
    said = [body.get(key) for key in _ABOUT]
    for entry in journal.history.logbook((vessel,), (what,), between=(at_ms - SAME_WITHIN_MS, at_ms)):
        same = [entry.body.get(key) for key in _ABOUT] == said
        if entry.who != who and same and what != "note":
            ago = (at_ms - entry.at_ms) / 60_000
            return f"{entry.who} wrote the same {what} {ago:.0f} min ago; if yours is another, add --another"
    return ""


def _unfit_for_animals(journal: Journal, asked: tuple[str, str, dict[str, Any]], at_ms: int) -> str:
    """Say what does not fit the animals as they were then, by the acts before it but the one put right."""
    kind, who, body = asked
    if kind == HAND or (kind != CULTURE and not body.keys() & _CHECKED_HERE):
        return ""
    now_ms, own = journal.state.dating().utc_ms(at_ms), body.get("corrects")
    acts = acts_in(journal)
    corrected = next((it for it in acts if it.is_entry(own)), None)
    done_ms = body.get("when_ms", corrected.at_ms if corrected else now_ms)
    if type(done_ms) is not int or not 0 <= done_ms <= now_ms:
        return "when: expected a moment that is not still to come"
    culture = culture_of(it for it in acts if it.at_ms <= done_ms and it is not corrected)
    try:
        if kind == CULTURE:
            return unfit_act(culture, act_of(0, done_ms, who, body))
        unionised(0.0, body)
        return unfit_sample(culture, body)
    except RulesError as error:
        return str(error)


def _corrects(known: list[Entry], body: dict[str, Any]) -> bool:
    """Return whether an entry of the same kind, and quantity, is put right, at the time when it was made."""
    root = roots_of(known).get(body["corrects"]) if type(body["corrects"]) is int else None
    if root is None:
        return False
    told = body.get("corrects_ms", root.at_ms)
    return (told, body.get("quantity")) == (root.at_ms, root.body.get("quantity"))
