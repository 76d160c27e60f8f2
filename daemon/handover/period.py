"""Which time a handover is about: a night or a month where the rack stands."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from daemon.errors import SourceError

EVENING, MORNING = time(18), time(8)
"""From when to when nobody is at the rack (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Period:
    """From `from_ms` up to, not including, `to_ms` (UTC); `lasts` says that its end is still to come.

    `newest` is the night that is handed over today.
    """

    name: str
    from_ms: int
    to_ms: int
    monthly: bool
    lasts: bool
    newest: bool


def night_of(evening: date | None, now_ms: int, zone: tzinfo) -> Period:
    """Return the night that begins on an evening (None: the newest); SourceError where it is to come."""
    now = datetime.fromtimestamp(now_ms / 1000, zone)
    last = now.date() - timedelta(days=now.time() < EVENING)
    day = evening or last
    ends = (datetime.combine(day, EVENING, zone), datetime.combine(day + timedelta(days=1), MORNING, zone))
    return _period(f"night of {day}", ends, now, newest=day == last)


def month_of(first: date, now_ms: int, zone: tzinfo) -> Period:
    """Return the month that begins on a day; SourceError where it is to come."""
    after = (first + timedelta(days=31)).replace(day=1)
    ends = (datetime.combine(first, time(), zone), datetime.combine(after, time(), zone))
    return _period(f"{first:%Y-%m}", ends, datetime.fromtimestamp(now_ms / 1000, zone), monthly=True)


def _period(
    name: str, ends: tuple[datetime, datetime], now: datetime, *, monthly: bool = False, newest: bool = False
) -> Period:
    if ends[0] > now:
        raise SourceError(f"{name}: it is still to come; expected one that has begun by {now:%Y-%m-%d %H:%M}")
    from_ms, to_ms = (round(min(end, now).timestamp() * 1000) for end in ends)
    return Period(name, from_ms, to_ms, monthly, ends[1] > now, newest)
