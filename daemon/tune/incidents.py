"""Incidents: stretches of the record that somebody has marked, kept in a file beside the data.

The file is a CSV that people may also write by hand: from, to (ISO 8601 with an offset), vessel (or
several, a space between), what it was, call_wanted (yes, no or ask), state (accepted or proposed),
origin, and what else is known: `ABOUT`. Only accepted incidents count in a score.
"""

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from daemon.errors import SourceError
from daemon.export.csv import csv_lines
from daemon.files import replacing
from daemon.tables.values import cell, from_cell, one_line, utc_ms
from daemon.words import iso_time
from rules.care.rationale import Severity
from rules.quantities import Quantity
from rules.tuning.incident import KINDS, Incident

ABOUT = ("quantity", "kind", "cause", "severity", "harm_from", "evidence")
"""What else may be known of an incident; empty where it is not, as in files of older versions."""

COLUMNS = ("from", "to", "vessel", "what", "call_wanted", "state", "origin", *ABOUT)
ACCEPTED, PROPOSED = "accepted", "proposed"
_WANTED = {"yes": True, "no": False, "ask": None}
_ONE_OF = {"quantity": tuple(map(str, Quantity)), "kind": KINDS, "severity": tuple(map(str, Severity))}
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
    return in_order(
        mark_of(dict(zip(header, map(from_cell, cells), strict=False)), where) for where, cells in lines
    )


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


def incident_of(row: Mapping[str, str], where: str) -> Incident:
    """Read an incident from words by column; SourceError says `where` and what would be right."""
    row = {name: one_line(row.get(name, "").strip()) for name in COLUMNS}
    start_ms, end_ms = (moment_ms(row[name], f"{where}, {name}") for name in ("from", "to"))
    if end_ms <= start_ms:
        raise SourceError(f"{where}: it ends at {row['to']}, not after its beginning at {row['from']}")
    if not row["vessel"] or not row["what"]:
        raise SourceError(f"{where}: vessel and what it was must both be given")
    wanted = row["call_wanted"].lower()
    if wanted not in _WANTED:
        raise SourceError(f"{where}, call_wanted: {row['call_wanted']!r}; expected yes, no or ask")
    for name, known in _ONE_OF.items():
        if row[name] not in ("", *known):
            raise SourceError(f"{where}, {name}: {row[name]!r}; expected {', '.join(known)} or nothing")
    harm_ms = moment_ms(row["harm_from"], f"{where}, harm_from") if row["harm_from"] else None
    if harm_ms is not None and harm_ms < start_ms:
        raise SourceError(f"{where}, harm_from: {row['harm_from']}, before its beginning at {row['from']}")
    about = row["quantity"], row["kind"], row["cause"], row["severity"], harm_ms, row["evidence"]
    return Incident(start_ms, end_ms, row["vessel"], row["what"], _WANTED[wanted], *about)


def mark_of(row: Mapping[str, str], where: str) -> Mark:
    """Read a mark from words by column; SourceError says `where` and what would be right."""
    state, incident = row.get("state") or ACCEPTED, incident_of(row, where)
    if state not in (ACCEPTED, PROPOSED):
        raise SourceError(f"{where}, state: {state!r}; expected {ACCEPTED} or {PROPOSED}")
    mark = Mark(incident, PROPOSED, one_line(row.get("origin", "")) or "by hand")
    return accepted(mark, incident.call_wanted, where) if state == ACCEPTED else mark


def accepted(mark: Mark, wanted: bool | None, where: str) -> Mark:
    """Return a mark as accepted; SourceError where nobody says whether a call was `wanted`."""
    wanted = mark.incident.call_wanted if wanted is None else wanted
    if wanted is None:
        raise SourceError(f"{where}: was a call wanted for it? Say yes or no before it is accepted")
    return replace(mark, incident=replace(mark.incident, call_wanted=wanted), state=ACCEPTED)


def _row(mark: Mark) -> tuple[str, ...]:
    its = mark.incident
    wanted = next(word for word, said in _WANTED.items() if said is its.call_wanted)
    harm = "" if its.harm_ms is None else iso_time(its.harm_ms)
    about = its.quantity, its.kind, cell(its.cause), its.severity, harm, cell(its.evidence)
    span = iso_time(its.start_ms), iso_time(its.end_ms)
    return (*span, cell(its.vessel), cell(its.what), wanted, mark.state, cell(mark.origin), *about)


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
