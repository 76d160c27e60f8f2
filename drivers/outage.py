"""A port or broker that is away: when to try again, and when to say so."""

FIRST_RETRY_MS = 500
LONGEST_RETRY_MS = 30_000
REMIND_EVERY_MS = 600_000


class Outage:
    """Doubles the wait between tries up to a bound; speaks on each change and every ten minutes."""

    def __init__(self) -> None:
        self._wait_ms = FIRST_RETRY_MS
        self._said = ""
        self._said_ms = 0

    def failed(self, text: str, now_ms: int) -> bool:
        """Take note of a failed try; return True when its `text` is worth saying (again)."""
        if text == self._said and now_ms - self._said_ms < REMIND_EVERY_MS:
            return False
        self._said, self._said_ms = text, now_ms
        return True

    def retry_ms(self, now_ms: int) -> int:
        """Return when to try next (UTC milliseconds)."""
        wait_ms = self._wait_ms
        self._wait_ms = min(2 * wait_ms, LONGEST_RETRY_MS)
        return now_ms + wait_ms

    def over(self) -> None:
        """Start afresh: the port or broker works."""
        self._wait_ms = FIRST_RETRY_MS
        self._said = ""
