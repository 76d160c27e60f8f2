"""What is asked back before an entry goes into the logbook.

It does not fit the animals that there are, it corrects none, or somebody wrote the same.
"""

from collections.abc import Sequence
from typing import Any

from daemon.journal.history import Entry
from daemon.journal.journal import Journal
from daemon.journal.logbook import CULTURE, HAND, acts_in, as_done, roots_of
from rules.culture.acts import Act, What, act_of
from rules.culture.cohorts import Culture, below_nought, culture_of
from rules.culture.refusals import unfit_act, unfit_sample
from rules.errors import RulesError, none_such
from rules.water.ammonia import RANGES, unionised

SAME_WITHIN_MS = 600_000
"""Two people who write down the same within so long mean the same deed, as a rule (project judgement)."""


_ABOUT = ("value", "share", "quantity", "what", "cohort", "to", "into", "when_ms")


_CHECKED_HERE = {"cohort", "when_ms", "scale", "diameters_mm", *RANGES}
_NOT_YET = 1_000_000_000_000
"""Beyond every number of an entry: acts that are still to be written down."""
Asked = tuple[str, str, dict[str, Any]]


def unfit_entry(journal: Journal, asked: Asked, at_ms: int, acts: Sequence[Act] | None = None) -> str:
    """Say why what is asked (kind, who, body) is not written down so; empty where it is.

    `acts` count before it, with those that are still to be written down (None: the journal's).
    """
    kind, who, body = asked
    vessel, what = str(body.get("vessel", "")), str(body.get("what") if kind == "log" else kind)
    if kind not in ("log", HAND, CULTURE):
        return ""
    unfit = _unfit_for_animals(journal, asked, at_ms, acts)
    if unfit or (body.get("another") is True and "corrects" not in body):
        return unfit
    if "corrects" in body:
        if _corrects(_others(journal, asked), body):
            return ""
        where = f"{vessel} has no {what}" if vessel else f"there is no {what}"
        hint = (
            "; of a sample its kind is said too: bells withdrawn"
            if body.get("what") == What.WITHDRAWN
            else ""
        )
        numbers = f"`bellwatch log {vessel or 'VESSEL'}` shows numbers"
        return f"corrects: {where} {body['corrects']}; {numbers}{hint}"
    said = [body.get(key) for key in _ABOUT]
    for entry in journal.history.logbook((vessel,), (what,), between=(at_ms - SAME_WITHIN_MS, at_ms)):
        same = [entry.body.get(key) for key in _ABOUT] == said
        if entry.who != who and same and what != "note":
            ago = (at_ms - entry.at_ms) / 60_000
            deed = body["what"] if kind == CULTURE else what
            return f"{entry.who} wrote the same {deed} {ago:.0f} min ago; if yours is another, add --another"
    return ""


def and_then(acts: Sequence[Act], asked: Asked, now_ms: int) -> list[Act]:
    """Return the acts that count once one more is written down, which has no number yet."""
    _, who, body = asked
    was = _put_right(acts, body)
    number, at_ms = (was.number, was.at_ms) if was else (_NOT_YET + len(acts), now_ms)
    return [*(it for it in acts if it is not was), act_of(number, at_ms, who, body)]


def _put_right(acts: Sequence[Act], body: dict[str, Any]) -> Act | None:
    return next((it for it in acts if it.is_entry(body.get("corrects"))), None)


