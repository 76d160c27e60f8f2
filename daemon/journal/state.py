"""The journal's state: notes, snapshots, the dating of its times, its runs, and seals over what is written.

A seal is a checksum (CRC-32, the polynomial of IEEE 802.3) over the inputs and events of one commit,
so that a bit that flips later is found. Outbox and flags are not sealed: both change afterwards.
"""

import json
import sqlite3
import uuid
import zlib
from base64 import b64decode, b64encode
from collections.abc import Iterable
from dataclasses import astuple, dataclass, field
from itertools import starmap
from struct import Struct
from struct import error as StructError  # noqa: N812 - a class with a small letter
from typing import Any, TypeVar

import structlog

from daemon.journal.dating import Dating, Stretch
from daemon.journal.history import UNUSABLE
from rules.plain import from_plain, to_plain

log = structlog.get_logger()

SNAPSHOTS_KEPT = 2
_FASTEST = 1
"""A slower compression takes up to twelve times as long and saves a tenth more."""
_PACKED = "packed"
_TROUBLES = "troubles"

_Record = TypeVar("_Record")

_READING = Struct("<4qd")


@dataclass(frozen=True, slots=True)
class Place:
    """How far a journal has come: its newest input and its newest event."""

    seq: int = 0
    event: int = 0


@dataclass(frozen=True, slots=True)
class Run:
    """From which input and event on numbers were given out under a run id; none is given out twice."""

    id: str
    first: Place
    reason: str


@dataclass(frozen=True, slots=True)
class KeptTrouble:
    """A kind of trouble of a probe (or of its bus): the newest in words, how often since when, and when last.

    Times are those of the journal's axis.
    """

    bus: str
    probe: str | None
    kind: str
    text: str
    times: int
    first_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class _Troubles:
    kept: list[KeptTrouble] = field(default_factory=list)


