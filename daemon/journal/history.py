"""The journal's history: what the rules made of the inputs, and what people wrote down."""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any

import structlog

from daemon.journal.dating import Dating
from daemon.journal.inputs import FLAGGED
from rules.alarms.event import AlarmEvent
from rules.alarms.history import alarm_event_from_json, says_the_same
from rules.errors import RulesError
from rules.plain import to_plain
from rules.quality.flags import WORSE_THAN_PASS, Flag, worse_than_pass
from rules.readings import Action, Notice, Outcome

log = structlog.get_logger()

HOUR_MS = 3_600_000
UNUSABLE = (RulesError, ValueError, KeyError, TypeError, AttributeError, IndexError)
"""What comes of stored text that is damaged, or that another version wrote."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What somebody wrote down; `seq` is the input with which it came, and tells it from all others.

    `corrects` names an earlier entry that this one puts right; both stay.
    """

    seq: int
    kind: str
    at_ms: int
    who: str
    vessel: str
    body: dict[str, Any]
    corrects: int | None = None


def entry_of(seq: int, action: Action) -> Entry | None:
    """Return what an action writes down; None where it only does something."""
    if action.kind not in ("log", "hand_measurement", "culture"):
        return None
    body, kind = action.body, action.body.get("what") if action.kind == "log" else action.kind
    vessel = str(body.get("vessel", "" if kind == "culture" else None))
    return Entry(seq, str(kind), action.at_ms, action.who, vessel, body, body.get("corrects"))


