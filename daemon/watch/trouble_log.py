"""What goes wrong on the buses, logged without flooding the log."""

from collections import Counter

import structlog

from drivers.readings import Trouble

log = structlog.get_logger()

SAY_AGAIN_MS = 600_000


class TroubleLog:
    """Logs each kind of trouble of each probe at once, then at most every ten minutes with its count."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str | None, str]] = Counter()
        self._quiet_until_ms: dict[tuple[str, str | None, str], int] = {}

    def note(self, trouble: Trouble) -> None:
        """Count a trouble, and log it if it has not been logged lately."""
        key = (trouble.bus, trouble.probe, trouble.kind)
        self.counts[key] += 1
        if trouble.time_ms < self._quiet_until_ms.get(key, 0):
            return
        self._quiet_until_ms[key] = trouble.time_ms + SAY_AGAIN_MS
        log.warning(
            "trouble",
            bus=trouble.bus,
            probe=trouble.probe,
            kind=trouble.kind,
            what=trouble.text,
            raw=trouble.raw.hex(" ") or None,
            times=self.counts[key],
        )
