"""The journal: everything the rules may look at, in arrival order, and everything they made of it.

One writer, the daemon, commits readings together with the flags, events and messages that they
cause. Other processes read it; what they ask of the daemon goes into a box beside it.
"""

import sqlite3
import uuid
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.errors import DamagedJournalError
from daemon.journal.history import History
from daemon.journal.inputs import Inputs
from daemon.journal.outbox import Outbox
from daemon.journal.schema import finding_of, open_for_reading, open_for_writing, readable
from daemon.journal.state import Place, State
from daemon.transaction import is_damage, transaction

FIRST_RUN = "first of this journal"
_BYTES_AT_ONCE = 819_200
_SEALED_AT_ONCE = 10_000
_SPARE_SHARE = 0.2
"""So much of the file may be free pages: new readings use them again, and moving them wears the card."""


@contextmanager
def reading(path: Path) -> "Iterator[Journal]":
    """Open a journal to look at it; a JournalError of one line says what cannot be read."""
    with readable(path), closing(Journal(path, writable=False)) as journal:
        yield journal


class Journal:
    """An open journal, in four parts that own its tables: `inputs`, `history`, `outbox` and `state`.

    `writable` says whether this process is the one that writes it. `id` tells this journal from all
    others (empty before its first transaction), `run_id` is that under which numbers are given out now.
    `commits` counts what this process wrote.
    """

    id: str
    run_id: str

    def __init__(self, path: Path, *, writable: bool) -> None:
        self.path, self.commits = path, 0
        db = open_for_writing(path) if writable else open_for_reading(path)
        try:
            self._take(db)
        except sqlite3.Error as error:  # closed, since its write-ahead log is deleted by name at its end
            db.close()
            if writable and is_damage(error):
                raise DamagedJournalError(f"journal {path}: {error}") from error
            raise
        if writable and not self.id:
            self.id = uuid.uuid4().hex
            with self.transaction():
                self.state.keep_note("id", self.id)
        if writable and not self.run_id:
            self.begin_run(FIRST_RUN)

    def _take(self, db: sqlite3.Connection) -> None:
        self._db = db
        self.inputs = Inputs(db)
        self.history = History(db)
        self.outbox = Outbox(db)
        self.state = State(db)
        self._sealed = self.place()
        self.id, self.run_id = self.state.note("id") or "", ([""] + [run.id for run in self.state.runs()])[-1]

    def begin_run(self, reason: str) -> None:
        """Give out numbers under a new run id from now on, in a transaction of its own."""
        with self.transaction():
            self.run_id = self.state.begin_run(self.place(), reason)

    def reopen(self) -> None:
        """Go on with the file that lies at the path now; nothing of the old connection is written."""
        self._db.close()
        self._take(open_for_writing(self.path))

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit everything inside together, under a seal, or nothing of it."""
        with transaction(self._db):
            yield
            place = self.place()
            self.state.seal(self._sealed, place)
        self._sealed = place
        self.commits += 1

    @contextmanager
    def standing_still(self) -> Iterator[None]:
        """Read everything inside as it is at its beginning, whatever the daemon writes meanwhile."""
        self._db.execute("BEGIN")
        try:
            yield
        finally:
            self._db.execute("ROLLBACK")

    def rows_of(self, table: str, columns: Sequence[str]) -> Iterator[tuple[Any, ...]]:
        """Go through the rows of a table in the order in which they were numbered."""
        return self._db.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY 1, 2")

    def put_rows(self, table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
        """Write rows of a table down as another journal had them; `seal_rest` seals them afterwards."""
        marks = ", ".join("?" * len(columns))
        with transaction(self._db):
            self._db.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", rows)

    def put_readings(self, rows: NDArray[np.void]) -> None:
        """Write readings (of READING_ROW, in their order) down likewise, and seal them as they are."""
        with transaction(self._db):
            for start in range(0, rows.size, _SEALED_AT_ONCE):
                part = rows[start : start + _SEALED_AT_ONCE]
                self.inputs.write_array(part)
                self._seal_upto(Place(int(part["seq"][-1])), part.tobytes())

    def seal_rest(self) -> None:
        """Seal what was put into a new journal and comes after its readings."""
        with transaction(self._db):
            self._seal_upto(self.place())

    def _seal_upto(self, place: Place, readings: bytes | None = None) -> None:
        self.state.seal(self._sealed, place, readings)
        self._sealed = place

    def place(self) -> Place:
        """Return how far the journal has come."""
        return Place(self.inputs.last_seq(), self.history.last_event_number())

    # The file

    def checkpoint(self) -> None:
        """Bring the write-ahead log into the file, as far as there is room."""
        with suppress(sqlite3.OperationalError):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def copy_to(self, target: Path) -> None:
        """Write everything into another file, also where ours has gone from its path."""
        with closing(sqlite3.connect(target)) as copy:
            self._db.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")

    def copy_compactly_to(self, target: Path) -> None:
        """Write everything as it stands now into a new file, and look whether that is sound."""
        self._db.execute("VACUUM INTO ?", (str(target),))
        with closing(sqlite3.connect(target)) as copy:
            if finding := finding_of(copy):
                raise sqlite3.DatabaseError(f"the copy is not sound: {finding}")

    def finding(self) -> str:
        """Read the whole file; return what is wrong with it or what is sealed in it, empty if nothing is."""
        finding = finding_of(self._db)
        place: Place | None = Place()
        while not finding and place is not None:
            place, finding = self.state.broken_seal(place, at_most=100)
        return finding

    def give_pages_back(self) -> bool:
        """Shrink the file a little where much of it is free; return whether more could follow."""
        pages, free, mode, page_bytes = (
            self._db.execute(f"PRAGMA {what}").fetchone()[0]
            for what in ("page_count", "freelist_count", "auto_vacuum", "page_size")
        )
        at_once = _BYTES_AT_ONCE // page_bytes
        if mode != 2 or free < at_once or free < pages * _SPARE_SHARE:
            return False
        self._db.executescript(f"PRAGMA incremental_vacuum({at_once})")  # `execute` would give one page back
        return True