class History:
    """Owns the tables `flag`, `event`, `notice`, `hourly` and `entry`."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def record(self, outcome: Outcome) -> None:
        """Write down the flags and events of an outcome."""
        for flags in outcome.flags:
            worse = worse_than_pass(flags.summary)
            if not worse.any():
                continue
            columns = (column[worse].tolist() for column in (flags.seq, flags.summary, flags.tests))
            self.keep_flags((seq, flags.channel, *found) for seq, *found in zip(*columns, strict=True))
        amended = [(late.seq, late.channel, late.summary, late.tests) for late in outcome.amendments]
        self.keep_flags([row for row in amended if row[2] in WORSE_THAN_PASS])
        self._db.executemany(
            "DELETE FROM flag WHERE (seq, channel) = (?, ?)",
            [row[:2] for row in amended if row[2] not in WORSE_THAN_PASS],
        )
        self._db.executemany("INSERT INTO event VALUES (?, ?, ?, ?)", map(_event_row, outcome.events))

    def keep_flags(self, rows: Iterable[tuple[int, str, int, int]]) -> None:
        """Write down flags worse than pass: seq, channel, summary, single tests."""
        self._db.executemany("INSERT OR REPLACE INTO flag VALUES (?, ?, ?, ?)", rows)

    def let_go(self, upto_seq: int, dating: Dating) -> None:
        """Delete flags of readings up to a number, and keep summaries by source and hour of the readings."""
        self._db.create_function("utc_ms", 1, dating.utc_ms)
        self._db.execute(
            "INSERT INTO hourly"
            f" SELECT source, (utc_ms(at_ms) - lag_ms) / {HOUR_MS} * {HOUR_MS} AS hour, count(*),"
            f" count(*) - count(good), total(good), min(good), max(good) FROM (SELECT r.*,"
            f" CASE WHEN f.summary = {Flag.FAIL:d} THEN NULL ELSE r.value END AS good FROM {FLAGGED}"
            " WHERE r.seq <= ?) WHERE true GROUP BY source, hour"
            " ON CONFLICT (source, hour_ms) DO UPDATE SET"
            " readings = readings + excluded.readings, failed = failed + excluded.failed,"
            " total = total + excluded.total,"
            " lowest = min(ifnull(lowest, excluded.lowest), ifnull(excluded.lowest, lowest)),"
            " highest = max(ifnull(highest, excluded.highest), ifnull(excluded.highest, highest))",
            (upto_seq,),
        )
        self._db.execute("DELETE FROM flag WHERE seq <= ?", (upto_seq,))

    def hourly(self) -> list[tuple[int, int, int, float | None, float | None]]:
        """Return the summaries by source and hour (UTC): how many readings failed, lowest, highest."""
        return self._db.execute(
            "SELECT source, hour_ms, failed, lowest, highest FROM hourly ORDER BY source, hour_ms"
        ).fetchall()

    # Events and notices

    def event_bodies(
        self, after_number: int = 0, before_ms: int = 2**62, at_most: int = -1
    ) -> list[dict[str, Any]]:
        """Return the oldest events after a number and before a moment, as `AlarmEvent.to_json` gives them."""
        rows = self._db.execute(
            "SELECT body FROM event WHERE number > ? AND at_ms < ? ORDER BY number LIMIT ?",
            (after_number, before_ms, at_most),
        )
        return [json.loads(body) for (body,) in rows]

    def event_lines(self) -> list[str]:
        """Return every event, oldest first, byte for byte as it was written down."""
        return [str(body) for (body,) in self._db.execute("SELECT body FROM event ORDER BY number")]

    def events_of(self, alarm: str) -> list[AlarmEvent]:
        """Return every event of an alarm, oldest first."""
        rows = self._db.execute("SELECT body FROM event WHERE alarm = ? ORDER BY number", (alarm,))
        return [alarm_event_from_json(json.loads(body)) for (body,) in rows]

    def explained_by(self, alarm: str, from_ms: int, to_ms: int) -> list[str]:
        """Return the alarms that were kept from people as part of another, between two moments."""
        rows = self._db.execute(
            "SELECT DISTINCT alarm FROM event WHERE at_ms BETWEEN ? AND ?"
            " AND json_extract(body, '$.trigger') = 'suppressed' AND json_extract(body, '$.why') = ?",
            (from_ms, to_ms, alarm),
        )
        return [str(name) for (name,) in rows]

    def flags_of(self, channel: str, from_seq: int, upto_seq: int) -> dict[int, tuple[int, int]]:
        """Return summary flag and single tests (packed) of the readings that do not pass, by their number."""
        rows = self._db.execute(
            "SELECT seq, summary, tests FROM flag WHERE channel = ? AND seq BETWEEN ? AND ?",
            (channel, from_seq, upto_seq),
        )
        return {seq: (summary, tests) for seq, summary, tests in rows}

    def newest_event_of_each_alarm(self) -> list[AlarmEvent]:
        """Return the newest event of every alarm there ever was, but those that make no sense any more."""
        rows = self._db.execute("SELECT body, max(number) FROM event GROUP BY alarm ORDER BY max(number)")
        events = []
        for body, number in rows:
            try:
                events.append(alarm_event_from_json(json.loads(body)))
            except UNUSABLE as error:
                log.warning("event_unusable", number=number, why=repr(error))
        return events

    def differing(self, events: list[AlarmEvent]) -> list[AlarmEvent]:
        """Return those events that the journal holds under the same number but with other words."""
        return [
            event
            for event in events
            if (
                row := self._db.execute("SELECT body FROM event WHERE number = ?", (event.number,)).fetchone()
            )
            and not says_the_same(json.loads(row[0]), event)
        ]

    def times_begun(self, condition: str, from_ms: int) -> list[tuple[str, int]]:
        """Return how often each alarm of a condition has begun since a moment, told or not."""
        return self._db.execute(
            "SELECT alarm, count(*) FROM event WHERE at_ms >= ? AND alarm GLOB ?"
            " AND json_extract(body, '$.trigger') IN ('raised', 'suppressed') GROUP BY alarm",
            (from_ms, f"*/{condition}"),
        ).fetchall()

    def last_event_number(self) -> int:
        """Return the number of the newest event; 0 where there is none."""
        return int(self._db.execute("SELECT ifnull(max(number), 0) FROM event").fetchone()[0])

    def keep_notices(self, notices: Iterable[Notice]) -> list[Notice]:
        """Write notices down and return those that were not there already, from before a restart."""
        return [
            notice
            for notice in notices
            if self._db.execute(
                "INSERT OR IGNORE INTO notice VALUES (?, ?, ?)",
                (notice.id, notice.at_ms, json.dumps(asdict(notice))),
            ).rowcount
        ]

    def newest_notice(self, kind: str, about: str) -> Notice | None:
        """Return the newest notice of a kind about something; None where there is none."""
        rows = self._db.execute(
            "SELECT body FROM notice WHERE id GLOB ? ORDER BY at_ms DESC", (f"{kind}:{about}:*",)
        )
        return next(_notices(rows), None)

    def newest_notices(self, about: str, since_ms: int) -> list[Notice]:
        """Return the newest notice of each kind about something since a moment, the oldest first."""
        rows = self._db.execute(
            "SELECT body FROM notice WHERE at_ms >= ? AND id GLOB ? AND json_valid(body) ORDER BY at_ms",
            (since_ms, f"*:{about}:*"),
        )
        newest: dict[str, Notice] = {}
        for notice in _notices(rows):
            newest.pop(notice.kind, None)
            newest[notice.kind] = notice
        return list(newest.values())

    def notices(self, from_ms: int, to_ms: int) -> list[Notice]:
        """Return every notice of a time, the oldest first."""
        rows = self._db.execute(
            "SELECT body FROM notice WHERE at_ms >= ? AND at_ms < ? AND json_valid(body) ORDER BY at_ms, id",
            (from_ms, to_ms),
        )
        return list(_notices(rows))

    # What people wrote down

    def keep_entry(self, entry: Entry) -> None:
        """Write an entry down; none is ever changed."""
        self._db.execute(
            "INSERT INTO entry VALUES (:seq, :kind, :at_ms, :who, :vessel, :corrects, :body)",
            asdict(entry) | {"body": json.dumps(entry.body)},
        )

    def entries(self, kind: str) -> list[Entry]:
        """Return the entries of a kind, oldest first."""
        rows = self._db.execute(
            "SELECT seq, kind, at_ms, who, vessel, body, corrects FROM entry"
            " WHERE kind = ? AND json_valid(body) ORDER BY seq",
            (kind,),
        )
        return [Entry(*row, json.loads(body), corrects) for *row, body, corrects in rows]  # type: ignore[call-arg]

    def logbook(
        self,
        vessels: Sequence[str],
        kinds: Sequence[str],
        at_most: int = -1,
        between: tuple[int, int] = (0, 2**62),
    ) -> list[Entry]:
        """Return the newest entries of some vessels (none: all) and kinds, of a time, oldest first."""
        here = f" AND vessel IN ({', '.join('?' * len(vessels))})" if vessels else ""
        rows = self._db.execute(
            "SELECT seq, kind, at_ms, who, vessel, body, corrects FROM entry"
            f" WHERE kind IN ({', '.join('?' * len(kinds))}) AND at_ms BETWEEN ? AND ? AND json_valid(body)"
            f"{here} ORDER BY seq DESC LIMIT ?",
            (*kinds, *between, *vessels, at_most),
        ).fetchall()
        return [Entry(*row, json.loads(body), corrects) for *row, body, corrects in reversed(rows)]  # type: ignore[call-arg]


def _notices(rows: Iterable[tuple[str]]) -> Iterator[Notice]:
    """Give the notices that can be read: a damaged one takes none of the others with it."""
    for (body,) in rows:
        with suppress(*UNUSABLE):
            yield Notice(**json.loads(body))


def _event_row(event: AlarmEvent) -> tuple[int, int, str, str]:
    return (event.number, event.at_ms, event.alarm, json.dumps(to_plain(event)))
