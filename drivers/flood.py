"""A probe that publishes without end: how much of it is let in, and for how long it is shut out."""

from collections.abc import Iterable

BURST = 1_000
PER_SECOND = 20
SHUT_MS = 60_000
MOST_HOMES = 64
"""Of a wildcard's topics so many are told apart, the first from which readings came (project judgement)."""


class FloodGate:
    """Lets in `PER_SECOND` messages a second, and a burst of what was saved up; shuts when that is used up.

    The bounds are far above what water needs and far below what a Pi can do (project judgement).
    """

    def __init__(self) -> None:
        self._left = float(BURST)
        self._looked_ms = 0
        self._shut_until_ms: int | None = None

    @property
    def is_shut(self) -> bool:
        """Whether messages are refused."""
        return self._shut_until_ms is not None

    def lets_in(self, now_ms: int) -> bool:
        """Return whether a message that comes now is let in."""
        self._left = min(BURST, self._left + (now_ms - self._looked_ms) * PER_SECOND / 1000)
        self._looked_ms = now_ms
        self._left -= 1
        if self._left < 0:
            self.shut(now_ms)
        return not self.is_shut

    def shut(self, now_ms: int) -> None:
        """Let nothing in from now on, for a time."""
        if self._shut_until_ms is None:
            self._shut_until_ms = now_ms + SHUT_MS

    def opens(self, now_ms: int) -> bool:
        """Open again when it has been shut for long enough; return whether that is now."""
        if self._shut_until_ms is None or now_ms < self._shut_until_ms:
            return False
        self._shut_until_ms, self._left = None, float(BURST)
        return True


class Gates:
    """Which topics of a broker are listened to, each behind a gate.

    A topic from which a reading came by a wildcard is a home, with a gate of its own. A flood into the
    wildcard shuts that; its homes are then listened to by their own names, but for the one that floods.
    """

    def __init__(self, filters: Iterable[str]) -> None:
        self._gates = {it: FloodGate() for it in filters}
        self._homes: dict[str, dict[str, FloodGate]] = {it: {} for it in self._gates}

    def found_home(self, topic_filter: str, topic: str) -> bool:
        """Note that a reading came by a filter from a topic; return whether that is a home since now."""
        homes = self._homes[topic_filter]
        if topic == topic_filter or topic in homes or len(homes) == MOST_HOMES:
            return False
        homes[topic] = FloodGate()
        return True

    def lets_in(self, topic_filter: str, topic: str, now_ms: int) -> bool:
        """Return whether a message that comes now by a filter from a topic is let in."""
        whole = self._gates[topic_filter]
        lets_in = self._homes[topic_filter].get(topic, whole).lets_in(now_ms)
        if not lets_in:
            whole.shut(now_ms)
        return lets_in

    def open_again(self, now_ms: int) -> None:
        """Open what has been shut for long enough."""
        for topic_filter, gate in self._gates.items():
            for it in (gate, *self._homes[topic_filter].values()):
                it.opens(now_ms)

    def known(self) -> set[str]:
        """Return all that may ever have been subscribed to."""
        return {*self._gates, *(home for homes in self._homes.values() for home in homes)}

    def listened(self) -> list[str]:
        """Return what is to be subscribed to now."""
        return [
            topic
            for it, whole in self._gates.items()
            for topic, gate in (self._homes[it] if whole.is_shut else {it: whole}).items()
            if not gate.is_shut
        ]
