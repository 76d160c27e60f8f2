"""The animals' record as CSV: acts and samples both ways, and what each batch lived through, day by day.

Terms of Darwin Core (dwc.tdwg.org/terms) where one fits; the others are ours and begin with bw:.
"""

import csv
import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.culture.record import QUANTITIES, Record
from daemon.culture.water import Judged
from daemon.culture.words import day
from daemon.errors import SourceError
from daemon.export.csv import csv_lines
from daemon.journal.history import Entry
from daemon.tables.values import cell, from_cell, number, utc_ms
from daemon.words import iso_time
from rules.culture.acts import Act, What
from rules.culture.cohorts import Cohort, Culture, in_order
from rules.culture.exposure import HOUR_MS, stays_within
from rules.culture.growth import Sample
from rules.errors import none_such
from rules.rack.logbook import ENTRY_KINDS, sample_of

TERMS = {
    "eventDate": "when_ms",
    "eventType": "what",
    "organismID": "cohort",
    "locationID": "vessel",
    "bw:toLocationID": "to",
    "bw:toOrganismID": "into",
    "individualCount": "value",
    "bw:share": "share",
    "samplingProtocol": "how",
    "bw:countingError": "sd",
    "bw:values": "values",
    "lifeStage": "stage",
    "bw:lineage": "lineage",
    "associatedOrganisms": "parents",
    "bw:origin": "origin",
    "bw:born": "born_ms",
    "causeOfDeath": "cause",
    "measurementValue": "measured",
    "measurementUnit": "unit",
    "bw:sampleSize": "n",
    "bw:standardDeviation": "deviation",
    "bw:least": "low",
    "bw:greatest": "high",
    "bw:diameters_mm": "diameters_mm",
    "bw:pH": "ph",
    "bw:pHScale": "scale",
    "bw:temperature_C": "temperature_c",
    "bw:salinity": "salinity",
    "eventRemarks": "note",
}
"""Column: key of what it holds. Before them stand eventID and recordedBy."""
_MOMENTS, _LISTS = {"when_ms", "born_ms"}, {"values", "diameters_mm", "parents"}
_OF_SAMPLE = {"measured", "n", "deviation", "low", "high"}
_NUMBERS = {"value", "share", "sd", "ph", "temperature_c", "salinity"} | _OF_SAMPLE
_UNSAID = {"how": "counted", "sd": 0.0, "lineage": "unknown"}


@dataclass(frozen=True, slots=True)
class Row:
    """An act ("culture") or entry ("log") that a file holds: where, who did it, and its body.

    `order` sorts them as they were done, and written: of equal moments the lower eventID first.
    """

    where: str
    order: tuple[float, int, str]
    who: str
    kind: str
    body: dict[str, Any]


def write_acts(record: Record, path: Path) -> int:
    """Write every act and entry as it was put right, in order of time; return how many there are."""
    rows = (
        [number, cell(who), *(_written(body, key) for key in TERMS.values())]
        for _, number, who, body in sorted(_bodies(record), key=lambda it: it[:2])
    )
    return _write(path, ["eventID", "recordedBy", *TERMS], rows)


def _bodies(record: Record) -> Iterator[tuple[int, int, str, dict[str, Any]]]:
    yield from ((it.at_ms, it.number, it.who, _of_act(it)) for it in record.acts)
    yield from ((it.at_ms, it.seq, it.who, _of_entry(it)) for it in record.entries)


def new_rows(record: Record, path: Path) -> Iterator[Row]:
    """Go through what a file holds of another time, kind, batch, vessel or number than all that is known."""
    known = Counter(_mark(body) for *_, body in _bodies(record))
    for row in _rows(path):
        mark = _mark(row.body)
        if known[mark]:
            known[mark] -= 1
        else:
            yield row


def _mark(body: dict[str, Any]) -> tuple[str, ...]:
    keys = ("when_ms", "what", "cohort", "vessel", "to", "into", "share")
    number = next((body[key] for key in ("measured", "value") if body.get(key) is not None), "")
    return (*(str(body.get(key) or "") for key in keys), str(number and float(number)))


def _of_act(act: Act) -> dict[str, Any]:
    body = {key: getattr(act, key, None) for key in TERMS.values()}
    return body | {"when_ms": act.at_ms}


def _of_entry(entry: Entry) -> dict[str, Any]:
    body, unit = entry.body, ENTRY_KINDS[entry.kind].unit
    value = (
        {} if body.get("value") is None else {"measured": float(body["value"]), "unit": unit, "value": None}
    )
    about = {"when_ms": entry.at_ms, "what": entry.kind, "vessel": entry.vessel}
    return body | about | value | {"deviation": body.get("sd"), "sd": None}


def _written(body: dict[str, Any], key: str) -> str:
    value = body.get(key)
    if value in (None, "", (), []) or value == _UNSAID.get(key):
        return ""
    if key in _MOMENTS:
        return iso_time(value)
    if key in _LISTS:
        return " | ".join(map(str, value))
    return repr(value) if key in _NUMBERS else cell(str(value))


