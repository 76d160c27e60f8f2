"""What goes wrong on the buses: logged without flooding the log, and kept for who looks at the rack."""

from dataclasses import replace

import structlog

from daemon.journal.journal import Journal
from daemon.journal.state import KeptTrouble
from drivers.readings import Trouble

log = structlog.get_logger()

SAY_AGAIN_MS = 600_000
KEPT_FOR_MS = 86_400_000
KINDS_KEPT = 200
_WRITE_EVERY_MS = 60_000
"""Spares the card; a minute late is soon enough for what calls nobody."""


class TroubleLog:
    """Logs each kind of trouble of each probe at once, then at most every ten minutes with its count.

    What came within a day stands in the journal, over restarts.
    """

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._kept = {(it.bus, it.probe, it.kind): it for it in journal.state.troubles()}
        self._quiet_until_ms: dict[tuple[str, str | None, str], int] = {}
        self._write_due_ms = 0
        self._changed = False

    def note(self, trouble: Trouble, times: int = 1) -> None:
        """Count a trouble, and log it if it has not been logged lately."""
        key, now_ms = (trouble.bus, trouble.probe, trouble.kind), trouble.time_ms
        before = self._kept.get(key) or KeptTrouble(*key, "", 0, now_ms, now_ms)
        now = replace(before, text=trouble.text, times=before.times + times, last_ms=now_ms)
        self._kept[key] = now
        self._changed = True
        if now_ms < self._quiet_until_ms.get(key, 0):
            return
        self._quiet_until_ms[key] = now_ms + SAY_AGAIN_MS
        log.warning(
            "trouble",
            bus=trouble.bus,
            probe=trouble.probe,
            kind=trouble.kind,
            what=trouble.text,
            raw=trouble.raw.hex(" ") or None,
            times=now.times,
        )

    def keep(self, now_ms: int) -> None:
        """Write the troubles of the last day down where there are new ones, at most once a minute."""
        if not self._changed or now_ms < self._write_due_ms:
            return
        late = [it for it in self._kept.values() if it.last_ms > now_ms - KEPT_FOR_MS]
        late = sorted(late, key=lambda it: it.last_ms)[-KINDS_KEPT:]
        self._kept = {(it.bus, it.probe, it.kind): it for it in late}
        with self._journal.transaction():
            self._journal.state.keep_troubles(late)
        self._changed, self._write_due_ms = False, now_ms + _WRITE_EVERY_MS
