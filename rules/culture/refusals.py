"""What is asked back before an act is written down: it cannot be done with the animals as they are."""

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any, get_args

from rules.culture.acts import Act, What
from rules.culture.cohorts import Cohort, Culture
from rules.culture.weight import unfit_pairs
from rules.errors import none_such
from rules.rack.lineages import LineageName
from rules.rack.logbook import ENTRY_KINDS, check_entry, is_withdrawn

_NO_POLYPS = {"planula", "ephyra", "juvenile", "adult"}
_WITHOUT_COOLING = {"warm"}
"""Lineages that strobilate without it: Liu et al. 2009, Hydrobiologia 616:247 (abstract)."""


def unfit_act(culture: Culture, act: Act, *, limits_too: bool = False) -> str:
    """Say in one line why an act does not fit what is known at its time; empty where it does.

    `culture` holds the acts before it; `limits_too` says that limits of vessels are to follow.
    """
    of = culture.cohorts.get(act.cohort)
    if act.what is What.WITHDRAWN:
        return ""
    if act.what is What.BEGIN:
        return _of_beginning(culture, act)
    if of is None:
        return f"cohort: {none_such(act.cohort, culture.cohorts)}"
    unfit = _of_number(act) or ("" if limits_too else _of_stage(of, act)) or _uncooled(of.lineage, act)
    return unfit or _of_place(of, act) or _of_other(culture, of, act)


def _of_number(act: Act) -> str:
    if act.value is not None and act.share is not None:
        return f"value: found {act.value:g} and {100 * act.share:g} %; expected one of them"
    unsaid = act.what is What.LEFT and act.value is None and act.share is None  # older journals have such
    return "value: left needs how many, a share or all" if unsaid else ""


def _of_beginning(culture: Culture, act: Act) -> str:
    if act.cohort in culture.cohorts:
        return f"cohort: {act.cohort} there is already; a new batch needs a new code"
    if act.born_ms is not None and act.born_ms > act.at_ms:
        return "born: found a moment after the act itself; expected one before it"
    if act.value == 0:
        return "value: found 0; expected a number of animals, 1 or more"
    near = get_close_matches(act.lineage, get_args(LineageName), 1, 0.75)
    if near and act.lineage not in near:
        return f"lineage: found {act.lineage}; did you mean {near[0]}?"
    missing = [code for code in act.parents if code not in culture.cohorts]
    return f"parents: {none_such(missing[0], culture.cohorts)}" if missing else _uncooled(act.lineage, act)


def _uncooled(lineage: str, act: Act) -> str:
    cools = lineage in _WITHOUT_COOLING and act.stage == "polyp-cooling"
    return f"stage: the lineage {lineage} strobilates without cooling" if cools else ""


def _of_stage(of: Cohort, act: Act) -> str:
    """Say what is wrong with a change of stage that counts nothing, and moves no limits."""
    if act.what is not What.STAGE or act.value is not None:
        return ""
    if act.stage == of.stage:
        return f"stage: {of.code} is {of.stage} already"
    if act.vessel and of.vessels != [act.vessel]:
        where = ", ".join(of.vessels) or "nowhere any more"
        return f"vessel: {of.code} is of one stage, in {where}; split those in {act.vessel} off, or name none"
    return ""


def _of_place(of: Cohort, act: Act) -> str:
    """Say what is wrong with where the animals are and how many."""
    if act.what is What.DISCS and of.stage in _NO_POLYPS:
        return f"discs: {of.code} is {of.stage}; expected polyps"
    if act.what in (What.COUNT, What.DISCS) or (act.what is What.STAGE and act.value is None):
        return ""
    there = of.stocks.get(act.vessel)
    if act.vessel not in of.vessels:
        where = ", ".join(of.vessels) or "nowhere any more"
        return f"vessel: no {of.code} in {act.vessel}; it lives in: {where}"
    takes = act.what in (What.MOVE, What.SPLIT, What.DIED, What.LEFT)
    interval = there.interval if there else None
    if takes and interval and act.value is not None and act.value > interval[1] + 1e-9:
        most = f"{interval[1]:g} at most in {act.vessel}"
        return f"value: found {act.value:g}; of {of.code} there are {most}, or count them"
    if act.what is What.MOVE and act.target == act.vessel:
        return f"to: {act.vessel} is where they are; expected another vessel"
    return ""


def _of_other(culture: Culture, of: Cohort, act: Act) -> str:
    """Say what is wrong with the batch that they join."""
    if not act.into:
        return ""
    to = culture.cohorts.get(act.into)
    if act.into == of.code:
        return f"into: {of.code} itself; expected another batch"
    if to is None:
        return _of_new(culture, act)
    if to.lineage != of.lineage:
        return f"into: {to.code} is of the lineage {to.lineage}, {of.code} of {of.lineage}; both stay apart"
    comes = act.stage or ("" if act.what is What.YOUNG else of.stage)
    if comes and to.vessels and comes != to.stage:
        return f"into: {to.code} is {to.stage}, what joins it {comes}; say {to.stage} where that is so"
    return ""


def _of_new(culture: Culture, act: Act) -> str:
    """Say what is wrong with a batch that they would begin."""
    if act.what is What.MERGE:
        return f"into: {none_such(act.into, culture.cohorts.keys() - {act.cohort})}"
    if same := [code for code in culture.cohorts if code.lower() == act.into.lower()]:
        return f"into: there is no {act.into}; did you mean {same[0]}?"
    if act.what is What.YOUNG and not act.stage:
        return f"stage: {act.into} is new; say its stage"
    return ""


def unfit_sample(culture: Culture, body: Mapping[str, Any]) -> str:
    """Say in one line why an entry of the logbook about a batch does not fit it; empty where it does."""
    code, of, kind, value = body.get("cohort"), None, str(body.get("what")), body.get("value")
    if code is not None:
        of = culture.cohorts.get(str(code))
        if of is None:
            return f"cohort: {none_such(str(code), culture.cohorts)}"
        if body.get("vessel") not in of.vessels:
            where = ", ".join(of.vessels) or "nowhere any more"
            return f"vessel: no {of.code} in {body.get('vessel')}; it lives in: {where}"
    if value is None and kind in ENTRY_KINDS and not (ENTRY_KINDS[kind].in_words or is_withdrawn(body)):
        return f"value: {kind} needs a number in {ENTRY_KINDS[kind].unit or 'none'}"
    if kind in ENTRY_KINDS and ENTRY_KINDS[kind].summed and body.get("n", 1) != 1:
        return f"value: found {str(body['n'])[:40]} numbers; of {kind}, which adds up, write each by itself"
    if kind in ENTRY_KINDS and isinstance(value, int | float):
        for end in (body.get("low", value), body.get("high", value)):
            if isinstance(end, int | float):  # what is none is refused beside all other numbers
                check_entry(kind, end, of.stage if of else "")
    if "diameters_mm" not in body:
        return ""
    fits = kind in ENTRY_KINDS and "diameters_mm" in ENTRY_KINDS[kind].beside
    return unfit_pairs(body, of.stage if of else "") if fits else f"diameters_mm: {kind} has no such thing"