class State:
    """Owns the tables `meta`, `snapshot`, `dating`, `run` and `seal`."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def note(self, key: str) -> str | None:
        """Return what was noted under a key; None where nothing was."""
        row = self._db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def keep_note(self, key: str, value: str) -> None:
        """Note something under a key, in place of what was noted there before."""
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    def record(self, key: str, otherwise: _Record) -> _Record:
        """Return the record that `keep_record` noted; `otherwise`, which has its type, where there is none.

        So it is with one that is damaged: no note is worth that the watch does not start.
        """
        stored = self.note(key)
        if stored is None:
            return otherwise
        try:
            return from_plain(type(otherwise), json.loads(stored))
        except UNUSABLE as error:
            log.warning("note_unusable", note=key, why=repr(error))
            return otherwise

    def keep_record(self, key: str, record: object) -> None:
        """Note a record under a key, in place of what was noted there before."""
        self.keep_note(key, json.dumps(to_plain(record)))

    def troubles(self) -> list[KeptTrouble]:
        """Return what went wrong on the buses lately, the newest last."""
        return self.record(_TROUBLES, _Troubles()).kept

    def keep_troubles(self, troubles: Iterable[KeptTrouble]) -> None:
        """Keep what went wrong on the buses, in place of what was kept before."""
        self.keep_record(_TROUBLES, _Troubles(list(troubles)))

    def clock_ms(self) -> int:
        """Return the time up to which things are settled; nothing comes before it. 0 for a new journal.

        An event that time alone caused shows that time went on beyond it.
        """
        (newest,) = self._db.execute(
            "SELECT max(ifnull((SELECT at_ms FROM reading ORDER BY seq DESC LIMIT 1), 0),"
            " ifnull((SELECT at_ms FROM action ORDER BY seq DESC LIMIT 1), 0),"
            " ifnull((SELECT at_ms + 1 FROM event ORDER BY number DESC LIMIT 1), 0))"
        ).fetchone()
        return int(newest)

    # Snapshots

    def keep_snapshot(self, seq: int, state: dict[str, Any]) -> None:
        """Keep the engine's state after the input `seq`, packed; the oldest snapshots are dropped."""
        packed = b64encode(zlib.compress(json.dumps(state).encode(), _FASTEST)).decode()
        # what cannot unpack it, an older bellwatch, reads of which version it is
        stored = json.dumps({_PACKED: packed, "version": state["version"]})
        self._db.execute("INSERT OR REPLACE INTO snapshot VALUES (?, ?)", (seq, stored))
        self._db.execute(
            "DELETE FROM snapshot WHERE seq NOT IN (SELECT seq FROM snapshot ORDER BY seq DESC LIMIT ?)",
            (SNAPSHOTS_KEPT,),
        )

    def snapshots(self) -> list[tuple[int, str]]:
        """Return each snapshot, newest first, with the number of the input that it stands after."""
        rows = self._db.execute("SELECT seq, state FROM snapshot ORDER BY seq DESC")
        return [(int(seq), _unpacked(str(state))) for seq, state in rows]

    # What time it really was

    def dating(self) -> Dating:
        """Return the dating of the journal's axis of time."""
        rows = self._db.execute("SELECT from_ms, ahead_ms, synchronised FROM dating")
        return Dating(Stretch(from_ms, ahead_ms, bool(known)) for from_ms, ahead_ms, known in rows)

    def keep_stretch(self, stretch: Stretch) -> None:
        """Write a stretch down, in place of one that began at the same moment."""
        self._db.execute("INSERT OR REPLACE INTO dating VALUES (?, ?, ?)", astuple(stretch))

    # Runs

    def begin_run(self, after: Place, reason: str) -> str:
        """Give out numbers under a new run id from now on (what stands after may not be what stood once)."""
        run = uuid.uuid4().hex
        self._db.execute(
            "INSERT INTO run (id, first_seq, first_event, reason) VALUES (?, ?, ?, ?)",
            (run, after.seq + 1, after.event + 1, reason),
        )
        return run

    def forget_runs(self) -> None:
        """Let go of the runs of a new journal that takes those of another over."""
        self._db.execute("DELETE FROM run")

    def runs(self) -> list[Run]:
        """Return every run, oldest first."""
        rows = self._db.execute("SELECT id, first_seq, first_event, reason FROM run ORDER BY number")
        return [Run(run, Place(seq, event), reason) for run, seq, event, reason in rows]

    # Seals

    def seal(self, after: Place, upto: Place, readings: bytes | None = None) -> None:
        """Keep checksums over the inputs and events of a commit (inside it).

        `readings` are the bytes of those in it, where they need not be read again.
        """
        if after == upto:
            return
        found, rest = self._checksums(after, upto, readings)
        self._db.execute(
            "INSERT INTO seal VALUES (?, ?, ?, ?, ?, ?)",
            (after.seq + 1, upto.seq, after.event + 1, upto.event, found, rest),
        )

    def broken_seal(self, after: Place, at_most: int) -> tuple[Place | None, str]:
        """Look at the next `at_most` seals after a place; return where to go on, and what is wrong.

        None where there are no more; an empty text where what is stored is what was written.
        """
        seals = self._db.execute(
            "SELECT * FROM seal WHERE (last_seq, last_event) > (?, ?) ORDER BY last_seq, last_event LIMIT ?",
            (after.seq, after.event, at_most),
        ).fetchall()
        for first_seq, last_seq, first_event, last_event, readings, rest in seals:
            before, after = Place(first_seq - 1, first_event - 1), Place(last_seq, last_event)
            try:
                found = self._checksums(before, after)
            except StructError:  # a number that became something else
                found = (-1, None)
            if found[1] != rest or (readings is not None and found[0] != readings):
                return None, (
                    f"inputs {first_seq} to {last_seq}, events {first_event} to {last_event}: "
                    "what is stored is not what was written (checksum)"
                )
        return (after if seals else None), ""

    def seals(self, after_seq: int, upto_seq: int) -> tuple[int, int]:
        """Return how many commits ended in a range of inputs, and the sum of their readings' checksums."""
        count, total = self._db.execute(
            "SELECT count(*), ifnull(sum(readings), 0) FROM seal WHERE last_seq > ? AND last_seq <= ?",
            (after_seq, upto_seq),
        ).fetchone()
        return int(count), int(total)

    def sealed(self, after_seq: int, upto_seq: int) -> list[tuple[int, int, int]]:
        """Return first and last input and the checksum of the readings of each commit wholly in a range."""
        return self._db.execute(
            "SELECT first_seq, last_seq, readings FROM seal WHERE last_seq > ? AND last_seq <= ?"
            " AND first_seq > ? AND readings <> 0 ORDER BY last_seq",  # 0: no reading in it
            (after_seq, upto_seq, after_seq),
        ).fetchall()

    def sealed_around(self, seq: int) -> list[tuple[int, int, int]]:
        """Return likewise the first commit with readings that ends with an input or after it, if any does."""
        return self._db.execute(
            "SELECT first_seq, last_seq, readings FROM seal WHERE last_seq >= ? AND readings <> 0"
            " ORDER BY last_seq LIMIT 1",
            (seq,),
        ).fetchall()

    def sealed_upto(self) -> int | None:
        """Return the newest input that is sealed; None where none is, as before there were seals."""
        (upto,) = self._db.execute("SELECT max(last_seq) FROM seal").fetchone()
        return None if upto is None else int(upto)

    def unseal_readings(self, upto_seq: int) -> None:
        """Drop what is sealed of readings up to a number, which are to go; actions and events stay sealed."""
        self._db.execute("DELETE FROM seal WHERE last_seq <= ? AND rest IS NULL", (upto_seq,))
        self._db.execute(
            "UPDATE seal SET readings = NULL WHERE readings IS NOT NULL AND first_seq <= ?"
            " AND last_seq <= (SELECT ifnull(min(last_seq), 0) FROM seal WHERE last_seq >= ?)",
            (upto_seq, upto_seq),
        )

    def _checksums(self, after: Place, upto: Place, readings: bytes | None = None) -> tuple[int, int | None]:
        """Return that of the readings, and that of actions and events; None where there are none of these."""
        if readings is None:
            rows = self._db.execute(
                "SELECT seq, at_ms, source, lag_ms, value FROM reading"
                " WHERE seq > ? AND seq <= ? ORDER BY seq",
                (after.seq, upto.seq),
            )
            readings = b"".join(starmap(_READING.pack, rows))
        # As bytes: a flipped bit need not leave text. The repr of numbers and bytes is the same everywhere.
        rest = self._db.execute(
            "SELECT seq, at_ms, CAST(kind AS BLOB), CAST(who AS BLOB), CAST(body AS BLOB) FROM action"
            " WHERE seq > ? AND seq <= ? ORDER BY seq",
            (after.seq, upto.seq),
        ).fetchall()
        rest += self._db.execute(
            "SELECT number, at_ms, CAST(alarm AS BLOB), CAST(body AS BLOB) FROM event"
            " WHERE number > ? AND number <= ? ORDER BY number",
            (after.event, upto.event),
        ).fetchall()
        return (
            zlib.crc32(readings),
            zlib.crc32(b"".join(repr(row).encode() for row in rest)) if rest else None,
        )


def _unpacked(stored: str) -> str:
    """Return a snapshot as JSON; one of before they were packed, or a damaged one, as it is."""
    if not stored.startswith(json.dumps({_PACKED: ""})[:-2]):
        return stored
    try:
        return zlib.decompress(b64decode(json.loads(stored)[_PACKED])).decode()
    except (ValueError, zlib.error):
        return stored
