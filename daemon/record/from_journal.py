"""A journal as the tables of a record, block by block: small ones whole, readings as they are judged."""

import json
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from daemon.journal.dating import Dating
from daemon.journal.inputs import CONFIGURE
from daemon.journal.journal import Journal
from daemon.journal.logbook import calibrations_in
from daemon.record.arrow import table_of, table_of_rows, words
from daemon.record.judged import Columns, Judging, ucum
from daemon.record.tables import TABLES
from daemon.sources.drift_correction import corrections_by_source
from daemon.tune.incidents import beside, read_marks
from daemon.version import version
from rules import RULES_VERSION
from rules.readings import Readings

BLOCK = 200_000
"""Readings at a time: some hundred megabytes at most while they are judged and written."""

_WORTH_WRITING = 50_000
"""Rows: every action ends a block, and what is written in small parts costs more than what is in them."""

_MILLENNIUM_MS = 31_556_952_000_000

_EVENT = ("vessel", "channel", "condition", "trigger", "state", "priority", "who", "why")

Tables = Iterator[tuple[str, pa.Table]]
"""Names and parts of tables, those of one name in their order."""


@dataclass(frozen=True, slots=True)
class Part:
    """Which readings: from `from_ms` up to, not including, `to_ms` (UTC, when measured), of some vessels."""

    from_ms: int = -(2**63)
    to_ms: int = 2**63 - 1
    vessels: tuple[str, ...] = ()

    def rows(self, vessel: NDArray[np.bool_], time_ms: NDArray[np.int64]) -> NDArray[np.intp]:
        """Return which rows belong to it, of a selected `vessel` and measured at `time_ms`: shapes n."""
        return np.flatnonzero(vessel & (time_ms >= self.from_ms) & (time_ms < self.to_ms))

    def has(self, vessel: str) -> bool:
        """Return whether a vessel is selected."""
        return not self.vessels or vessel in self.vessels


