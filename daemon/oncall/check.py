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

from daemon.errors import Finding, SettingsError
from daemon.oncall import settings as shape
from daemon.oncall.channels import read_channels
from daemon.oncall.response_notes import known_alarms
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
    "oncall": {"time_zone": "UTC", "state": "state", "channels_file": "channels"},
    "rota": {"people": ["nobody"], "first_day": "2026-01-05"},
}
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
    settings, channels, found = examine(path)
    errors = [finding for finding in found if not finding.is_warning]
    if errors or settings is None:
        raise SettingsError(errors)
    return settings, channels


def examine(path: Path) -> tuple[OnCallSettings | None, dict[str, list[str]], list[Finding]]:
    """Return the settings where they can be used, the addresses, and what is wrong, warnings last."""
    try:
        values = read_toml(path)
    except SettingsError as error:
        return None, {}, list(error.findings)
    try:
        settings = OnCallSettings.model_validate(values)
    except ValidationError as error:
        details = error.errors(include_url=False)
        faulty = {str(detail["loc"][0]) for detail in details}
        found = [*(_finding(detail) for detail in details), *_findings_of_the_rest(values, faulty)]
        return None, {}, sorted(found, key=lambda finding: finding.is_warning)
    channels, found = read_channels(settings.oncall.channels_file, settings.rota.people)
    found += [*_rota_findings(settings), *_note_findings(settings), *_other_findings(settings)]
    return settings, channels, sorted(found, key=lambda finding: finding.is_warning)


def _findings_of_the_rest(values: Mapping[str, Any], faulty: set[str]) -> Iterator[Finding]:
    """Look at the sections that are sound all the same, so that one run says everything."""
    sound = {section: table for section, table in values.items() if section not in faulty}
    rest = OnCallSettings.model_validate({**_STAND_INS, **sound})
    if "rota" not in faulty and "oncall" not in faulty:
        yield from _rota_findings(rest)
    yield from _note_findings(rest)
    yield from _other_findings(rest)
    yield from _channel_findings(values)


def _channel_findings(values: Mapping[str, Any]) -> list[Finding]:
    """Look at the channels, as far as the file says where they are and whose."""
    oncall, rota = values.get("oncall"), values.get("rota")
    path = oncall.get("channels_file") if isinstance(oncall, dict) else None
    people = rota.get("people") if isinstance(rota, dict) else None
    if not isinstance(path, str) or not path or not isinstance(people, list):
        return []
    return read_channels(Path(path), [name for name in people if isinstance(name, str)])[1]


def _rota_findings(settings: OnCallSettings) -> Iterator[Finding]:
    people = settings.rota.people
    for name in sorted({name for name in people if people.count(name) > 1}):
        yield Finding("rota.people", f"{quoted(name)} twice", "each person once")
    zone = ZoneInfo(settings.oncall.time_zone)
    for place, swap in enumerate(settings.rota.swaps):
        where = f"rota.swaps[{place}]"
        if swap.person not in people:
            yield Finding(
                f"{where}.person", quoted(swap.person), one_of("a person of the rota", people, swap.person)
            )
        if aware(swap.start, zone) >= aware(swap.end, zone):
            yield Finding(f"{where}.until", f"{swap.end}", f"a moment after {swap.start}")
    ordered = sorted(settings.rota.swaps, key=lambda swap: aware(swap.start, zone))
    for sooner, later in pairwise(ordered):
        if aware(later.start, zone) < aware(sooner.end, zone):
            yield Finding(
                "rota.swaps",
                f"two at the same time, until {sooner.end} and from {later.start}",
                "one at a time",
            )
    if len(people) == 1:
        yield Finding(
            "rota.people", "one person", "a second one, who is called where the first does not answer", True
        )


def aware(moment: datetime, zone: ZoneInfo) -> datetime:
    """Return a moment of the file with its zone: its own offset, or else the people's zone."""
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


def _note_findings(settings: OnCallSettings) -> Iterator[Finding]:
    known = known_alarms()
    for key, note in settings.notes.items():
        where = f"notes.{quoted(key)}"
        if key not in known:
            yield Finding(where, "an alarm that does not exist", one_of("an alarm", known, key))
        elif len(note) > _LONG_NOTE:
            expected = f"{_LONG_NOTE} or fewer, else its end is cut off in a text message"
            yield Finding(where, f"{len(note)} characters", expected, True)


def _other_findings(settings: OnCallSettings) -> Iterator[Finding]:
    quiet = settings.quiet_hours
    if quiet is not None and quiet.start == quiet.end:
        yield Finding("quiet_hours.until", f"{quiet.end:%H:%M}, as from", "another time than from")
    critical = settings.priorities.get("critical")
    if critical is not None and critical.when not in (None, When.ALWAYS):
        yield Finding("priorities.critical.when", quoted(critical.when), '"always": animals are at risk')
    try:
        settings.broker.password()
    except SettingsError as error:
        for finding in error.findings:
            yield Finding(f"broker.{finding.path}", finding.found, finding.expected)


def _finding(detail: ErrorDetails) -> Finding:
    loc = [key for key in detail["loc"] if key != "[key]"]
    where = "".join(_key(key) for key in loc).removeprefix(".")
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "missing":
        field = _fields(loc[:-1])[str(loc[-1])]
        expected = f"a value ({field.description})" if field.description else f"a [{loc[-1]}] table"
        return Finding(where, "nothing", expected)
    if kind == "extra_forbidden":
        return Finding(
            where, "an unknown key", one_of("a key of this table", _fields(loc[:-1]), str(loc[-1]))
        )
    if kind == "too_short":
        return Finding(where, "an empty list", "at least one entry")
    found = "a value that is not shown" if "password" in str(loc[-1]) else shown(detail["input"])
    if kind == "string_pattern_mismatch":
        words = {**PATTERNS_IN_WORDS, shape.NOTE_PATTERN: "1 to 160 characters on one line"}
        return Finding(where, found, words[context["pattern"]])
    expected = EXPECTED[kind](context) if kind in EXPECTED else detail["msg"]
    return Finding(where, found, expected)


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
