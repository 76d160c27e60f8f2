"""The journal's inputs: readings, their sources and what people did, numbered together as they arrived."""

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice, pairwise

import numpy as np
from numpy.typing import NDArray

from rules.readings import Action, Readings

NumberedReading = tuple[int, int, int, int, float]
"""A row of the table `reading`: seq, at_ms, source, lag_ms (behind at_ms), value."""

READING_ROW = np.dtype("<i8, <i8, <i8, <i8, <f8")
READING_ROW.names = ("seq", "at_ms", "source", "lag_ms", "value")
"""The same in an array; its bytes are those that are sealed."""

_ROWS_A_STATEMENT = 50

CONFIGURE = "configure"
"""The kind of action that puts a plan into force; every journal begins with one."""

UNREADABLE_PLAN = f"unreadable {CONFIGURE}"
"""What is left of one of which a bit has flipped."""

RULES = "rules"
"""Where such an action says which version of the rules judged under its plan."""

LATELY = 20_000
"""So many inputs back the newest reading of a source is looked for, which has no index."""

FLAGGED = (
    "reading r JOIN source s ON s.id = r.source LEFT JOIN flag f ON f.seq = r.seq AND"
    " f.channel IN (s.vessel || '/' || s.quantity, s.vessel || '/' || s.quantity || '/' || s.probe)"
)
"""Readings (r) with the flag (f) of their own channel."""


