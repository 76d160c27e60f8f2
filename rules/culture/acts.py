"""What people do with batches of animals: one vocabulary of acts, each checked by itself."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from rules.errors import InputError

MOST_ANIMALS = 1e8
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}", re.ASCII)


class How(StrEnum):
    """How a number is known: exactly, by a sample with its counting error, or by nobody's count."""

    COUNTED = "counted"
    SAMPLED = "sampled"
    GUESSED = "guessed"


SURENESS = (How.COUNTED, How.SAMPLED, How.GUESSED)


class What(StrEnum):
    """The kinds of act.

    `young` are released or budded by a batch, which loses none for them; `left` is given away or disposed
    of; `withdrawn` is said of an act that never was, by a correction.
    """

    BEGIN = "begin"
    COUNT = "count"
    MOVE = "move"
    SPLIT = "split"
    MERGE = "merge"
    YOUNG = "young"
    STAGE = "stage"
    DIED = "died"
    LEFT = "left"
    DISCS = "discs"
    WITHDRAWN = "withdrawn"


_NUMBER, _SOME = {"value", "how", "sd", "values"}, {"value", "share", "how", "sd"}
_EACH: Mapping[What, tuple[set[str], set[str]]] = {
    What.BEGIN: ({"vessel", "stage"}, _NUMBER | {"lineage", "parents", "origin", "born_ms"}),
    What.COUNT: ({"vessel"}, _NUMBER | {"fraction"}),
    What.MOVE: ({"vessel", "to"}, _SOME),
    What.SPLIT: ({"vessel", "into"}, _SOME | {"to", "stage"}),
    What.MERGE: ({"vessel", "into"}, {"stage"}),
    What.YOUNG: ({"vessel", "into"}, _NUMBER | {"to", "stage", "fraction"}),
    What.STAGE: ({"stage"}, _NUMBER | {"fraction", "vessel", "limits_too"}),
    What.DIED: ({"vessel"}, _SOME | {"cause"}),
    What.LEFT: ({"vessel"}, _SOME),
    What.DISCS: (set(), {"values", "vessel"}),
    What.WITHDRAWN: (set(), {"vessel"}),
}
"""What each needs to say, and what it may."""
OF_A_SHARE = {what for what, (_, may) in _EACH.items() if "share" in may}
_ALWAYS = {"what", "cohort", "note", "when_ms", "corrects", "another"}
_NEEDS_NUMBER = {What.BEGIN, What.COUNT, What.MOVE, What.SPLIT, What.YOUNG, What.DIED}


@dataclass(frozen=True, slots=True)
class Act:
    """One act: `number` is that of its first entry, `at_ms` when it was done (UTC).

    Of `cohort` in `vessel` it is about `value` animals or a `share`, `to` a vessel, `into` a cohort; `sd` is
    the counting error of the number.
    """

    number: int
    at_ms: int
    who: str
    what: What
    cohort: str
    vessel: str = ""
    to: str = ""
    into: str = ""
    value: float | None = None
    share: float | None = None
    how: How = How.COUNTED
    sd: float = 0.0
    values: tuple[float, ...] = ()
    stage: str = ""
    lineage: str = "unknown"
    parents: tuple[str, ...] = ()
    origin: str = ""
    born_ms: int | None = None
    cause: str = ""
    note: str = ""
    corrected_by: tuple[int, ...] = ()

    @property
    def target(self) -> str:
        """Return the vessel in which the animals are afterwards."""
        return self.to or self.vessel

    def is_entry(self, number: object) -> bool:
        """Return whether a number is that of its first entry or of a correction."""
        return number in (self.number, *self.corrected_by)


