"""`bellwatch oncall --check`: everything that is wrong with the on-call settings, in one run."""

from collections.abc import Iterator, Mapping
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from daemon.as_read import show_temperatures_in
from daemon.check.page import certificate_findings
from daemon.errors import Finding, SettingsError
from daemon.oncall.routes import read_routes
from daemon.oncall.settings import OnCallSettings, PageSettings
from daemon.response_notes import known_alarms
from daemon.settings.toml import read_toml
from daemon.tables.faults import faults_of
from daemon.tables.words import one_of, path_of, quoted
from rules.calling.duty import When

_YEARS = range(1970, 2100)
_IN_YEARS = "a moment from 1970 to 2099"
_LONG_NOTE = 70
_LONG_URL = 40
# What stands in for tables that a file must have; no check looks at them.
_STAND_INS: Mapping[str, Any] = {
    "oncall": {"time_zone": "UTC", "state": "state", "routes_file": "routes"},
    "rota": {"people": ["nobody"], "first_day": "2026-01-05"},
}
_RENAMED = {("oncall", "channels_file"): "routes_file", ("flood", "pages"): "calls"}


def load_oncall(path: Path) -> tuple[OnCallSettings, dict[str, list[str]]]:
    """Return settings and addresses, and write temperatures so from now on; SettingsError with all faults."""
    settings, routes, found = examine(path)
    errors = [finding for finding in found if not finding.is_warning]
    if errors or settings is None:
        raise SettingsError(errors)
    show_temperatures_in(settings.oncall.temperatures_in)
    return settings, routes


def examine(path: Path) -> tuple[OnCallSettings | None, dict[str, list[str]], list[Finding]]:
    """Return the settings where they can be used, the addresses, and what is wrong, warnings last."""
    try:
        values, old = _present_names(read_toml(path))
    except SettingsError as error:
        return None, {}, list(error.findings)
    try:
        settings = OnCallSettings.model_validate(values)
    except ValidationError as error:
        faulty = {str(detail["loc"][0]) for detail in error.errors(include_url=False)}
        found = [fault.finding for fault in faults_of(error, OnCallSettings, path_of)]
        found += [*_findings_of_the_rest(values, faulty), *old]
        return None, {}, sorted(found, key=lambda finding: finding.is_warning)
    routes, found = read_routes(settings.oncall.routes_file, settings.rota.people)
    found += [*_rota_findings(settings), *_note_findings(settings), *_other_findings(settings), *old]
    return settings, routes, sorted(found, key=lambda finding: finding.is_warning)


def duty_lines(settings: OnCallSettings, routes: Mapping[str, list[str]]) -> Iterator[str]:
    """Yield a line for each duty of people, and for each without cover here (deploy/faults.md has all)."""
    yield "duty of people, each morning: `bellwatch oncall status`: no message waits, who is on call"
    yield f"duty of people, once a week: `bellwatch oncall greet NAME` comes through to {', '.join(routes)}"
    how = ", answered by its link" if settings.page else ""
    yield f"duty of people, once a month: `bellwatch drill` at a rack{how}"
    lone = [person for person, addresses in routes.items() if len(addresses) == 1]
    if lone:
        yield f"duty without cover, one route alone: {', '.join(lone)}; a second one by another service"
    if settings.pair:
        yield "duty without cover, one power line or one network for both watchers: look where they stand"
    if not settings.oncall.racks:
        yield "duty without cover, a rack never heard is not missed: [oncall] racks would name it"
    if not settings.commands.enabled:
        yield "duty without cover, `bellwatch ack` at the rack too: [commands] enabled would pass it on"


def _present_names(values: dict[str, Any]) -> tuple[dict[str, Any], list[Finding]]:
    """Return a file's values with keys of an older version under their present names, and a line on each."""
    found = []
    for (section, old), new in _RENAMED.items():
        table = values.get(section)
        if isinstance(table, dict) and old in table and new not in table:
            values = {**values, section: {new if key == old else key: table[key] for key in table}}
            where = f"{section}.{old}"
            found.append(Finding(where, "the name of an older version", f"{section}.{new}", True))
    return values, found


