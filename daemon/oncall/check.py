"""`bellwatch oncall --check`: everything that is wrong with the on-call settings, in one run."""

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from daemon.errors import Problem, SettingsError
from daemon.oncall import settings as shape
from daemon.oncall.response_notes import known_alarms
from daemon.oncall.routes import read_routes
from daemon.oncall.settings import OnCallSettings
from daemon.settings.faults import EXPECTED
from daemon.settings.file import read_toml
from daemon.settings.rack import BrokerSettings
from daemon.settings.types import PATTERNS_IN_WORDS, Table
from daemon.settings.words import one_of, quoted, shown
from rules.calling.duty import When

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_LONG_NOTE = 70
# What stands in for tables that a file must have; no check looks at them.
_STAND_INS: Mapping[str, Any] = {
    "oncall": {"time_zone": "UTC", "state": "state", "routes_file": "routes"},
    "rota": {"people": ["nobody"], "first_day": "2026-01-05"},
}
_RENAMED = {("oncall", "channels_file"): "routes_file", ("flood", "pages"): "calls"}
_TABLES: Mapping[tuple[str, ...], type[Table]] = {
    (): OnCallSettings,
    ("oncall",): shape.OnCallPart,
    ("broker",): BrokerSettings,
    ("rota",): shape.RotaSettings,
    ("rota", "swaps", "*"): shape.SwapSettings,
    ("quiet_hours",): shape.QuietSettings,
    ("digest",): shape.DigestSettings,
    ("priorities", "*"): shape.MannerSettings,
    ("silence",): shape.SilenceSettings,
    ("flood",): shape.FloodSettings,
    ("delivery",): shape.DeliverySettings,
    ("commands",): shape.CommandsToRacks,
}


def load_oncall(path: Path) -> tuple[OnCallSettings, dict[str, list[str]]]:
    """Return the settings and the addresses of each person; SettingsError with everything that is wrong."""
    settings, routes, found = examine(path)
    errors = [problem for problem in found if not problem.is_warning]
    if errors or settings is None:
        raise SettingsError(errors)
    return settings, routes


def examine(path: Path) -> tuple[OnCallSettings | None, dict[str, list[str]], list[Problem]]:
    """Return the settings where they can be used, the addresses, and what is wrong, warnings last."""
    try:
        values, old = _present_names(read_toml(path))
    except SettingsError as error:
        return None, {}, list(error.problems)
    try:
        settings = OnCallSettings.model_validate(values)
    except ValidationError as error:
        details = error.errors(include_url=False)
        faulty = {str(detail["loc"][0]) for detail in details}
        found = [*map(_problem, details), *_problems_of_the_rest(values, faulty), *old]
        return None, {}, sorted(found, key=lambda problem: problem.is_warning)
    routes, found = read_routes(settings.oncall.routes_file, settings.rota.people)
    found += [*_rota_problems(settings), *_note_problems(settings), *_other_problems(settings), *old]
    return settings, routes, sorted(found, key=lambda problem: problem.is_warning)


