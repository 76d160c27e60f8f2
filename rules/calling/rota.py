"""Who is on call, and when people sleep: weekly turns, swaps, quiet hours, daily times.

Everything here is a fact of the wall clock, so the zone of the people comes in as a `tzinfo` and
daylight saving comes with it: a time of day that the clock skips counts as that much after the
switch, one that comes twice is the first of the two.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from rules.errors import InputError

WEEK = timedelta(days=7)
_DAY = timedelta(days=1)


def instant_ms(day: date, at: time, zone: tzinfo) -> int:
    """Return the moment at which the clocks of `zone` show `at` on `day`, in UTC milliseconds."""
    return round(datetime.combine(day, at, zone).timestamp() * 1000)


def local_day(at_ms: int, zone: tzinfo) -> date:
    """Return the date that the calendars of `zone` show at a moment."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).date()


def next_daily_ms(times: tuple[time, ...], zone: tzinfo, after_ms: int) -> int | None:
    """Return the first moment after `after_ms` at which a clock shows one of `times`; None without any."""
    today = local_day(after_ms, zone)
    moments = [instant_ms(today + days * _DAY, at, zone) for days in (-1, 0, 1, 2) for at in times]
    return min((moment for moment in moments if moment > after_ms), default=None)


@dataclass(frozen=True, slots=True)
class Swap:
    """From `start_ms` up to `end_ms`, `person` is on call, whoever's turn it is."""

    start_ms: int
    end_ms: int
    person: str


@dataclass(frozen=True, slots=True)
class Shift:
    """Who is on call, until when, and who then; None and nobody where it is always the same person."""

    person: str
    until_ms: int | None = None
    then: str = ""


@dataclass(frozen=True, slots=True)
class Rota:
    """Weekly turns in the order of `people`.

    The first person's turn begins on `first_day` at `hand_over`, and so does each further turn a
    week later by the clocks of `zone`. Before that the turns count backwards. InputError where
    nobody, or somebody twice, is in the rota.
    """

    people: tuple[str, ...]
    first_day: date
    hand_over: time
    zone: tzinfo
    swaps: tuple[Swap, ...] = ()

    def __post_init__(self) -> None:
        if not self.people or len(set(self.people)) != len(self.people):
            raise InputError(f"a rota needs at least one person, each of them once; got {self.people}")
        strangers = [swap.person for swap in self.swaps if swap.person not in self.people]
        if strangers:
            raise InputError(f"a swap names {strangers[0]}, who is not in the rota: {self.people}")

    def on_call(self, at_ms: int) -> str:
        """Return who is on call at a moment; of swaps that overlap the last one counts."""
        for swap in reversed(self.swaps):
            if swap.start_ms <= at_ms < swap.end_ms:
                return swap.person
        return self.people[self._turn(at_ms) % len(self.people)]

    def shift(self, at_ms: int) -> Shift:
        """Return who is on call at a moment, and who follows."""
        person = self.on_call(at_ms)
        ends = [it for swap in self.swaps for it in (swap.start_ms, swap.end_ms) if it > at_ms]
        after = (self._turn(since_ms) + 1 for since_ms in (at_ms, *ends))
        for moment_ms in sorted({*ends, *map(self._begins_ms, after)}):
            if (then := self.on_call(moment_ms)) != person:
                return Shift(person, moment_ms, then)
        return Shift(person)

    def line_up(self, at_ms: int) -> tuple[str, ...]:
        """Return everybody in the order in which they are called: who is on call, then on down the rota."""
        first = self.people.index(self.on_call(at_ms))
        return self.people[first:] + self.people[:first]

    def _turn(self, at_ms: int) -> int:
        """Count the hand-overs from `first_day` on; the turn that begins then is number 0."""
        weeks = (local_day(at_ms, self.zone) - self.first_day) // WEEK
        return weeks if self._begins_ms(weeks) <= at_ms else weeks - 1

    def _begins_ms(self, turn: int) -> int:
        return instant_ms(self.first_day + turn * WEEK, self.hand_over, self.zone)


@dataclass(frozen=True, slots=True)
class QuietHours:
    """The hours of every night, by the clocks of `zone`, in which only what cannot wait is told."""

    start: time
    end: time
    zone: tzinfo

    def __post_init__(self) -> None:
        if self.start == self.end:
            raise InputError(f"quiet hours from {self.start} to {self.end} would never begin or never end")

    def ends_ms(self, at_ms: int) -> int | None:
        """Return when the quiet hours that cover a moment end; None where none do."""
        today = local_day(at_ms, self.zone)
        for day in (today - _DAY, today):
            end_day = day if self.start < self.end else day + _DAY
            start_ms = instant_ms(day, self.start, self.zone)
            end_ms = instant_ms(end_day, self.end, self.zone)
            if start_ms <= at_ms < end_ms:
                return end_ms
        return None
