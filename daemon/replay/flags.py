"""Writing the flags of a replay: every reading that is worse than pass, with the test that said so."""

import csv
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from daemon.errors import SourceError
from daemon.words import iso_time
from rules.engine import Engine
from rules.quality.flags import WORSE_THAN_PASS, Flag, QartodTest, unpack, worse_than_pass
from rules.readings import ChannelFlags, Outcome

_Row = tuple[int, int, float, int, int]  # seq, time_ms, value, summary, packed tests


class FlagFile:
    """A CSV of flags; without a path it writes nothing.

    The last reading of each channel waits for the next block, with which its flag may be amended.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._held: dict[str, _Row] = {}
        self._open = ExitStack()

    def __enter__(self) -> "FlagFile":
        """Begin the file."""
        if self._path is not None:
            try:
                file = self._open.enter_context(self._path.open("w", encoding="utf-8", newline=""))
            except OSError as error:
                raise SourceError(f"{self._path}: {error.strerror}; expected a writable file") from error
            self._writer = csv.writer(file)
            self._writer.writerow(["channel", "time", "value", "flag", "tests"])
        return self

    def __exit__(self, *_raised: object) -> None:
        """Write what is still held and close the file."""
        for channel, row in self._held.items():
            self._write(channel, row)
        self._held.clear()
        self._open.close()

    def observe(self, _engine: Engine, outcome: Outcome) -> None:
        """Write what a block of readings came to."""
        if self._path is None:
            return
        late = {(amended.channel, amended.seq): amended for amended in outcome.amendments}
        for flags in outcome.flags:
            if (held := self._held.get(flags.channel)) is not None:
                amended = late.get((flags.channel, held[0]))
                tail = held[3:] if amended is None else (amended.summary, amended.tests)
                self._write(flags.channel, (*held[:3], *tail))
            for row in np.flatnonzero(worse_than_pass(flags.summary[:-1])).tolist():
                self._write(flags.channel, _row(flags, row))
            self._held[flags.channel] = _row(flags, -1)

    def _write(self, channel: str, row: _Row) -> None:
        _, time_ms, value, summary, tests = row
        if summary not in WORSE_THAN_PASS:
            return
        rows = unpack(np.array([tests], dtype=np.uint32))[:, 0]
        said = [test.name.lower() for test in QartodTest if rows[test] in WORSE_THAN_PASS]
        self._writer.writerow([channel, iso_time(time_ms), value, Flag(summary).name.lower(), " ".join(said)])


def _row(flags: ChannelFlags, at: int) -> _Row:
    seq, time_ms = int(flags.seq[at]), int(flags.time_ms[at])
    return seq, time_ms, float(flags.value[at]), int(flags.summary[at]), int(flags.tests[at])
