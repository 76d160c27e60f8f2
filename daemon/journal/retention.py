"""What goes when readings get too old or the disk too small: raw readings, never alarm history.

Of every hour that goes, a summary per source is kept. Readings go a few thousand at a time, and the
file gives pages back a few at a time, so that logging never waits for it.
"""

from collections import defaultdict
from dataclasses import dataclass

from daemon.journal.dating import Dating
from daemon.journal.journal import Journal
from rules.quality.flags import Flag

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
AT_ONCE = 5_000
LOOK_EVERY_MS = 60_000
DELIVERED_KEPT_MS = 30 * DAY_MS
_PAGES_AT_ONCE = 200
_SPARE_SHARE = 0.2
"""So much of the file may be free pages: new readings use them again, and moving them wears the card."""


@dataclass(slots=True)
class _Hour:
    readings: int = 0
    failed: int = 0
    total: float = 0.0
    lowest: float | None = None
    highest: float | None = None

    def add(self, value: float, failed: bool) -> None:
        self.readings += 1
        if failed:
            self.failed += 1
            return
        self.total += value
        self.lowest = value if self.lowest is None else min(self.lowest, value)
        self.highest = value if self.highest is None else max(self.highest, value)


class Retention:
    """Lets readings older than `keep_days` go; with `mirrored`, only those that the mirror has."""

    def __init__(self, journal: Journal, keep_days: int, *, mirrored: bool) -> None:
        self._journal = journal
        self._keep_ms = keep_days * DAY_MS
        self._mirrored = mirrored
        self._due_ms = 0

    def step(self, now_ms: int, dating: Dating) -> None:
        """Do a little of what is due, if anything is."""
        if now_ms < self._due_ms:
            return
        upto = self._journal.last_seq_before(now_ms - self._keep_ms)
        if self._mirrored:
            upto = min(upto, _mirrored_up_to(self._journal))
        gone = let_go(self._journal, upto, dating)
        _forget_delivered(self._journal, now_ms)
        shrunk = _give_pages_back(self._journal)
        if gone < AT_ONCE and not shrunk:
            self._due_ms = now_ms + LOOK_EVERY_MS


def let_go(journal: Journal, upto_seq: int, dating: Dating, at_once: int = AT_ONCE) -> int:
    """Replace the oldest readings by hourly summaries, at most `at_once`; return how many went.

    Readings after the older snapshot stay, whatever `upto_seq` says: a restart needs them.
    """
    upto_seq = min(upto_seq, *(seq for seq, _ in journal.snapshots()), 2**62)
    if not journal.snapshots():
        return 0
    rows = journal.db.execute(
        "SELECT r.seq, r.at_ms, r.lag_ms, r.source, r.value, EXISTS (SELECT 1 FROM flag f WHERE f.seq = r.seq"
        " AND f.summary = ? AND f.channel IN (s.vessel || '/' || s.quantity,"
        " s.vessel || '/' || s.quantity || '/' || s.probe))"
        " FROM reading r JOIN source s ON s.id = r.source WHERE r.seq <= ? ORDER BY r.seq LIMIT ?",
        (Flag.FAIL, upto_seq, at_once),
    ).fetchall()
    if not rows:
        return 0
    hours: defaultdict[tuple[int, int], _Hour] = defaultdict(_Hour)
    for _, at_ms, lag_ms, source, value, failed in rows:
        hour_ms = (dating.utc_ms(at_ms) - lag_ms) // HOUR_MS * HOUR_MS
        hours[source, hour_ms].add(value, bool(failed))
    with journal.transaction():
        _keep_hours(journal, hours)
        journal.db.execute("DELETE FROM reading WHERE seq <= ?", (rows[-1][0],))
        journal.db.execute("DELETE FROM flag WHERE seq <= ?", (rows[-1][0],))
    return len(rows)


def _keep_hours(journal: Journal, hours: dict[tuple[int, int], _Hour]) -> None:
    journal.db.executemany(
        "INSERT INTO hourly VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (source, hour_ms) DO UPDATE SET"
        " readings = readings + excluded.readings, failed = failed + excluded.failed,"
        " total = total + excluded.total,"
        " lowest = min(ifnull(lowest, excluded.lowest), ifnull(excluded.lowest, lowest)),"
        " highest = max(ifnull(highest, excluded.highest), ifnull(excluded.highest, highest))",
        [
            (source, hour_ms, hour.readings, hour.failed, hour.total, hour.lowest, hour.highest)
            for (source, hour_ms), hour in hours.items()
        ],
    )


def _mirrored_up_to(journal: Journal) -> int:
    (seq,) = journal.db.execute("SELECT reading FROM mirror").fetchone()
    return int(seq)


def _forget_delivered(journal: Journal, now_ms: int) -> None:
    """Let go of messages that were delivered and requests that were answered long ago."""
    old = (now_ms - DELIVERED_KEPT_MS, AT_ONCE)
    for table, done in (("outbox", "delivered_ms"), ("request", "answered_ms")):
        found = journal.db.execute(f"SELECT id FROM {table} WHERE {done} < ? LIMIT ?", old).fetchall()
        if found:
            with journal.transaction():
                journal.db.executemany(f"DELETE FROM {table} WHERE id = ?", found)


def _give_pages_back(journal: Journal) -> bool:
    """Shrink the file a little where much of it is free; return whether more could follow."""
    (pages,) = journal.db.execute("PRAGMA page_count").fetchone()
    (free,) = journal.db.execute("PRAGMA freelist_count").fetchone()
    (mode,) = journal.db.execute("PRAGMA auto_vacuum").fetchone()
    if mode != 2 or free < _PAGES_AT_ONCE or free < pages * _SPARE_SHARE:
        return False
    journal.db.execute(f"PRAGMA incremental_vacuum({_PAGES_AT_ONCE})").fetchall()
    return True