def _findings_of_the_rest(values: Mapping[str, Any], faulty: set[str]) -> Iterator[Finding]:
    """Look at the sections that are sound all the same, so that one run says everything."""
    sound = {section: table for section, table in values.items() if section not in faulty}
    rest = OnCallSettings.model_validate({**_STAND_INS, **sound})
    if "rota" not in faulty and "oncall" not in faulty:
        yield from _rota_findings(rest)
    yield from _note_findings(rest)
    yield from _other_findings(rest)
    yield from _route_findings(values)


def _route_findings(values: Mapping[str, Any]) -> list[Finding]:
    """Look at the routes, as far as the file says where they are and whose."""
    match values:
        case {"oncall": {"routes_file": str(path)}, "rota": {"people": list(people)}} if path:
            return read_routes(Path(path), [name for name in people if isinstance(name, str)])[1]
    return []


def _rota_findings(settings: OnCallSettings) -> Iterator[Finding]:
    people = settings.rota.people
    for name in sorted({name for name in people if people.count(name) > 1}):
        yield Finding("rota.people", f"{quoted(name)} twice", "each person once")
    if settings.commands.answers:
        for name in filter(set("/+#").intersection, people):
            yield Finding("rota.people", quoted(name), "no / + # where people answer through the broker")
    if settings.rota.first_day.year not in _YEARS:
        yield Finding("rota.first_day", f"{settings.rota.first_day}", _IN_YEARS)
    yield from _swap_findings(settings)
    if len(people) == 1:
        expected = "a second one, who is called where the first does not answer"
        yield Finding("rota.people", "one person", expected, True)


def _swap_findings(settings: OnCallSettings) -> Iterator[Finding]:
    people, zone = settings.rota.people, ZoneInfo(settings.oncall.time_zone)
    for index, swap in enumerate(settings.rota.swaps):
        where = f"rota.swaps[{index}]"
        if not {swap.start.year, swap.end.year} <= set(_YEARS):
            yield Finding(where, f"{swap.start} until {swap.end}", _IN_YEARS)
        if swap.person not in people:
            expected = one_of("a person of the rota", people, swap.person)
            yield Finding(f"{where}.person", quoted(swap.person), expected)
        if aware(swap.start, zone) >= aware(swap.end, zone):
            yield Finding(f"{where}.until", f"{swap.end}", f"a moment after {swap.start}")
    ordered = sorted(settings.rota.swaps, key=lambda swap: aware(swap.start, zone))
    for sooner, later in pairwise(ordered):
        if aware(later.start, zone) < aware(sooner.end, zone):
            found = f"two at the same time, until {sooner.end} and from {later.start}"
            yield Finding("rota.swaps", found, "one at a time")


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
    for person in settings.daily_word:
        if person not in settings.rota.people:
            expected = one_of("a person of the rota", settings.rota.people, person)
            yield Finding(f"daily_word.{quoted(person)}", "nobody", expected)
    yield from _page_findings(settings.page)
    yield from _pair_findings(settings)
    try:
        settings.broker.password()
    except SettingsError as error:
        for finding in error.findings:
            yield Finding(f"broker.{finding.path}", finding.found, finding.expected)


def _pair_findings(settings: OnCallSettings) -> Iterator[Finding]:
    pair = settings.pair
    if pair is None:
        return
    names = (pair.first, pair.second)
    if pair.first == pair.second or settings.oncall.name not in names:
        found = f"{quoted(pair.first)} and {quoted(pair.second)}, this one is {quoted(settings.oncall.name)}"
        yield Finding("pair", found, "two names, one of them [oncall] name")
    if pair.other_broker in (None, settings.broker.host):
        expected = "two brokers, bridged: without this one both are deaf, and can say only that"
        yield Finding("pair.other_broker", f"both hang on {quoted(settings.broker.host)}", expected, True)


def _page_findings(page: PageSettings | None) -> Iterator[Finding]:
    if page is None:
        expected = "[page], else nobody can answer from a phone"
        yield Finding("page", "no such section", expected, True)
        return
    yield from certificate_findings(page, only_warn=True)  # calls go out all the same, without links
    if not page.url.startswith("https://"):
        yield Finding("page.url", quoted(page.url), "https: whoever reads along may answer", True)
    if len(page.url) > _LONG_URL:
        expected = f"{_LONG_URL} or fewer, so that a message has room for what is wrong"
        yield Finding("page.url", f"{len(page.url)} characters", expected, True)
