"""A probe that publishes without end: how much of it is let in, and for how long it is shut out."""

BURST = 1_000
PER_SECOND = 20
SHUT_MS = 60_000


class FloodGate:
    """Lets in `PER_SECOND` messages a second, and a burst of what was saved up; shuts when that is used up.

    The bounds are far above what water needs and far below what a Pi can do (project judgement).
    """

    def __init__(self) -> None:
        self.refused = 0
        self._left = float(BURST)
        self._looked_ms = 0
        self._shut_until_ms: int | None = None

    @property
    def is_shut(self) -> bool:
        """Whether messages are refused."""
        return self._shut_until_ms is not None

    def lets_in(self, now_ms: int) -> bool:
        """Return whether a message that comes now is let in; what is not is counted in `refused`."""
        self._left = min(BURST, self._left + (now_ms - self._looked_ms) * PER_SECOND / 1000)
        self._looked_ms = now_ms
        self._left -= 1
        if self._shut_until_ms is None and self._left < 0:
            self._shut_until_ms = now_ms + SHUT_MS
        self.refused += self.is_shut
        return not self.is_shut

    def opens(self, now_ms: int) -> bool:
        """Open again when it has been shut for long enough; return whether that is now."""
        if self._shut_until_ms is None or now_ms < self._shut_until_ms:
            return False
        self._shut_until_ms, self.refused, self._left = None, 0, float(BURST)
        return True
