"""Clauses of `bellwatch culture`: a few short words each, told apart by what they are, in any order.

move 40 k1 k2, bells 8.1 9.2 7.7, feed 200, died 1 bubble in the bell
"""

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo

from daemon.errors import RequestError
from daemon.settings.rack import Settings
from daemon.tables.values import number, utc_ms
from rules.culture.acts import OF_A_SHARE, How, What
from rules.errors import none_such
from rules.rack.logbook import ENTRY_KINDS, sample_of

SHORT = {"bells": "bell_diameter", "weights": "wet_weight", "pulse": "pulse_rate", "water": "water_change"}
SAMPLES = tuple(it for it in ENTRY_KINDS if it not in ("count", "deaths"))
"""Kinds of entry that are no act: who writes that some of a batch died means its balance."""
_ALSO = SHORT | {"death": "died", "deaths": "died", "dead": "died"}
_VERBS = (*What, *SAMPLES)
_BESIDE = {"t": "temperature_c", "s": "salinity", "mm": "diameters_mm"}
_KEYS = _BESIDE | {"born": "born_ms", "when": "when_ms", "of": "fraction"}
_TEXTS = ("how", "lineage", "into", "scale", "note", "cause", "origin")
_NUMBERS = ("fraction", "sd", "ph", "temperature_c", "salinity", "n")
_WORDS_ARE: Mapping[str, str] = {What.DIED: "cause", What.BEGIN: "origin"}
_OF_SAMPLE = {"what", "cohort", "withdrawn", "note", "when_ms", "corrects", "sd", "n"}
_COMMA, _LAST, _DIGITS = re.compile(r"(?<!\d),|,(?!\d)"), re.compile(r",$"), re.compile(r"\d+")
_UNITS = {"µm", "um", "mm", "cm", "m", "mg", "g", "kg", "ml", "l", "mg/l"}
_TWO_VESSELS = {What.MOVE, What.SPLIT, What.MERGE, What.YOUNG}


def beside(kind: str) -> list[str]:
    """Return the keys, as they are typed, of what a kind of entry says beside its value."""
    typed = {key: short for short, key in _BESIDE.items()}
    its = ENTRY_KINDS.get(SHORT.get(kind, kind))
    return [typed.get(key, key) for key in its.beside] if its else []


@dataclass(frozen=True, slots=True)
class Known:
    """What the words of a clause may name."""

    vessels: Collection[str]
    stages: Collection[str]
    zone: tzinfo


def known_of(settings: Settings) -> Known:
    """Return what clauses may name at a rack."""
    stages = {name for vessel in settings.vessels for name in settings.stage_names(vessel)} | {"podocyst"}
    return Known(settings.vessels, stages, ZoneInfo(settings.rack.time_zone))


@dataclass(frozen=True, slots=True)
class Asked:
    """A request that a clause makes: the kind of action, and its body."""

    kind: str
    body: dict[str, Any]


def clauses(words: Sequence[str]) -> Iterator[list[str]]:
    """Give the words of each clause; commas part them, but for one between digits, which is refused later.

    Quotes around more than the one word that a clause begins with are around no text.
    """
    clause: list[str] = []
    for quoted in words:
        for word in [quoted] if clause else quoted.split():
            first, *more = (_LAST if " " in word else _COMMA).split(word)
            clause += [first] if first else []
            for part in more:
                if clause:
                    yield clause
                clause = [part] if part else []
    if clause:
        yield clause


def asked_by(cohort: str, words: Sequence[str], known: Known, lives_in: Sequence[str]) -> Asked:
    """Return what a clause about a batch that lives in some vessels asks; RequestError says what is wrong."""
    verb = _ALSO.get(words[0], words[0])
    if verb not in _VERBS:
        found = [it for it in _VERBS if it.startswith(verb)]
        if len(found) != 1:
            raise RequestError(f"{words[0]}: {none_such(verb, found or (*_VERBS, *_ALSO))}")
        verb = found[0]
    body: dict[str, Any] = {"what": str(verb), "cohort": cohort}
    numbers: list[float] = []
    places: list[str] = []
    rest: list[str] = []
    all_words = verb in ENTRY_KINDS and ENTRY_KINDS[verb].in_words  # a number in a note is one of its words
    for word in words[1:]:
        if all_words and word not in known.vessels and "=" not in word:
            rest.append(word)
        else:
            _read(word, known, body, numbers, places, rest)
    body |= _meant(verb, body, numbers, rest)
    body |= _in_words(verb, body, rest, known.vessels)
    if verb in list(What):
        _of_act(What(verb), body, numbers)
    else:
        _of_sample(verb, body, numbers)
    unsaid = len(places) < (2 if verb == What.MOVE else 1)
    if unsaid and len(lives_in) > 1 and verb not in (What.STAGE, What.DISCS, What.WITHDRAWN):
        which = "from which to which" if verb == What.MOVE else "in which"
        raise RequestError(f"{words[0]}: {cohort} lives in {', '.join(lives_in)}; say {which}")
    body["vessel"] = places[0] if places else lives_in[0] if len(lives_in) == 1 else ""
    if len(places) == 1 and verb == What.MOVE and len(lives_in) == 1:
        places = [lives_in[0], *places]
        body["vessel"] = lives_in[0]
    if len(places) > (2 if verb in _TWO_VESSELS else 1):
        raise RequestError(f"{words[0]}: found {', '.join(places)}; too many vessels")
    body |= {"to": places[1]} if len(places) == 2 else {}
    if body.pop("limits", False):
        body["limits_too"] = [body["vessel"]] if places else list(lives_in)
    return Asked("culture" if verb in list(What) else "log", body)


