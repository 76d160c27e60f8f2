"""Nights and months where the rack stands, also when the clocks are changed."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.errors import SourceError
from daemon.handover.period import month_of, night_of

ZONE = ZoneInfo("Europe/Copenhagen")
HOUR_MS = 3_600_000


def ms(text):
    return round(datetime.fromisoformat(text).astimezone(UTC).timestamp() * 1000)


def test_the_newest_night_is_that_of_yesterday_until_the_next_one_begins():
    for now, evening in (
        ("2026-08-15T07:00+02:00", "2026-08-14"),
        ("2026-08-15T17:59+02:00", "2026-08-14"),
        ("2026-08-15T18:00+02:00", "2026-08-15"),
    ):
        found = night_of(None, ms(now), ZONE)
        assert (found.name, found.newest) == (f"night of {evening}", True)
    assert night_of(date(2026, 8, 13), ms("2026-08-15T07:00+02:00"), ZONE).newest is False


def test_a_night_that_lasts_is_told_up_to_now():
    now_ms = ms("2026-08-15T02:00+02:00")
    found = night_of(None, now_ms, ZONE)
    assert (found.from_ms, found.to_ms, found.lasts) == (ms("2026-08-14T18:00+02:00"), now_ms, True)
    assert night_of(None, ms("2026-08-15T08:00+02:00"), ZONE).lasts is False


def test_the_night_on_which_the_clocks_go_back_has_an_hour_more():
    """25 October 2026 (IANA)."""
    now_ms = ms("2026-11-01T00:00+01:00")
    lengths = [night_of(date(2026, 10, day), now_ms, ZONE) for day in (23, 24)]
    assert [(it.to_ms - it.from_ms) / HOUR_MS for it in lengths] == [14, 15]
    october = month_of(date(2026, 10, 1), now_ms, ZONE)
    assert (october.to_ms - october.from_ms) / HOUR_MS == 31 * 24 + 1
    assert (october.name, october.monthly, october.lasts) == ("2026-10", True, False)
    december = month_of(date(2025, 12, 1), now_ms, ZONE)
    assert december.to_ms == ms("2026-01-01T00:00+01:00")


def test_what_is_to_come_is_refused_in_one_line():
    with pytest.raises(SourceError, match=r"^night of 2026-08-16: it is still to come; expected one"):
        night_of(date(2026, 8, 16), ms("2026-08-15T07:00+02:00"), ZONE)
    with pytest.raises(SourceError, match=r"^2026-09: it is still to come"):
        month_of(date(2026, 9, 1), ms("2026-08-15T07:00+02:00"), ZONE)
