"""What keeps a flood from burying anything: a bound on what one person is sent below critical.

What is over the bound is held, and told together as one page once the window has passed.
"""

from typing import Any


class FloodGate:
    """Admits at most `pages` in any `window_ms` for each person, and holds the numbers of the rest."""

    def __init__(self, pages: int, window_ms: int) -> None:
        self._pages = pages
        self._window_ms = window_ms
        self._sent: dict[str, list[int]] = {}
        self._held: dict[str, tuple[int, list[int]]] = {}

    def admits(self, person: str, at_ms: int) -> bool:
        """Return whether one more page may go to a person now, and count it if so."""
        sent = [sent_ms for sent_ms in self._sent.get(person, []) if sent_ms > at_ms - self._window_ms]
        self._sent[person] = sent
        if person in self._held or len(sent) >= self._pages:
            return False
        sent.append(at_ms)
        return True

    def hold(self, person: str, problem: int, at_ms: int) -> None:
        """Keep a problem for the page that tells the rest of the flood."""
        oldest_ms = min(self._sent.get(person, []), default=at_ms)
        _, held = self._held.setdefault(person, (oldest_ms + self._window_ms, []))
        if problem not in held:
            held.append(problem)

    def due_ms(self) -> int | None:
        """Return when the next page about held problems falls due."""
        return min((due_ms for due_ms, _ in self._held.values()), default=None)

    def release(self, at_ms: int) -> list[tuple[str, list[int]]]:
        """Give back, by person, the problems whose time has come; that counts as one page each."""
        due = sorted(person for person, (due_ms, _) in self._held.items() if due_ms <= at_ms)
        released = [(person, self._held.pop(person)[1]) for person in due]
        for person, _ in released:
            self._sent[person].append(at_ms)
        return released

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; `take_json` is the inverse."""
        return {
            "sent": {person: list(sent) for person, sent in self._sent.items()},
            "held": {person: [due_ms, list(held)] for person, (due_ms, held) in self._held.items()},
        }

    def take_json(self, data: dict[str, Any]) -> None:
        """Go on from what `to_json` wrote down."""
        self._sent = {person: list(sent) for person, sent in data["sent"].items()}
        self._held = {person: (due_ms, list(held)) for person, (due_ms, held) in data["held"].items()}