def _read(
    word: str, known: Known, body: dict[str, Any], numbers: list[float], places: list[str], rest: list[str]
) -> None:
    """Take in one word: a vessel, a stage, KEY=VALUE, a share, a number, or words of a note."""
    key, equals, value = word.partition("=")
    said: dict[str, Any] = {}
    try:
        if word in known.vessels:
            places.append(word)
        elif word in known.stages:
            said = {"stage": word}
        elif equals and key:
            said = _keyed(_KEYS.get(key, key), value, known.zone)
        elif word == "limits":
            said = {"limits": True}
        elif word.endswith("%"):  # 25% or, as a number and its unit are parted, 25 %
            said = {"share": (numbers.pop() if word == "%" and numbers else number(word[:-1])) / 100}
        elif word[:1].isdigit() or word[:1] in "-+.":
            numbers.append(number(word))
        else:
            rest.append(word)
    except ValueError as error:
        raise RequestError(f"{word[:60]}: {error}") from None
    if said.keys() & body.keys():
        raise RequestError(f"{word}: is said twice")
    body |= said


def _keyed(key: str, value: str, zone: tzinfo) -> dict[str, Any]:
    if key == "parents":
        return {key: value.split("+")}
    if key == "diameters_mm":
        return {key: [number(it) for it in value.split("+")]}
    if key in ("born_ms", "when_ms"):
        try:
            return {key: utc_ms(value, zone)}
        except ValueError as error:
            raise ValueError(f"{error}; expected such as 2026-08-14T12:00") from None
    if key == "corrects":
        if not _DIGITS.fullmatch(value):
            raise ValueError(f"{value[:40]!r}; expected the number of an entry")
        return {key: int(number(value))}
    if key in _NUMBERS:
        share = key == "fraction" and value.endswith("%")
        return {key: number(value[:-1]) / 100 if share else number(value)}
    if key in _TEXTS:
        return {key: value}
    raise RequestError(f"{key}: {none_such(key, (*_KEYS, *_TEXTS, *_NUMBERS, 'parents', 'corrects'))}")


def _meant(verb: str, body: dict[str, Any], numbers: list[float], rest: list[str]) -> dict[str, Any]:
    """Return what a word says that is one of a note elsewhere: all, a sample that never was, 3 of 20."""
    if verb in ENTRY_KINDS and not ENTRY_KINDS[verb].in_words:
        rest[:] = _without_unit(verb, rest)
    if "all" in rest and verb in OF_A_SHARE and not numbers and "share" not in body:
        rest.remove("all")
        return {"share": 1.0}
    if "withdrawn" in rest and verb in ENTRY_KINDS and "corrects" in body:
        rest.remove("withdrawn")
        return {"withdrawn": True}
    if "of" in rest and len(numbers) == 2 and verb in ENTRY_KINDS and ENTRY_KINDS[verb].unit == "%":
        some, every = numbers
        if not 0 <= some <= every or not every:
            raise RequestError(f"{verb}: found {some:g} of {every:g}; expected some of all, such as 3 of 20")
        rest.remove("of")
        numbers[:] = [100 * some / every]
        return {"n": every}
    return {}


def _without_unit(kind: str, rest: Sequence[str]) -> list[str]:
    """Return the words without the unit that a kind has; RequestError where they name another."""
    its, said = ENTRY_KINDS[kind], [it.lower() for it in rest]
    own = its.unit.lower().split()
    if not its.whole and set(own) <= set(said):
        rest = [it for it in rest if it.lower() not in own]
    for other in (it for it in rest if it.lower() in _UNITS):
        raise RequestError(f"{kind}: found {other}; expected {its.unit or 'no unit'}")
    return list(rest)


def _of_act(what: What, body: dict[str, Any], numbers: list[float]) -> None:
    if "fraction" in body and body.get("how", How.SAMPLED) != How.SAMPLED:
        raise RequestError(f"how: found {body['how']}; numbers of parts are a sample")
    if what is What.DISCS or "fraction" in body:
        body["values"] = numbers
    elif len(numbers) > 1:
        raise RequestError(f"{what}: found {len(numbers)} numbers; expected one, or of= the part each was")
    elif numbers:
        body["value"] = numbers[0]


def _of_sample(kind: str, body: dict[str, Any], numbers: list[float]) -> None:
    its, share = ENTRY_KINDS[kind], body.pop("share", None)
    if share is not None and its.unit != "%":
        raise RequestError(f"{kind}: found {100 * share:g} %; expected {its.unit or 'words'}")
    if unknown := sorted(body.keys() - _OF_SAMPLE - set(its.beside)):
        raise RequestError(f"{unknown[0].removesuffix('_ms')}: {kind} has no such thing")
    if kind == "note" and not (body.get("note") or "withdrawn" in body):
        raise RequestError("note: found nothing; expected words")
    body |= sample_of(numbers if share is None else [*numbers, round(100 * share, 9)])


def _in_words(verb: str, body: dict[str, Any], rest: list[str], vessels: Collection[str]) -> dict[str, str]:
    """Return cause, origin or note, with the words that were nothing else.

    One that has a number and looks like a vessel's name is mistyped, and no word.
    """
    shapes = {_DIGITS.sub("0", it.lower()) for it in vessels}
    for it in filter(_DIGITS.search, rest):
        if _DIGITS.sub("0", it.lower()) in shapes or get_close_matches(it, vessels, 1, 0.8):
            raise RequestError(f"vessel: {none_such(it, vessels)}")
    key = _WORDS_ARE.get(verb, "note")
    return {key: " ".join([*([body[key]] if key in body else []), *rest])} if rest else {}
