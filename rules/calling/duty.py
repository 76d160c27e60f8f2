"""How people want to be told: by priority, by the hour, and how soon somebody else is called."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import time
from enum import StrEnum

from rules.alarms.life_cycle import Priority
from rules.calling.rota import QuietHours, Rota, next_daily_ms
from rules.errors import InputError


class When(StrEnum):
    """When a priority is told: at once, at once but never in the quiet hours, or in the daily digest."""

    ALWAYS = "always"
    AWAKE = "awake"
    DIGEST = "digest"


_MIN = 60_000


@dataclass(frozen=True, slots=True)
class Manner:
    """How alarms of one priority are told: when, how often again, and when the next person is called.

    What somebody has seen, and what still stands `ask_again_ms` later, is called again.
    """

    when: When
    repeat_ms: int
    hand_over_ms: int
    ask_again_ms: int = 30 * _MIN

    def __post_init__(self) -> None:
        if min(self.repeat_ms, self.hand_over_ms, self.ask_again_ms) <= 0:
            raise InputError("repeat, hand-over and ask-again times must be more than 0 ms")


DEFAULT_MANNERS: Mapping[Priority, Manner] = {
    Priority.CRITICAL: Manner(When.ALWAYS, 5 * _MIN, 15 * _MIN, 30 * _MIN),
    Priority.HIGH: Manner(When.ALWAYS, 10 * _MIN, 30 * _MIN, 60 * _MIN),
    Priority.MEDIUM: Manner(When.AWAKE, 30 * _MIN, 60 * _MIN, 4 * 60 * _MIN),
    Priority.LOW: Manner(When.DIGEST, 24 * 60 * _MIN, 24 * 60 * _MIN, 24 * 60 * _MIN),
}
"""Common practice, no source: starting points for the team's own agreement."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two watchers on two machines: the name of the `other`, and whether we are the `second`, who waits.

    Without a sign of life for `missing_after_ms` the other is missing.
    """

    other: str
    second: bool
    missing_after_ms: int

    @property
    def grace_ms(self) -> int:
        """Return how long the other has to be heard where we ourselves did not listen before."""
        return self.missing_after_ms // 3


@dataclass(frozen=True, slots=True)
class Duty:
    """The team's agreement.

    `gather_ms`: a first call waits this long, so that one cause is one call with all its vessels.
    `gone_after_ms`: a rack whose connection broke is given this long to come back.
    `silent_after_ms`: without a heartbeat for this long a rack is silent that does not say how often it gives
    one; who does has as many of its own as that is of `heartbeat_ms`.
    `stopped_after_ms`: a rack that was stopped on purpose has this long to be started again.
    `link_lost_after_ms`: without the broker for this long somebody must look.
    `flood_calls` within `flood_window_ms`: what one person is sent at most below critical; the
    rest of a flood becomes one call.
    `words_at`: when each person who wants the daily word gets it, in the weeks of being on call.
    `ahead_ms`: how far our clock, which never runs back, is ahead of the people's, which was set back.
    """

    rota: Rota
    quiet: QuietHours | None = None
    digest_at: tuple[time, ...] = ()
    manners: Mapping[Priority, Manner] = field(default_factory=lambda: DEFAULT_MANNERS)
    racks: tuple[str, ...] = ()
    gather_ms: int = 15_000
    gone_after_ms: int = _MIN
    silent_after_ms: int = 3 * _MIN
    heartbeat_ms: int = _MIN // 2
    link_lost_after_ms: int = 5 * _MIN
    stopped_after_ms: int = 30 * _MIN
    flood_calls: int = 5
    flood_window_ms: int = 10 * _MIN
    pair: Pair | None = None
    words_at: Mapping[str, time] = field(default_factory=dict)
    ahead_ms: int = 0

    def __post_init__(self) -> None:
        if set(self.manners) != set(Priority):
            raise InputError("each priority needs its manner of being told")
        digests = [priority for priority in Priority if self.manners[priority].when is When.DIGEST]
        if digests and not self.digest_at:
            raise InputError(f"{digests[0].word} alarms go into the digest, but there is no time for it")
        if Priority.CRITICAL in digests:
            raise InputError("critical alarms cannot wait for a digest")

    @property
    def mark(self) -> str:
        """Return what tells this agreement from others; the two of a pair have the same."""
        same = replace(self, pair=None, ahead_ms=0, words_at=dict(sorted(self.words_at.items())))
        return hashlib.sha256(repr(same).encode()).hexdigest()[:16]

    def silent_ms(self, every_ms: int) -> int:
        """Return how long a rack may be silent that gives a sign of life `every_ms`, 0 where it does not say.

        No connection has less time than one that is known to be broken.
        """
        if not every_ms:
            return self.silent_after_ms
        at_least_ms = min(self.silent_after_ms, self.gone_after_ms)
        return max(self.silent_after_ms * every_ms // self.heartbeat_ms, at_least_ms)

    def number_after(self, number: int) -> int:
        """Return the next number of a problem: of a pair the first's are odd, the second's even.

        So what is answered at the wrong one of the two answers for nothing else.
        """
        if self.pair is None:
            return number + 1
        return number + 2 if number % 2 != self.pair.second else number + 1

    # By the people's clock: moments of ours go in and come out

    def on_call(self, at_ms: int) -> str:
        """Return whose turn it is at a moment."""
        return self.rota.on_call(at_ms - self.ahead_ms)

    def line_up(self, at_ms: int) -> tuple[str, ...]:
        """Return everybody in the order in which they are called at a moment."""
        return self.rota.line_up(at_ms - self.ahead_ms)

    def turn_ends_ms(self, at_ms: int) -> int | None:
        """Return when somebody else is on call; None where that never is."""
        return self._ours(self.rota.shift(at_ms - self.ahead_ms).until_ms)

    def quiet_ends_ms(self, at_ms: int) -> int | None:
        """Return when the quiet hours around a moment end; None outside of them."""
        return None if self.quiet is None else self._ours(self.quiet.ends_ms(at_ms - self.ahead_ms))

    def next_digest_ms(self, after_ms: int) -> int | None:
        """Return the first moment after another at which the digest is due."""
        return self._ours(next_daily_ms(self.digest_at, self.rota.zone, after_ms - self.ahead_ms))

    def next_word_ms(self, after_ms: int) -> int | None:
        """Return the first moment after another at which somebody may get the daily word."""
        times = tuple(self.words_at.values())
        return self._ours(next_daily_ms(times, self.rota.zone, after_ms - self.ahead_ms))

    def word_to(self, at_ms: int) -> str | None:
        """Return who gets the daily word at a moment: whoever is on call, if that is their time."""
        person, theirs_ms = self.on_call(at_ms), at_ms - self.ahead_ms
        at = (self.words_at[person],) if person in self.words_at else ()
        return person if next_daily_ms(at, self.rota.zone, theirs_ms - 1) == theirs_ms else None

    def _ours(self, theirs_ms: int | None) -> int | None:
        return None if theirs_ms is None else theirs_ms + self.ahead_ms