def act_of(number: int, at_ms: int, who: str, body: Mapping[str, Any]) -> Act:
    """Return the act that a request's body describes; InputError, in one line, where it is none.

    `at_ms` is when it was done where the body states no `when_ms`.
    """
    if body.get("what") not in list(What):
        raise InputError(f"what: found {str(body.get('what'))[:40]!r}; expected one of {', '.join(What)}")
    what = What(body["what"])
    needs, may = _EACH[what]
    if unknown := sorted(body.keys() - needs - may - _ALWAYS):
        raise InputError(f"{unknown[0]}: {what} has no such thing")
    if missing := sorted(key for key in needs if not body.get(key)):
        raise InputError(f"{missing[0]}: {what} needs one")
    for key in ("parents", "values", "limits_too"):
        if not isinstance(body.get(key, []), list):
            raise InputError(f"{key}: expected a list")
    codes = [body.get("cohort", ""), *([body["into"]] if "into" in body else []), *body.get("parents", ())]
    for code in codes:
        if not isinstance(code, str) or not CODE.fullmatch(code):
            raise InputError(f"cohort: found {str(code)[:40]!r}; expected a code such as e3 or 2026-05.a")
    when_ms, born_ms = (_moment(body, key) for key in ("when_ms", "born_ms"))
    done_ms = at_ms if when_ms is None else when_ms
    words: dict[str, Any] = {
        key: str(body[key])
        for key in ("vessel", "to", "into", "stage", "lineage", "origin", "cause", "note")
        if key in body
    }
    numbers = _numbers(what, body)
    parents = tuple(body.get("parents", ()))
    return Act(number, done_ms, who, what, codes[0], **words, **numbers, parents=parents, born_ms=born_ms)


def _moment(body: Mapping[str, Any], key: str) -> int | None:
    value = body.get(key)
    if value is not None and type(value) is not int:
        raise InputError(f"{key}: found {str(value)[:40]}; expected milliseconds of UTC")
    return value


def _numbers(what: What, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return value, share, how and error as they are stated, or as the sample that was counted has them."""
    values = tuple(_number(it, "values") for it in body.get("values", ()))
    if what is What.DISCS:
        if not values or not all(0 <= it <= 50 for it in values):
            raise InputError("discs: expected the discs of each polyp that you looked at, 0 to 50")
        return {"values": values}
    if body.get("how", How.COUNTED) not in SURENESS:
        raise InputError(f"how: found {str(body['how'])[:40]!r}; expected one of {', '.join(SURENESS)}")
    how, sd = How(body.get("how", How.COUNTED)), _number(body.get("sd", 0.0), "sd")
    value = _number(body["value"], "value") if "value" in body else None
    share = _number(body["share"], "share") if "share" in body else None
    if "fraction" in body:
        value, sd = _of_sample(values, _number(body["fraction"], "fraction"))
        how = How.SAMPLED
    if what in _NEEDS_NUMBER and (value is None) == (share is None):
        raise InputError(f"value: {what} needs how many{', a share or all' * (what in OF_A_SHARE)}")
    least = 0 if what in (What.BEGIN, What.COUNT, What.STAGE) else 1
    if value is not None and (not least <= value <= MOST_ANIMALS or (how is How.COUNTED and value % 1)):
        raise InputError(f"value: found {value:g}; expected a number of animals, {least} or more")
    if share is not None and not 0 < share <= 1:
        raise InputError(f"share: found {100 * share:g} %; expected more than 0 and up to 100")
    if sd < 0 or (sd and how is not How.SAMPLED):
        raise InputError(f"sd: found {sd:g} of a {how} number; a sample's is 0 or more, others have none")
    return {"value": value, "share": share, "how": how, "sd": sd, "values": values}


def _of_sample(counts: tuple[float, ...], fraction: float) -> tuple[float, float]:
    """Return the whole and its error from counts of equal parts, each `fraction` of it.

    Of several parts the error is that of their mean; of one it is Poisson's root of the count.
    """
    if not counts or min(counts) < 0 or not 0 < fraction * len(counts) <= 1:
        raise InputError("sample: expected counts of 0 or more, of parts that are the whole at most together")
    mean = math.fsum(counts) / len(counts)
    scatter = math.fsum((it - mean) ** 2 for it in counts) / max(len(counts) - 1, 1)
    variance = (scatter if len(counts) > 1 else mean) / len(counts)
    return mean / fraction, math.sqrt(variance) / fraction


def _number(value: object, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= 1e12:
        raise InputError(f"{key}: found {str(value)[:40]}; expected a number")
    return float(value)