class JournalTables:
    """Gives the tables of a journal that stands still meanwhile; `notes` say what cannot be in them."""

    def __init__(self, journal: Journal, part: Part) -> None:
        self._journal, self._part = journal, part
        self._dating: Dating = journal.state.dating()
        self._sources = journal.inputs.sources()
        partly = "only a part of the readings is in it: a replay of it differs"
        self.notes = [] if part == Part() else [partly]
        if not self._dating.newest.synchronised:
            self.notes.append("times of the newest readings are a guess of the machine's: clock_set is false")

    @property
    def runs_back(self) -> bool:
        """Return whether the times of a series may run back, or be missing since no calendar has them."""
        return self._dating.runs_back or self._dating.largest_ahead_ms > _MILLENNIUM_MS

    def about(self) -> dict[str, Any]:
        """Return where the record comes from, in words and ids."""
        plan, part = self._journal.inputs.newest_action(CONFIGURE), self._part
        return {
            "rack": str(plan.body.get("rack", "")) if plan else "",
            "journal": self._journal.id,
            "run": self._journal.run_id,
            "created": datetime.now(UTC).isoformat(timespec="seconds"),
            "made_by": f"bellwatch {version()}, rules {RULES_VERSION}",
            "part": {"from_ms": part.from_ms, "to_ms": part.to_ms, "vessels": [*part.vessels]},
            "notes": self.notes,
        }

    def all(self) -> Tables:
        """Go through all tables; no reading is held longer than its block."""
        for name in TABLES:
            if name == "calibration":
                yield name, self._calibrations()
            elif name == "incident":
                yield name, self._incidents()
            elif name not in ("reading", "judged"):
                columns = TABLES[name].taken_back
                rows = self._journal.rows_of(name, columns)
                yield name, table_of_rows(name, columns, rows, getattr(self, f"_of_{name}", self._moment))
        yield from _gathered(self._readings())

    def _moment(self, row: Columns) -> Columns:
        if "at_ms" not in row:
            return {}
        stretch = self._dating.at(row["at_ms"])
        return {"time": row["at_ms"] + stretch.ahead_ms, "clock_set": stretch.synchronised}

    def _of_source(self, row: Columns) -> Columns:
        return {"unit": ucum(row["quantity"])}

    def _of_dating(self, row: Columns) -> Columns:
        return {"time": row["from_ms"] + row["ahead_ms"]}

    def _of_event(self, row: Columns) -> Columns:
        body = _object(row["body"])
        evidence, since_ms = body.get("evidence"), _number(body.get("since_ms"))
        since = None if since_ms is None else self._dating.utc_ms(int(since_ms))
        said = {key: str(body.get(key, "")) for key in _EVENT}
        found = evidence if isinstance(evidence, dict) else {}
        numbers = {key: _number(found.get(key)) for key in ("value", "limit")}
        return {**self._moment(row), "since": since, **said, **numbers}

    def _of_entry(self, row: Columns) -> Columns:
        body = _object(row["body"])
        return {**self._moment(row), "note": str(body.get("note") or body.get("why") or "")}

    def _of_hourly(self, row: Columns) -> Columns:
        counted = row["readings"] - row["failed"]
        mean = row["total"] / counted if counted else None
        return {"hour": row["hour_ms"], "mean": mean, **self._named(row["source"])}

    def _named(self, source: int) -> Columns:
        probe, quantity, vessel = self._sources[source]
        return {"probe": probe, "quantity": quantity, "vessel": vessel, "unit": ucum(quantity)}

    def _calibrations(self) -> pa.Table:
        names = ("time", "probe", "quantity", "who", "standard", "slope", "offset", "plus_minus", "note")
        rows = []
        for it in calibrations_in(self._journal):
            probe = it.probe, str(it.quantity), it.who, it.standard
            line = it.line.slope, it.line.offset, it.uncertainty_at(it.points[0].true)
            rows.append((self._dating.utc_ms(it.at_ms), *probe, *line, it.note))
        return table_of_rows("calibration", names, rows, lambda _row: {})

    def _incidents(self) -> pa.Table:
        marks = read_marks(beside(str(self._journal.path)))
        rows = [
            (*span, wanted or False, "ask" if wanted is None else mark.state, mark.origin, *about)
            for mark in marks
            for *span, wanted in [astuple(mark.incident)[:5]]
            for about in [astuple(mark.incident)[5:]]
        ]
        return table_of_rows("incident", TABLES["incident"].taken_back, rows, self._of_incident)

    def _of_incident(self, row: Columns) -> Columns:
        utc = {
            named: None if row[key] is None else self._dating.utc_ms(row[key])
            for key, named in (("begin", "begin_time"), ("end", "end_time"), ("harm_from", "harm_time"))
        }
        return {**utc, "clock_set": self._dating.at(row["begin"]).synchronised}

    def _readings(self) -> Tables:
        visits = calibrations_in(self._journal)
        judging = Judging(corrections_by_source(self._sources, visits), self._dating)
        for item in self._journal.inputs.after(0, BLOCK):
            if isinstance(item, Readings):
                yield "reading", self._reading(item)
            yield from self._judged(judging.of(item))
        yield from self._judged(judging.held_back())
        if judging.trouble:
            self.notes.append(f"not every reading has calibrated or derived values: {judging.trouble}")

    def _judged(self, found: list[Columns]) -> Tables:
        parts = [self._selected(columns) for columns in found if self._part.has(columns["vessel"])]
        if whole := [part for part in parts if part.num_rows]:
            yield "judged", pa.concat_tables(whole).unify_dictionaries()

    def _reading(self, readings: Readings) -> pa.Table:
        ahead_ms, known = self._dating.ahead(readings.at_ms)
        time_ms = readings.time_ms + ahead_ms
        ids = np.array(sorted(self._sources), dtype=np.int64)
        place = np.searchsorted(ids, readings.source)
        named = [self._named(source) for source in ids.tolist()]
        vessel = np.array([self._part.has(its["vessel"]) for its in named])[place]
        here = self._part.rows(vessel, time_ms)
        columns = {
            "seq": readings.seq[here],
            "at_ms": readings.at_ms[here],
            "source": readings.source[here],
            "lag_ms": (readings.at_ms - readings.time_ms)[here],
            "value": readings.value[here],
            "time": time_ms[here],
            "clock_set": known[here],
            **{key: words([its[key] for its in named], place[here]) for key in named[0]},
        }
        return table_of("reading", columns, here.size)

    def _selected(self, columns: Columns) -> pa.Table:
        time_ms = columns["time"]
        here = self._part.rows(np.ones(time_ms.size, dtype=np.bool_), time_ms)
        found = {key: its[here] if isinstance(its, np.ndarray) else its for key, its in columns.items()}
        return table_of("judged", found, here.size)


def _gathered(tables: Tables) -> Tables:
    """Join parts of a table, in their order, until they are worth writing."""
    held: dict[str, list[pa.Table]] = {}
    for name, part in tables:
        held.setdefault(name, []).append(part)
        if sum(its.num_rows for its in held[name]) >= _WORTH_WRITING:
            yield name, _joined(held.pop(name))
    for name, parts in held.items():
        yield name, _joined(parts)


def _joined(parts: list[pa.Table]) -> pa.Table:
    return pa.concat_tables(parts).unify_dictionaries().combine_chunks()


def _number(found: object) -> float | None:
    return float(found) if isinstance(found, int | float) and abs(found) < 2**62 else None


def _object(body: str) -> Columns:
    try:
        found = json.loads(body)
    except ValueError:  # damaged: it goes over as it is
        return {}
    return found if isinstance(found, dict) else {}
