"""Incidents: stretches of the record that somebody has marked, kept in a file beside the data.

The file is a CSV that people may also write by hand: from, to (ISO 8601 with an offset), vessel,
what it was, call_wanted (yes or no), state (accepted or proposed), origin. Only accepted incidents
count in a score.
"""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import SourceError
from daemon.export.csv import csv_lines
from daemon.files import replacing
from daemon.tables.values import cell, from_cell, one_line, utc_ms
from daemon.words import iso_time
from rules.tuning.scoring import Incident

COLUMNS = ("from", "to", "vessel", "what", "call_wanted", "state", "origin")
ACCEPTED, PROPOSED = "accepted", "proposed"
_YES_NO = {"yes": True, "no": False}
_NEEDED = COLUMNS[:5]
_ONCE = {"page_wanted": "call_wanted"}
"""Columns that an older version named otherwise; they are understood."""


@dataclass(frozen=True, slots=True)
class Mark:
    """An incident and how it came to be marked: `state` is accepted or proposed."""

    incident: Incident
    state: str
    origin: str


def beside(source: str) -> Path:
    """Return where the incidents of a source are kept; SourceError for one that is no file."""
    if source.startswith(("http://", "https://")):
        raise SourceError(f"{source}: incidents are kept in a file; name it with --incidents")
    return Path(f"{source}.incidents.csv")


def read_marks(path: Path) -> list[Mark]:
    """Return the marks in a file, by time; none where there is no file. SourceError names a bad line."""
    if not path.exists():
        return []
    lines = csv_lines(path)
    header = [_ONCE.get(name, name) for name in next(lines, ("", []))[1]]
    missing = [name for name in _NEEDED if name not in header]
    if missing:
        raise SourceError(f"{path}: no column {', '.join(missing)}; expected {', '.join(COLUMNS)}")
    return in_order(_mark(dict(zip(header, cells, strict=False)), where) for where, cells in lines)


def write_marks(path: Path, marks: Iterable[Mark]) -> None:
    """Write marks, all or nothing: a file that is cut short by a power cut never replaces the old one."""
    try:
        with replacing(path, ".new") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            writer.writerows(map(_row, in_order(marks)))
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; its folder must be writable") from error


def added(marks: Sequence[Mark], new: Iterable[Mark]) -> list[Mark]:
    """Return marks with those of `new` that are not there yet: same vessel, overlapping time, same words."""
    result = list(marks)
    for mark in new:
        if not any(_same(mark.incident, known.incident) for known in result):
            result.append(mark)
    return in_order(result)


def accepted_incidents(marks: Iterable[Mark]) -> list[Incident]:
    """Return the incidents that count."""
    return [mark.incident for mark in marks if mark.state == ACCEPTED]


def in_order(marks: Iterable[Mark]) -> list[Mark]:
    """Return marks by time and vessel."""
    return sorted(marks, key=lambda mark: (mark.incident.start_ms, mark.incident.vessel, mark.incident.what))


def incident_of(start: str, end: str, vessel: str, what: str, call_wanted: str, where: str) -> Incident:
    """Read an incident from words; SourceError says `where` and what would be right."""
    start_ms, end_ms = moment_ms(start, f"{where}, from"), moment_ms(end, f"{where}, to")
    if end_ms <= start_ms:
        raise SourceError(f"{where}: it ends at {end}, not after its beginning at {start}")
    if not vessel.strip() or not what.strip():
        raise SourceError(f"{where}: vessel and what it was must both be given")
    wanted = _YES_NO.get(call_wanted.strip().lower())
    if wanted is None:
        raise SourceError(f"{where}, call_wanted: {call_wanted!r}; expected yes or no")
    return Incident(start_ms, end_ms, one_line(vessel.strip()), one_line(what.strip()), wanted)


def _mark(row: dict[str, str], where: str) -> Mark:
    start, end, vessel, what, call_wanted, state, origin = [
        one_line(from_cell(row.get(name, ""))) for name in COLUMNS
    ]
    if state not in ("", ACCEPTED, PROPOSED):
        raise SourceError(f"{where}, state: {state!r}; expected {ACCEPTED} or {PROPOSED}")
    incident = incident_of(start, end, vessel, what, call_wanted, where)
    return Mark(incident, state or ACCEPTED, origin or "by hand")


def _row(mark: Mark) -> tuple[str, ...]:
    incident, wanted = mark.incident, "yes" if mark.incident.call_wanted else "no"
    span = iso_time(incident.start_ms), iso_time(incident.end_ms)
    return (*span, cell(incident.vessel), cell(incident.what), wanted, mark.state, cell(mark.origin))


def moment_ms(text: str, where: str) -> int:
    """Read a moment in ISO 8601 as UTC milliseconds; SourceError says `where` it is not one."""
    try:
        return utc_ms(text.strip())
    except ValueError:
        expected = "ISO 8601 with its offset, as 2026-08-15T00:40+02:00"
        raise SourceError(f"{where}: {text!r}; expected {expected}") from None


def _same(one: Incident, other: Incident) -> bool:
    overlap = one.start_ms <= other.end_ms and other.start_ms <= one.end_ms
    return overlap and (one.vessel, one.what) == (other.vessel, other.what)