class Inputs:
    """Owns the tables `source`, `reading`, `action` and `taken` (the requests that became actions)."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._next_seq = self.last_seq() + 1

    def last_seq(self) -> int:
        """Return the number of the newest input; 0 where there is none."""
        (seq,) = self._db.execute(
            "SELECT max((SELECT ifnull(max(seq), 0) FROM reading), (SELECT ifnull(max(seq), 0) FROM action),"
            " (SELECT ifnull(max(seq), 0) FROM snapshot))"
        ).fetchone()
        return int(seq)

    def newest_value(self, source: int) -> float | None:
        """Return what a source reported last, as it came; None where that is long ago."""
        row = self._db.execute(
            "SELECT value FROM reading WHERE source = ? AND seq > ? ORDER BY seq DESC LIMIT 1",
            (source, self.last_seq() - LATELY),
        ).fetchone()
        return None if row is None else float(row[0])

    def reports_since(self, source: int, after_seq: int) -> list[tuple[int, float]]:
        """Return what a source reported since an input, when (ms) and as it came, oldest first."""
        return self._db.execute(
            "SELECT at_ms - lag_ms, value FROM reading WHERE source = ? AND seq > ? ORDER BY seq",
            (source, after_seq),
        ).fetchall()

    def span(self) -> tuple[int, int] | None:
        """Return the numbers of the oldest and the newest reading; None where there is none."""
        first, last = self._db.execute(  # each by the index; asked for together, SQLite reads the whole table
            "SELECT (SELECT min(seq) FROM reading), (SELECT max(seq) FROM reading)"
        ).fetchone()
        return None if first is None else (int(first), int(last))

    def last_seq_before(self, at_ms: int) -> int:
        """Return the number of the newest reading taken in before a moment; 0 where there is none.

        Numbers and times rise together, so a search by halves finds it without an index.
        """
        span = self.span()
        if span is None:
            return 0
        newest = "SELECT at_ms, seq FROM reading WHERE seq <= ? ORDER BY seq DESC LIMIT 1"
        numbers = range(span[0], span[1] + 1)
        later = bisect_left(numbers, at_ms, key=lambda seq: self._db.execute(newest, (seq,)).fetchone()[0])
        found = self._db.execute(newest, (span[0] + later - 1,)).fetchone()
        return 0 if found is None else int(found[1])

    def contradiction(self) -> int | None:
        """Return the first input whose number is given twice, or whose time falls; None where all is well.

        It looks at actions and the readings beside them; that readings are in order is for who wrote them.
        """
        rows = self._db.execute(
            "SELECT seq, at_ms FROM reading WHERE seq IN ("
            "SELECT (SELECT max(seq) FROM reading WHERE seq <= action.seq) FROM action"
            " UNION SELECT (SELECT min(seq) FROM reading WHERE seq > action.seq) FROM action)"
            " UNION ALL SELECT seq, at_ms FROM action ORDER BY seq"
        )
        wrong = (seq for (one, late), (seq, at_ms) in pairwise(rows) if seq == one or at_ms < late)
        return next(wrong, None)

    # Sources

    def source_id(self, probe: str, quantity: str, vessel: str) -> int:
        """Return the number under which a source is kept, making one for a new source."""
        key = (probe, quantity, vessel)
        self._db.execute("INSERT OR IGNORE INTO source (probe, quantity, vessel) VALUES (?, ?, ?)", key)
        found = self._db.execute("SELECT id FROM source WHERE (probe, quantity, vessel) = (?, ?, ?)", key)
        return int(found.fetchone()[0])

    def sources(self) -> dict[int, tuple[str, str, str]]:
        """Return probe, quantity and vessel of every source, by its number."""
        rows = self._db.execute("SELECT id, probe, quantity, vessel FROM source")
        return {source: (probe, quantity, vessel) for source, probe, quantity, vessel in rows}

    # Readings

    def number(self, readings: Iterable[tuple[int, int, int, float]]) -> list[NumberedReading]:
        """Give readings (at_ms, source, time_ms, value) the next numbers; `write` writes them down."""
        rows = [
            (seq, at_ms, source, at_ms - time_ms, value)
            for seq, (at_ms, source, time_ms, value) in enumerate(readings, self._next_seq)
        ]
        self._next_seq += len(rows)
        return rows

    def number_again(self) -> None:
        """Take back the numbers of what was never written."""
        self._next_seq = self.last_seq() + 1

    def write(self, rows: Iterable[NumberedReading]) -> None:
        """Write down numbered readings."""
        self._db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)

    def write_array(self, rows: NDArray[np.void]) -> None:
        """Write down numbered readings of READING_ROW, many by each statement, whose time is its own."""
        columns, together = len(READING_ROW.names or ()), rows.size // _ROWS_A_STATEMENT * _ROWS_A_STATEMENT
        cells: list[float] = [0] * (together * columns)
        for place, name in enumerate(READING_ROW.names or ()):
            cells[place::columns] = rows[name][:together].tolist()
        marks = ", ".join(["(?, ?, ?, ?, ?)"] * _ROWS_A_STATEMENT)
        statements = zip(*[iter(cells)] * (columns * _ROWS_A_STATEMENT), strict=True)
        self._db.executemany(f"INSERT INTO reading VALUES {marks}", statements)
        self.write(rows[together:].tolist())

    def append_readings(self, readings: Iterable[tuple[int, int, int, float]]) -> Readings:
        """Write readings (at_ms, source, time_ms, value) down in their order and return them numbered."""
        rows = self.number(readings)
        self.write(rows)
        return as_readings(rows)

    def rows(self, after_seq: int, upto_seq: int, before_ms: int = 2**62) -> Iterator[NumberedReading]:
        """Go through the readings with after_seq < seq <= upto_seq that were taken in before a moment."""
        return self._db.execute(
            "SELECT seq, at_ms, source, lag_ms, value FROM reading"
            " WHERE seq > ? AND seq <= ? AND at_ms < ? ORDER BY seq",
            (after_seq, upto_seq, before_ms),
        )

    def let_go(self, upto_seq: int) -> None:
        """Delete readings up to a number; what was made of them is for who asks."""
        self._db.execute("DELETE FROM reading WHERE seq <= ?", (upto_seq,))

    # What people did

    def append_action(self, action: Action) -> int:
        """Write down what a person did, or a change of plan, and return its number."""
        seq, self._next_seq = self._next_seq, self._next_seq + 1
        self._db.execute(
            "INSERT INTO action VALUES (?, ?, ?, ?, ?)",
            (seq, action.at_ms, action.kind, action.who, json.dumps(action.body)),
        )
        return seq

    def keep_answer(self, request: str, seq: int, refusal: str) -> None:
        """Note that a request became the action `seq`; an empty `refusal` says that it was done."""
        self._db.execute("INSERT INTO taken VALUES (?, ?, ?)", (request, seq, refusal))

    def taken(self, request: str) -> tuple[Action, str] | None:
        """Return what a request became and how it was answered; None for one that is new."""
        row = self._db.execute(
            "SELECT at_ms, kind, who, body, refusal FROM taken JOIN action USING (seq) WHERE id = ?",
            (request,),
        ).fetchone()
        return None if row is None else (_action(*row[:4]), str(row[4]))

    def actions(self, kind: str) -> list[Action]:
        """Return what people did of one kind, oldest first; also what was refused."""
        rows = self._db.execute(
            "SELECT at_ms, kind, who, body FROM action WHERE kind = ? ORDER BY seq", (kind,)
        )
        return [_action(*row) for row in rows]

    def asked_of(self, key: str, name: str, from_ms: int, to_ms: int) -> list[tuple[Action, str]]:
        """Return what people asked between two moments about something, with refusals (empty: done)."""
        rows = self._db.execute(
            "SELECT at_ms, kind, who, body, ifnull(refusal, '') FROM action LEFT JOIN taken USING (seq)"
            " WHERE at_ms BETWEEN ? AND ? AND json_valid(body) AND json_extract(body, ?) = ?"
            " ORDER BY seq",
            (from_ms, to_ms, f"$.{key}", name),
        )
        return [(_action(*row[:4]), str(row[4])) for row in rows]

    def done(
        self, between: tuple[int, int], kinds: Sequence[str], targets: Sequence[str] = (), at_most: int = -1
    ) -> list[Action]:
        """Return the newest that people did of some kinds between two moments, to some targets (none: all).

        What was refused is left out; the oldest comes first.
        """
        about = f" AND json_extract(body, '$.target') IN ({', '.join('?' * len(targets))})" if targets else ""
        rows = self._db.execute(
            "SELECT at_ms, kind, who, body FROM action LEFT JOIN taken USING (seq)"
            f" WHERE at_ms BETWEEN ? AND ? AND kind IN ({', '.join('?' * len(kinds))})"
            f" AND ifnull(refusal, '') = '' AND json_valid(body){about} ORDER BY seq DESC LIMIT ?",
            (*between, *kinds, *targets, at_most),
        ).fetchall()
        return [_action(*row) for row in reversed(rows)]

    def newest_action(self, kind: str, upto_seq: int = 2**62) -> Action | None:
        """Return the newest action of a kind up to a number; None where there is none."""
        row = self._db.execute(
            "SELECT at_ms, kind, who, body FROM action WHERE kind = ? AND seq <= ? ORDER BY seq DESC LIMIT 1",
            (kind, upto_seq),
        ).fetchone()
        return None if row is None else _action(*row)

    def numbered_actions(self, after_seq: int = 0) -> list[tuple[int, Action]]:
        """Return every action after a number with its own, oldest first, each under the rules of its time."""
        rows = self._db.execute(
            "SELECT seq, at_ms, kind, who, body FROM action WHERE seq > ? ORDER BY seq", (after_seq,)
        )
        rules = judged_by(self.newest_action(CONFIGURE, after_seq)) or 0
        found = []
        for seq, *row in rows:
            action = _action(*row)
            if action.kind == CONFIGURE:
                rules = judged_by(action) or 0
            found.append((int(seq), replace(action, rules=rules)))
        return found

    # Both in order

    def after(
        self, after_seq: int, block: int = 100_000, readings_after_seq: int = 0
    ) -> Iterator[Readings | Action]:
        """Go through the inputs after `after_seq` in order, readings in blocks of at most `block`.

        Readings up to `readings_after_seq` are passed over, actions are not.
        """
        start = after_seq
        for seq, action in self.numbered_actions(after_seq):
            yield from self._blocks(max(start, readings_after_seq), seq - 1, block)
            yield action
            start = seq
        yield from self._blocks(max(start, readings_after_seq), self.last_seq(), block)

    def _blocks(self, after_seq: int, upto_seq: int, block: int) -> Iterator[Readings]:
        rows = self.rows(after_seq, upto_seq)
        while found := list(islice(rows, block)):
            yield as_readings(found)

    def start_ms(self) -> int:
        """Return the time of the first input; there must be one."""
        (first,) = self._db.execute(
            "SELECT min(ifnull((SELECT at_ms FROM reading ORDER BY seq LIMIT 1), 9e18),"
            " ifnull((SELECT at_ms FROM action ORDER BY seq LIMIT 1), 9e18))"
        ).fetchone()
        return int(first)


def judged_by(plan: Action | None) -> int | None:
    """Return the version of the rules that judged under a plan; None before plans carried it."""
    return None if plan is None else plan.body.get(RULES)


def as_readings(rows: list[NumberedReading]) -> Readings:
    """Return rows of the table `reading` as the engine takes them."""
    whole = np.fromiter(rows, READING_ROW, len(rows))
    seq, at_ms, source, value = (whole[name].copy() for name in ("seq", "at_ms", "source", "value"))
    return Readings(seq, at_ms, source, at_ms - whole["lag_ms"], value)


def _action(at_ms: int, kind: str, who: str, body: str) -> Action:
    try:
        found = json.loads(body)
    except ValueError:
        found = None
    if not isinstance(found, dict):  # damaged: what nobody can do is refused, and said, where it is folded
        return Action(at_ms, f"unreadable {kind}", who, {})
    return Action(at_ms, kind, who, found)
