"""Reading a journal at speed: ranges of rows in processes of their own, handed over in order.

The larger part of a replay is bringing rows out of SQLite into arrays; it goes on in other
processes while the blocks that are already there are being judged.
"""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future
from itertools import chain, islice, pairwise
from pathlib import Path

from daemon.errors import JournalError
from daemon.journal.inputs import CONFIGURE
from daemon.journal.journal import reading
from daemon.journal.logbook import logbook_of
from daemon.sources.as_written import as_written, look_at_span, rows_of
from daemon.sources.columns import Rows, clear, copied, copying, months_of
from daemon.sources.recording import BLOCK, Inputs, Recording, in_order
from daemon.workers import processes
from rules.readings import Readings

ALONE_BELOW = 400_000
"""Fewer readings than this are read sooner than another process is started."""

WORKERS = 2


def journal_recording(
    path: Path,
    workers: int = WORKERS,
    block: int = BLOCK,
    after: int = 0,
    upto: int = 2**62,
    through_copies: bool = False,
) -> Recording:
    """Return what a journal holds now; raise JournalError where it is none or holds nothing.

    Readings up to the number `after`, and those beyond `upto`, are passed over; what people did is not.

    Memory in use: about `workers` + 2 blocks of 40 bytes a reading. What the daemon writes meanwhile
    is left out. `through_copies`: by way of copies beside the journal, made where they are missing.
    """
    with reading(path) as journal, journal.standing_still():
        sources, span = journal.inputs.sources(), journal.inputs.span()
        actions = journal.inputs.numbered_actions()
        start_ms = journal.inputs.start_ms()
        end_ms, clock_off_ms = journal.state.clock_ms(), journal.state.dating().largest_ahead_ms
        entries = tuple(logbook_of(journal))
        if span is None:
            raise JournalError(f"journal {path}: no reading in it yet, so there is nothing to replay")
        look_at_span(path, journal, *span)
    first, last = max(span[0], after + 1), min(span[1], upto)
    few, acts = last - first < ALONE_BELOW, [seq for seq, _ in actions]

    def inputs() -> Inputs:
        if through_copies and not few:
            loaded = _through_copies(path, first, last, acts, workers, block)
        else:
            loaded = _as_written(path, _blocks(first - 1, last, block), acts, 0 if few else workers)
        yield from in_order(map(_readings, loaded), actions)

    readings = last - first + 1 - sum(first < seq < last for seq in acts)
    return Recording(str(path), sources, readings, start_ms, end_ms, inputs, {}, clock_off_ms, entries)


def recorded_events(path: Path) -> list[str]:
    """Return the events that the daemon raised at the time, as the journal holds them, oldest first."""
    with reading(path) as journal:
        return journal.history.event_lines()


def temperatures_in(path: Path) -> str:
    """Return what the team of a journal reads temperatures in, C or F, by the newest plan in it."""
    with reading(path) as journal:
        plan = journal.inputs.newest_action(CONFIGURE)
    return plan.body.get("temperatures_in", "C") if plan else "C"


def _blocks(after: int, upto: int, block: int) -> list[tuple[int, int]]:
    """Return the ranges after < seq <= upto of at most `block` numbers; none where nothing lies between."""
    return list(pairwise([*range(after, upto, block), upto]))


def _as_written(path: Path, ranges: list[tuple[int, int]], acts: list[int], workers: int) -> Iterator[Rows]:
    """Load ranges, here or in processes, and look whether they are what was written."""
    loaded = _in_parallel(path, ranges, workers) if workers else (_rows(path, *it) for it in ranges)
    with reading(path) as journal:
        named = ((*it, rows) for it, rows in zip(ranges, loaded, strict=True))
        yield from as_written(path, journal, acts, named)


def _through_copies(
    path: Path, first: int, last: int, acts: list[int], workers: int, block: int
) -> Iterator[Rows]:
    """Go through the copies of the months; load and copy those that have none that is right."""
    with reading(path) as journal:
        months = [(month, copied(month)) for month in months_of(journal, path, first, last)]
    clear([month for month, _ in months])
    ranges = [_blocks(month.after, month.upto, block) if rows is None else [] for month, rows in months]
    loaded = _as_written(path, list(chain.from_iterable(ranges)), acts, workers) if any(ranges) else iter(())
    for (month, rows), its in zip(months, ranges, strict=True):
        if rows is None:
            yield from copying(month, islice(loaded, len(its)))
        else:
            yield from (rows[start : start + block] for start in range(0, rows.size, block))


def _in_parallel(path: Path, ranges: list[tuple[int, int]], workers: int) -> Iterator[Rows]:
    """Load ranges in `workers` processes, at most one more than these ahead of who reads them."""
    waiting: deque[Future[Rows]] = deque()
    pool = processes(workers)
    try:
        for after, upto in ranges:
            waiting.append(pool.submit(_rows, path, after, upto))
            if len(waiting) > workers + 1:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)


def _rows(path: Path, after: int, upto: int) -> Rows:
    """Load the readings with after < seq <= upto."""
    with reading(path) as journal:
        return rows_of(journal, after, upto)


def _readings(rows: Rows) -> Readings:
    at_ms = rows["at_ms"].copy()
    return Readings(
        rows["seq"].copy(), at_ms, rows["source"].copy(), at_ms - rows["lag_ms"], rows["value"].copy()
    )
