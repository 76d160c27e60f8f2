"""Reading a journal at speed: ranges of rows in processes of their own, handed over in order.

The larger part of a replay is bringing rows out of SQLite into arrays; it goes on in other
processes while the blocks that are already there are being judged.
"""

import json
import signal
import sqlite3
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import closing, contextmanager
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.errors import JournalError, SourceError
from daemon.journal.schema import open_for_reading
from daemon.sources.recording import BLOCK, Inputs, Recording
from rules.readings import Action, Readings

ALONE_BELOW = 400_000
"""Fewer readings than this are read sooner than another process is started."""

WORKERS = 2
_ROWS = np.dtype(
    [
        ("seq", np.int64),
        ("at_ms", np.int64),
        ("source", np.int64),
        ("lag_ms", np.int64),
        ("value", np.float64),
    ]
)
Rows = NDArray[np.void]


def journal_recording(path: Path, workers: int = WORKERS, block: int = BLOCK) -> Recording:
    """Return what a journal holds now; raise JournalError where it is none or holds nothing.

    Memory in use: about `workers` + 2 blocks of 40 bytes a reading. What the daemon writes meanwhile
    is left out.
    """
    with _reading(path) as db:
        rows = db.execute("SELECT id, probe, quantity, vessel FROM source")
        sources = {number: (probe, quantity, vessel) for number, probe, quantity, vessel in rows}
        first, last = db.execute("SELECT ifnull(min(seq), 1), ifnull(max(seq), 0) FROM reading").fetchone()
        actions = _actions(db)
        start_ms, end_ms = _span_ms(db, first, last)
        (clock_off_ms,) = db.execute("SELECT ifnull(max(abs(ahead_ms)), 0) FROM dating").fetchone()
    if not sources or last < first:
        raise JournalError(f"journal {path}: no reading in it yet, so there is nothing to replay")
    few = last - first < ALONE_BELOW
    bounds = [first - 1, *range(first - 1 + block, last, block), last]

    def inputs() -> Inputs:
        loaded = _alone(path, bounds) if few else _in_parallel(path, bounds, workers)
        yield from _in_order(loaded, actions)

    readings = last - first + 1 - sum(first < seq < last for seq, _ in actions)
    return Recording(str(path), sources, readings, start_ms, end_ms, inputs, {}, clock_off_ms)


def recorded_events(path: Path) -> list[str]:
    """Return the events that the daemon raised at the time, as the journal holds them, oldest first."""
    with _reading(path) as db:
        return [body for (body,) in db.execute("SELECT body FROM event ORDER BY number")]


def _actions(db: sqlite3.Connection) -> list[tuple[int, Action]]:
    rows = db.execute("SELECT seq, at_ms, kind, who, body FROM action ORDER BY seq")
    return [(seq, Action(at_ms, kind, who, json.loads(body))) for seq, at_ms, kind, who, body in rows]


def _span_ms(db: sqlite3.Connection, first: int, last: int) -> tuple[int, int]:
    """Return the time of the first input and the time up to which the watch is known to have gone on.

    An event that no input caused (a silence) says that time went on beyond it.
    """
    (start_ms,) = db.execute(
        "SELECT min(ifnull((SELECT at_ms FROM reading WHERE seq = ?), 9e18),"
        " ifnull((SELECT at_ms FROM action ORDER BY seq LIMIT 1), 9e18))",
        (first,),
    ).fetchone()
    (end_ms,) = db.execute(
        "SELECT max(ifnull((SELECT at_ms FROM reading WHERE seq = ?), 0),"
        " ifnull((SELECT at_ms FROM action ORDER BY seq DESC LIMIT 1), 0),"
        " ifnull((SELECT at_ms + 1 FROM event ORDER BY number DESC LIMIT 1), 0))",
        (last,),
    ).fetchone()
    return int(start_ms), int(end_ms)


def _alone(path: Path, bounds: list[int]) -> Iterator[Rows]:
    return (_rows(path, after, upto) for after, upto in pairwise(bounds))


def _in_parallel(path: Path, bounds: list[int], workers: int) -> Iterator[Rows]:
    """Load ranges in `workers` processes, at most one more than these ahead of who reads them."""
    waiting: deque[Future[Rows]] = deque()
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _leave_interrupts_to_the_parent)
    try:
        for after, upto in pairwise(bounds):
            waiting.append(pool.submit(_rows, path, after, upto))
            if len(waiting) > workers + 1:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)


def _leave_interrupts_to_the_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _rows(path: Path, after: int, upto: int) -> Rows:
    """Load the readings with after < seq <= upto."""
    with _reading(path) as db:
        rows = db.execute(
            "SELECT seq, at_ms, source, lag_ms, value FROM reading WHERE seq > ? AND seq <= ? ORDER BY seq",
            (after, upto),
        )
        return np.fromiter(rows, dtype=_ROWS)


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a journal to read; a damaged page becomes a SourceError."""
    with closing(open_for_reading(path)) as db:
        try:
            yield db
        except sqlite3.Error as error:
            raise SourceError(
                f"journal {path}: its readings cannot be read: {error}; `sqlite3 FILE .recover` may save them"
            ) from error


def _in_order(loaded: Iterator[Rows], actions: list[tuple[int, Action]]) -> Inputs:
    """Put the actions back between the readings where they happened."""
    waiting = deque(actions)
    for rows in loaded:
        start = 0
        while waiting and rows.size and waiting[0][0] < rows["seq"][-1]:
            seq, action = waiting.popleft()
            stop = int(np.searchsorted(rows["seq"], seq))
            if stop > start:
                yield _readings(rows[start:stop])
            yield action
            start = stop
        if rows.size > start:
            yield _readings(rows[start:])
    yield from (action for _, action in waiting)


def _readings(rows: Rows) -> Readings:
    at_ms = rows["at_ms"].copy()
    return Readings(
        rows["seq"].copy(), at_ms, rows["source"].copy(), at_ms - rows["lag_ms"], rows["value"].copy()
    )
