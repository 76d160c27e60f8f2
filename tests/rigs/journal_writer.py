"""A process that does nothing but take readings into a journal, as fast as it can, until it is killed.

    python -m tests.rigs.journal_writer FOLDER READINGS_AT_ONCE [TURNS]

It goes on from whatever the journal holds. After each commit it writes the number of the newest
committed input and event to standard output: what it has said there must never be lost.
"""

import math
import os
import sys
from pathlib import Path

import structlog

from drivers.readings import Reading
from tests.rigs.bench import START_MS, Bench


def celsius(k: int) -> float:
    """Water that swings through every limit; a function of the reading's place, so that it can be checked."""
    return 15 + 14 * math.sin(k * 2 * math.pi / 400)


def main(folder: Path, at_once: int, turns: int) -> None:
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    bench = Bench(folder, now_ms=0)
    newest_ms = max(bench.watch.engine.newest_times_ms().values())
    place = 0 if newest_ms < 0 else (newest_ms - START_MS) // 1_000 + 1
    for _ in range(turns):
        readings = [
            Reading("k1-ct", "temperature", celsius(k), START_MS + k * 1_000)
            for k in range(place, place + at_once)
        ]
        place += at_once
        bench.watch.take(readings, readings[-1].time_ms)
        os.write(1, b"%d %d\n" % (bench.journal.inputs.last_seq(), bench.journal.history.last_event_number()))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else sys.maxsize)