def _present_names(values: dict[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """Return a file's values with keys of an older version under their present names, and a line on each."""
    found = []
    for (section, old), new in _RENAMED.items():
        table = values.get(section)
        if isinstance(table, dict) and old in table and new not in table:
            values = {**values, section: {new if key == old else key: table[key] for key in table}}
            found.append(
                Problem(f"{section}.{old}", "the name of an older version", f"{section}.{new}", True)
            )
    return values, found


def _problems_of_the_rest(values: Mapping[str, Any], faulty: set[str]) -> Iterator[Problem]:
    """Look at the sections that are sound all the same, so that one run says everything."""
    sound = {section: table for section, table in values.items() if section not in faulty}
    rest = OnCallSettings.model_validate({**_STAND_INS, **sound})
    if "rota" not in faulty and "oncall" not in faulty:
        yield from _rota_problems(rest)
    yield from _note_problems(rest)
    yield from _other_problems(rest)
    yield from _route_problems(values)


def _route_problems(values: Mapping[str, Any]) -> list[Problem]:
    """Look at the routes, as far as the file says where they are and whose."""
    oncall, rota = values.get("oncall"), values.get("rota")
    path = oncall.get("routes_file") if isinstance(oncall, dict) else None
    people = rota.get("people") if isinstance(rota, dict) else None
    if not isinstance(path, str) or not path or not isinstance(people, list):
        return []
    return read_routes(Path(path), [name for name in people if isinstance(name, str)])[1]


def _rota_problems(settings: OnCallSettings) -> Iterator[Problem]:
    people = settings.rota.people
    for name in sorted({name for name in people if people.count(name) > 1}):
        yield Problem("rota.people", f"{quoted(name)} twice", "each person once")
    zone = ZoneInfo(settings.oncall.time_zone)
    for place, swap in enumerate(settings.rota.swaps):
        where = f"rota.swaps[{place}]"
        if swap.person not in people:
            yield Problem(
                f"{where}.person", quoted(swap.person), one_of("a person of the rota", people, swap.person)
            )
        if aware(swap.start, zone) >= aware(swap.end, zone):
            yield Problem(f"{where}.until", f"{swap.end}", f"a moment after {swap.start}")
    ordered = sorted(settings.rota.swaps, key=lambda swap: aware(swap.start, zone))
    for sooner, later in pairwise(ordered):
        if aware(later.start, zone) < aware(sooner.end, zone):
            yield Problem(
                "rota.swaps",
                f"two at the same time, until {sooner.end} and from {later.start}",
                "one at a time",
            )
    if len(people) == 1:
        yield Problem(
            "rota.people", "one person", "a second one, who is called where the first does not answer", True
        )


def aware(moment: datetime, zone: ZoneInfo) -> datetime:
    """Return a moment of the file with its zone: its own offset, or else the people's zone."""
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


def _note_problems(settings: OnCallSettings) -> Iterator[Problem]:
    known = known_alarms()
    for key, note in settings.notes.items():
        where = f"notes.{quoted(key)}"
        if key not in known:
            yield Problem(where, "an alarm that does not exist", one_of("an alarm", known, key))
        elif len(note) > _LONG_NOTE:
            expected = f"{_LONG_NOTE} or fewer, else its end is cut off in a text message"
            yield Problem(where, f"{len(note)} characters", expected, True)


def _other_problems(settings: OnCallSettings) -> Iterator[Problem]:
    quiet = settings.quiet_hours
    if quiet is not None and quiet.start == quiet.end:
        yield Problem("quiet_hours.until", f"{quiet.end:%H:%M}, as from", "another time than from")
    critical = settings.priorities.get("critical")
    if critical is not None and critical.when not in (None, When.ALWAYS):
        yield Problem("priorities.critical.when", quoted(critical.when), '"always": animals are at risk')
    try:
        settings.broker.password()
    except SettingsError as error:
        for problem in error.problems:
            yield Problem(f"broker.{problem.path}", problem.found, problem.expected)


def _problem(detail: ErrorDetails) -> Problem:
    loc = [key for key in detail["loc"] if key != "[key]"]
    where = "".join(_key(key) for key in loc).removeprefix(".")
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "missing":
        field = _fields(loc[:-1])[str(loc[-1])]
        expected = f"a value ({field.description})" if field.description else f"a [{loc[-1]}] table"
        return Problem(where, "nothing", expected)
    if kind == "extra_forbidden":
        return Problem(
            where, "an unknown key", one_of("a key of this table", _fields(loc[:-1]), str(loc[-1]))
        )
    if kind == "too_short":
        return Problem(where, "an empty list", "at least one entry")
    found = "a value that is not shown" if "password" in str(loc[-1]) else shown(detail["input"])
    if kind == "string_pattern_mismatch":
        words = {**PATTERNS_IN_WORDS, shape.NOTE_PATTERN: "1 to 160 characters on one line"}
        return Problem(where, found, words[context["pattern"]])
    expected = EXPECTED[kind](context) if kind in EXPECTED else detail["msg"]
    return Problem(where, found, expected)


def _key(key: str | int) -> str:
    if isinstance(key, int):
        return f"[{key}]"
    return f".{key}" if _BARE_KEY.fullmatch(key) else f".{quoted(key)}"


def _fields(loc: list[str | int]) -> dict[str, Any]:
    """Return the keys of the table at a place."""
    place = ["*" if isinstance(key, int) else key for key in loc]
    if place[:1] == ["priorities"] and len(place) > 1:
        place[1] = "*"
    return {field.alias or name: field for name, field in _TABLES[tuple(place)].model_fields.items()}
