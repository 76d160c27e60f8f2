"""What keeps a flood from burying anything: a bound on what one person is sent below critical.

What is over the bound is held, and told together as one call once the window has passed.
"""

from dataclasses import dataclass, field

from rules.calling.duty import Duty


@dataclass(slots=True)
class Held:
    """Numbers of problems that wait for the call about the rest of a flood, and when that falls due."""

    due_ms: int
    problems: set[int] = field(default_factory=set)


@dataclass(slots=True)
class FloodGate:
    """When each person was called lately below critical, and what is held for them."""

    sent: dict[str, list[int]] = field(default_factory=dict)
    held: dict[str, Held] = field(default_factory=dict)

    def admits(self, person: str, at_ms: int, duty: Duty) -> bool:
        """Return whether one more call may go to a person now, and count it if so."""
        sent = [sent_ms for sent_ms in self.sent.get(person, []) if sent_ms > at_ms - duty.flood_window_ms]
        self.sent[person] = sent
        if person in self.held or len(sent) >= duty.flood_calls:
            return False
        sent.append(at_ms)
        return True

    def hold(self, person: str, problem: int, at_ms: int, duty: Duty) -> None:
        """Keep a problem for the call that tells the rest of the flood."""
        oldest_ms = min(self.sent.get(person, []), default=at_ms)
        self.held.setdefault(person, Held(oldest_ms + duty.flood_window_ms)).problems.add(problem)

    def due_ms(self) -> int | None:
        """Return when the next call about held problems falls due."""
        return min((held.due_ms for held in self.held.values()), default=None)

    def release(self, at_ms: int) -> list[tuple[str, set[int]]]:
        """Give back, by person, the problems whose time has come; that counts as one call each."""
        due = sorted(person for person, held in self.held.items() if held.due_ms <= at_ms)
        released = [(person, self.held.pop(person).problems) for person in due]
        for person, _ in released:
            self.sent[person].append(at_ms)
        return released