def _rows(path: Path) -> Iterator[Row]:
    """Go through what a file holds; SourceError names the first column or cell that is none."""
    lines = csv_lines(path)
    _, header = next(lines, ("", []))
    if unknown := [name for name in header if name not in (*TERMS, "eventID", "recordedBy")]:
        raise SourceError(f"{path}: no column is called {unknown[0]}; known are: {', '.join(TERMS)}")
    for where, cells in lines:
        if any(cells[len(header) :]):
            raise SourceError(f"{where}: found {len(cells)} cells under {len(header)} columns")
        found = {name: from_cell(value) for name, value in zip(header, cells, strict=False) if value}
        body: dict[str, Any] = {}
        for name in found.keys() & TERMS.keys():
            try:
                body[TERMS[name]] = _read(TERMS[name], found[name])
            except ValueError as error:
                raise SourceError(f"{where}: {name}: {error}") from None
        is_act = body.get("what") in list(What) and "measured" not in body
        kind, body = ("culture", body) if is_act else ("log", _in_our_unit(where, body))
        number = found.get("eventID", "")
        order = body.get("when_ms", math.inf), len(number), number
        yield Row(where, order, found.get("recordedBy", ""), kind, body)


def _read(key: str, text: str) -> object:
    if key in _MOMENTS:
        return utc_ms(text)
    if key in _LISTS:
        parts = text.split(" | ")
        return parts if key == "parents" else [number(part) for part in parts]
    return number(text) if key in _NUMBERS else text


def _in_our_unit(where: str, body: dict[str, Any]) -> dict[str, Any]:
    """Return the body of an entry as the logbook takes it."""
    kind = ENTRY_KINDS.get(str(body.get("what")))
    if kind is None:
        raise SourceError(f"{where}: eventType: {none_such(str(body.get('what')), (*What, *ENTRY_KINDS))}")
    if (unit := body.pop("unit", kind.unit)) != kind.unit:
        raise SourceError(
            f"{where}: measurementUnit: found {unit}; {body['what']} is in {kind.unit or 'none'}"
        )
    measured = [body.pop("measured")] if "measured" in body else []
    body |= {"sd": body.pop("deviation")} if "deviation" in body else {}
    return body | sample_of(body.pop("values", measured))


_DAY = ("organismID", "eventDate", "lifeStage", "locationID", "individualCount", "samplingProtocol")
_EACH_WATER = ("mean", "least", "greatest", "days", "h_outside_advisory", "h_outside_critical", "h_unwatched")
_MORE_OF_WATER = ("worst_step_per_h", "h_below_advisory")
_OF_ENTRIES = ("bell_mean_mm", "bells", "fed_mL", "released", "died_so_far")


def write_days(record: Record, path: Path) -> int:
    """Write a row for each day of each batch: its water, number, size and food; return how many there are.

    `days` are degree-days above 0 °C (for other quantities the value times days), `h_below_advisory` what was
    missing to the advisory low, in units times hours. `individualCount` is at the end of the day.
    """
    cohorts = record.culture.cohorts.values()
    begun_ms = min((it.began_ms for it in cohorts), default=record.now_ms)
    water = record.water(cohorts, QUANTITIES, begun_ms)
    about = {of.code: (record.bells(of), record.about(of, "feed")) for of in cohorts}
    of_water = [f"{quantity}_{name}" for quantity in QUANTITIES for name in (*_EACH_WATER, *_MORE_OF_WATER)]
    then, left = Culture(), in_order(record.acts)[::-1]
    rows = []
    for span in record.days(begun_ms):
        while left and left[-1].at_ms < span[1]:
            then.do(left.pop())
        here = [it for it in then.cohorts.values() if list(stays_within(it, *span))]
        rows += [_day_row(record, of, water, span, *about[of.code]) for of in here]
    return _write(path, [*_DAY, *of_water, *_OF_ENTRIES], rows)


def _write(path: Path, header: list[str], rows: Iterable[list[Any]]) -> int:
    made = list(rows)
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows([header, *made])
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; expected where a file can be written") from error
    return len(made)


def _day_row(
    record: Record, of: Cohort, water: Judged, span: tuple[int, int], bells: list[Sample], feeds: list[Entry]
) -> list[Any]:
    where = " | ".join(dict.fromkeys(vessel for vessel, *_ in stays_within(of, *span)))
    here = [it for it in bells if span[0] <= it.at_ms < span[1]]
    count = sum(it.n for it in here)
    mean = sum(it.mean_mm * it.n for it in here) / count if count else ""
    fed = sum(it.body.get("value") or 0.0 for it in feeds if span[0] <= it.at_ms < span[1])
    released = sum(number for at_ms, number in of.released if span[0] <= at_ms < span[1])
    begin = [of.code, day(span[0], record.zone), of.stage, where, of.now.number, str(of.now.how)]
    return [*begin, *_of_water(record, of, water, span), mean, count, fed, released, of.died.number]


def _of_water(record: Record, of: Cohort, water: Judged, span: tuple[int, int]) -> Iterator[float | str]:
    for quantity in QUANTITIES:
        its = record.exposed(of, water, quantity, span)
        hours = [it / HOUR_MS for it in (its.advisory_ms, its.critical_ms, its.unwatched_ms)]
        values = [its.mean, its.lowest, its.highest, its.unit_days, *hours, its.worst_per_hour, its.deficit]
        yield from ("" if math.isnan(value) else value for value in values)
