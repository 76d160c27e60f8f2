"""What goes when readings get too old or the disk too small: raw readings, never alarm history.

Of every hour that goes, a summary per source is kept. Readings go a few thousand at a time, and the
file gives pages back a few at a time, so that logging never waits for it. What goes by its date goes only
while the date is certain: not before the clock is synchronised, nor within a day after it has jumped.
"""

from dataclasses import dataclass
from itertools import islice

import structlog

from daemon.journal.dating import Dating
from daemon.journal.history import HOUR_MS
from daemon.journal.journal import Journal

log = structlog.get_logger()

DAY_MS = 24 * HOUR_MS
AT_ONCE = 5_000
LOOK_EVERY_MS = 60_000
DELIVERED_KEPT_MS = 30 * DAY_MS
_NOTE = "retention"


@dataclass(frozen=True, slots=True)
class _Looked:
    """The date at the last look, and from which moment of the axis on readings may go."""

    utc_ms: int
    from_ms: int = 0


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
        utc_ms = dating.utc_ms(now_ms)
        if not dating.newest.synchronised or self._jumped(utc_ms, now_ms):
            self._due_ms = now_ms + LOOK_EVERY_MS
            return
        upto = self._journal.inputs.last_seq_before(dating.surely_before_ms(utc_ms - self._keep_ms))
        if self._mirrored:
            upto = min(upto, self._journal.outbox.mirrored().reading)
        gone = let_go(self._journal, upto, dating)
        delivered_ms = dating.surely_before_ms(utc_ms - DELIVERED_KEPT_MS)
        self._journal.outbox.forget_delivered(delivered_ms, AT_ONCE)
        shrunk = self._journal.give_pages_back()
        if gone < AT_ONCE and not shrunk:
            self._due_ms = now_ms + LOOK_EVERY_MS

    def _jumped(self, utc_ms: int, now_ms: int) -> bool:
        """Return whether the date is another than an hour of running explains, now or less than a day ago."""
        noted = self._journal.state.record(_NOTE, _Looked(utc_ms))
        since_ms, from_ms = utc_ms - noted.utc_ms, noted.from_ms
        if jumped := abs(since_ms) > DAY_MS:
            log.warning("date_jumped", by_days=since_ms / DAY_MS, nothing_goes_for_h=24)
            from_ms = now_ms + DAY_MS
        if jumped or since_ms >= HOUR_MS or since_ms == 0:
            with self._journal.transaction():
                self._journal.state.keep_record(_NOTE, _Looked(utc_ms, from_ms))
        return now_ms < from_ms


def let_go(journal: Journal, upto_seq: int, dating: Dating, at_once: int = AT_ONCE) -> int:
    """Replace the oldest readings by hourly summaries, at most `at_once`; return how many went.

    Readings after the older snapshot stay, whatever `upto_seq` says: a restart needs them.
    """
    snapshots = journal.state.snapshots()
    if not snapshots:
        return 0
    upto_seq = min(upto_seq, *(seq for seq, _ in snapshots), 2**62)
    going = [seq for seq, *_ in islice(journal.inputs.rows(0, upto_seq), at_once)]
    if going:
        with journal.transaction():
            journal.history.let_go(going[-1], dating)
            journal.inputs.let_go(going[-1])
            journal.state.unseal_readings(going[-1])
    return len(going)