def _unfit_for_animals(journal: Journal, asked: Asked, at_ms: int, acts: Sequence[Act] | None) -> str:
    """Say what does not fit the animals as they were then, by the acts before it but the one put right."""
    kind, who, body = asked
    if kind == HAND or (kind != CULTURE and not body.keys() & _CHECKED_HERE):
        return ""
    acts, dating = acts_in(journal) if acts is None else acts, journal.state.dating()
    was = _put_right(acts, body) if kind == CULTURE else _root(_others(journal, asked), body)
    if isinstance(was, Entry):
        was = as_done(_others(journal, asked), dating)[was.seq]
    now_ms = dating.utc_ms(at_ms)
    done_ms = body.get("when_ms", was.at_ms if was else now_ms)
    if type(done_ms) is not int or not 0 <= done_ms <= now_ms:
        return "when: expected a moment that is not still to come"
    if kind == CULTURE and body.get("what") == What.WITHDRAWN and "corrects" not in body:
        return "corrects: withdrawn needs the number of the act that never was"
    culture = culture_of(it for it in acts if it.at_ms <= done_ms and it is not was)
    try:
        if kind == CULTURE:
            unfit = _no_batch(culture, body, acts) or _unfit_act(culture, done_ms, who, body)
            unfit = unfit or (_orphans(acts, asked) if was else "")
            late = (was or "when_ms" in body) and body.get("another") is not True
            return unfit or (_below_nought(acts, asked, now_ms) if late else "")
        unionised(0.0, body)
        return unfit_sample(culture, body)
    except RulesError as error:
        return str(error)


def _unfit_act(culture: Culture, done_ms: int, who: str, body: dict[str, Any]) -> str:
    return unfit_act(culture, act_of(0, done_ms, who, body), limits_too=bool(body.get("limits_too")))


def _orphans(acts: Sequence[Act], asked: Asked) -> str:
    """Say which acts would be about a batch that nothing begins any more, were one put right or withdrawn."""
    before, after = culture_of(acts), culture_of(and_then(acts, asked, 0))
    orphans = sorted(set(after.unplaced) - set(before.unplaced))
    of = next((it.cohort for it in acts if it.number in orphans), "")
    numbers = ", ".join(map(str, orphans[:5])) + (", ..." if len(orphans) > 5 else "")
    return f"corrects: {of} begins with it, and {numbers} are about {of}; put those right first" if of else ""


def _below_nought(acts: Sequence[Act], asked: Asked, now_ms: int) -> str:
    """Say which later act would then take more animals than there are; who means it says so."""
    before = {it.number: number for it, number in below_nought(acts).items()}
    for it, number in below_nought(and_then(acts, asked, now_ms)).items():
        if number < before.get(it.number, 0.0):
            act = it.what if it.number >= _NOT_YET else f"{it.what} {it.number}"
            left = f"{number:.0f} of {it.cohort} in {it.vessel}"
            return f"value: then {act} leaves {left}; put that right first, or where it is so, add --another"
    return ""


def _no_batch(culture: Culture, body: dict[str, Any], acts: Sequence[Act]) -> str:
    """Say that there is no such batch, or none of it, before all that only a known one could tell."""
    code, what = str(body.get("cohort")), body.get("what")
    of = culture.cohorts.get(code)
    if what in (What.BEGIN, What.WITHDRAWN):
        return ""
    if of is None and any(code in (it.cohort, it.into) for it in acts):
        return f"cohort: there was no {code} yet at that time"
    if of is None:
        return f"cohort: {none_such(code, culture.cohorts)}"
    placed = body.get("vessel") or of.vessels or what in (What.STAGE, What.DISCS)
    return "" if placed else f"vessel: {code} lives nowhere any more"


def _others(journal: Journal, asked: Asked) -> list[Entry]:
    """Return what an entry may put right: those of its kind, and of its vessel where it is no act."""
    kind, _, body = asked
    vessels = () if kind == CULTURE else (str(body.get("vessel", "")),)
    return journal.history.logbook(vessels, (str(body.get("what") if kind == "log" else kind),))


def _root(known: list[Entry], body: dict[str, Any]) -> Entry | None:
    number = body.get("corrects")
    return roots_of(known).get(number) if type(number) is int else None


def _corrects(known: list[Entry], body: dict[str, Any]) -> bool:
    """Return whether an entry of the same kind, and quantity, is put right, at the time when it was made."""
    root = _root(known, body)
    if root is None:
        return False
    told = body.get("corrects_ms", root.at_ms)
    return (told, body.get("quantity")) == (root.at_ms, root.body.get("quantity"))
