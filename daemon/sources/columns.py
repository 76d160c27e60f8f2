"""A disposable copy of a journal's readings beside it, so that only the first load goes through SQLite.

PATH.columns/ holds a file for each month (UTC): the bytes of the readings as the journal seals them
(`READING_ROW`), and a checksum over them and over what they were copied from: the journal and its runs, the
numbers of the first and the last, and the seals of these. One that is missing, stale or damaged is made anew.
Arrival order is kept, as it is what the engine takes; by source it would have to be merged at each load.
"""

import os
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import structlog
from numpy.typing import NDArray

from daemon.journal.inputs import READING_ROW
from daemon.journal.journal import Journal

log = structlog.get_logger()

Rows = NDArray[np.void]
_CHECKSUM_BYTES = 4


@dataclass(frozen=True, slots=True)
class Month:
    """The readings with after < seq <= upto, the file of their copy, and what that was copied from."""

    file: Path
    after: int
    upto: int
    copied_from: bytes


def months_of(journal: Journal, path: Path, first: int, last: int) -> list[Month]:
    """Return the months of a journal's readings from one number to another."""
    name = repr((journal.id, journal.state.runs())).encode()
    found: list[Month] = []
    after = first - 1
    while after < last:
        at_ms = next(journal.inputs.rows(after, last))[1]
        month = datetime.fromtimestamp(at_ms / 1000, UTC).replace(
            day=1, hour=0, minute=0, second=0, microsecond=0
        )
        later = (month + timedelta(days=32)).replace(day=1)
        upto = min(last, journal.inputs.last_seq_before(round(later.timestamp() * 1000)))
        source = b"%s %d %d %s" % (name, after, upto, repr(journal.state.seals(after, upto)).encode())
        found.append(Month(folder_of(path) / f"{month:%Y-%m}", after, upto, source))
        after = upto
    return found


def folder_of(path: Path) -> Path:
    """Return where the copies of a journal are."""
    return path.with_name(path.name + ".columns")


def copied(month: Month) -> Rows | None:
    """Return a month's readings as they were copied, mapped; None where there is no copy that is right."""
    try:
        whole: NDArray[Any] = np.memmap(month.file, np.uint8, "r")
    except (OSError, ValueError):  # there is none, or an empty one
        return None
    rows, checksum = whole[:-_CHECKSUM_BYTES], whole[-_CHECKSUM_BYTES:].tobytes()
    if rows.size % READING_ROW.itemsize or _checksum(month, zlib.crc32(rows.data)) != checksum:
        return None
    return rows.view(np.ndarray).view(READING_ROW)


def clear(months: Sequence[Month]) -> None:
    """Delete what is beside the copies of these months: of months that are gone, or never finished."""
    files = {month.file for month in months}
    for file in months[0].file.parent.glob("*"):
        if file not in files:
            file.unlink(missing_ok=True)


def copying(month: Month, loaded: Iterable[Rows]) -> Iterator[Rows]:
    """Hand on what is loaded of a month, and copy it; what cannot be written is said, and does without."""
    copy = _Copy(month)
    for rows in loaded:
        copy.write(rows.tobytes())
        yield rows
    copy.write(_checksum(month, copy.crc))
    copy.finish()


class _Copy:
    """A copy under another name until it is whole; it needs no sync, as its checksum says what it is."""

    def __init__(self, month: Month) -> None:
        self.crc = 0
        self._file, self._path = month.file, month.file.with_name(f"{month.file.name}.{os.getpid()}")
        self._open: BinaryIO | None = None
        with self._or_without():
            month.file.parent.mkdir(exist_ok=True)
            self._open = self._path.open("wb")

    def write(self, part: bytes) -> None:
        self.crc = zlib.crc32(part, self.crc)
        with self._or_without():
            if self._open is not None:
                self._open.write(part)

    def finish(self) -> None:
        with self._or_without():
            if self._open is not None:
                self._open.close()
                self._path.replace(self._file)

    @contextmanager
    def _or_without(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            self._open = None
            log.warning("readings_not_copied", file=str(self._file), why=str(error), does="goes on without")


def _checksum(month: Month, crc: int) -> bytes:
    return zlib.crc32(month.copied_from, crc).to_bytes(_CHECKSUM_BYTES, "little")
