"""Are the readings that come out of a journal those that were written into it?

A page that is damaged in part may end a search early without an error, or give other values.
"""

import sqlite3
import zlib
from bisect import bisect
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import structlog

from daemon.errors import SourceError
from daemon.journal.inputs import READING_ROW
from daemon.journal.journal import Journal
from daemon.journal.schema import SAVED_BY, finding_of, open_for_reading
from daemon.sources.columns import Rows

log = structlog.get_logger()


def look_at_span(path: Path, journal: Journal, first: int, last: int) -> None:
    """Tell, as `as_written` does, where readings were written before the first or after the last."""
    if wrong := next(_beyond(journal, first, last), ""):
        _tell(path, wrong)


def _beyond(journal: Journal, first: int, last: int) -> Iterator[str]:
    before, after = journal.state.sealed(0, first - 1), journal.state.sealed(last, 2**62)
    for lost, end, _ in [*before[:1], *after[:1]]:
        yield f"none comes of what was written as {lost} to {end}"
    for begin, end, checksum in journal.state.sealed_around(first) + journal.state.sealed_around(last):
        cut = begin < first <= end or begin <= last < end  # whole ones are looked at as they are loaded
        if cut and zlib.crc32(rows_of(journal, begin - 1, end).tobytes()) != checksum:
            yield _broken(begin, end)
    if first < 1 or last > (journal.state.sealed_upto() or last):
        yield f"their numbers go from {first} to {last}"


def rows_of(journal: Journal, after: int, upto: int) -> Rows:
    """Load the readings with after < seq <= upto."""
    try:
        return np.fromiter(journal.inputs.rows(after, upto), dtype=READING_ROW)
    except (TypeError, ValueError, OverflowError) as error:
        raise sqlite3.DatabaseError(f"a number became something else ({error})") from error


def as_written(
    path: Path, journal: Journal, acts: Sequence[int], loaded: Iterable[tuple[int, int, Rows]]
) -> Iterator[Rows]:
    """Hand on what was loaded of each range; raise SourceError where it is another and the file is damaged.

    With a file that is sound, as one that was recovered, it goes on, and says once what is wrong.
    `acts` are the numbers, in their order, that are no readings.
    """
    said, rest, before = False, np.empty(0, READING_ROW), 0
    for after, upto, rows in loaded:
        if after != before:  # between them lies a month that was copied, with the rest of the commit
            rest = rest[:0]
        before, kept = upto, after
        if (now := journal.inputs.span()) is None or now[0] > after + 1:  # let go since this began
            kept = int(rows["seq"][0]) - 1 if rows.size else upto
        written = upto - kept - (bisect(acts, upto) - bisect(acts, kept))
        wrong = "" if rows.size == written else f"of {written} numbered {kept + 1} to {upto} are {rows.size}"
        sealed = journal.state.sealed(int(rest["seq"][0]) - 1 if rest.size else after, upto)
        rest, other = _unsealed(np.concatenate([rest, rows]), sealed)
        if (wrong := wrong or other) and not said:
            _tell(path, wrong)
            said = True
        yield rows


def _unsealed(rows: Rows, sealed: list[tuple[int, int, int]]) -> tuple[Rows, str]:
    """Return the rows of the commit that ends in the next range, and what is not as it was sealed."""
    starts = np.searchsorted(rows["seq"], [first for first, *_ in sealed])
    ends = np.searchsorted(rows["seq"], [last for _, last, _ in sealed], side="right")
    for (first, last, checksum), start, end in zip(sealed, starts, ends, strict=True):
        if zlib.crc32(rows[start:end].tobytes()) != checksum:
            return rows[:0], _broken(first, last)
    return rows[ends[-1] if sealed else rows.size :], ""


def _broken(first: int, last: int) -> str:
    return f"what is stored of {first} to {last} is not what was written (checksum)"


def refuse_damaged(path: Path, wrong: str) -> None:
    """Raise SourceError, with what is wrong of the readings, where SQLite finds the file damaged."""
    with closing(open_for_reading(path)) as db:
        finding = finding_of(db)
    if finding:
        raise SourceError(f"journal {path}: its readings cannot be read: {wrong} ({finding}); {SAVED_BY}")


def _tell(path: Path, wrong: str) -> None:
    refuse_damaged(path, wrong)
    log.warning("readings_not_as_written", journal=str(path), why=wrong, does="goes on with what there is")
