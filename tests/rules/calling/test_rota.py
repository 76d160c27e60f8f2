"""The rota against the calendar: turns, swaps, quiet hours and daily times on nights that change the clock.

Summer time begins and ends in the European Union at 01:00 UTC on the last Sundays of March and
October (Directive 2000/84/EC, articles 2 and 3), in the United States at 02:00 local time on the second
Sunday of March and the first Sunday of November (Energy Policy Act of 2005, section 110). The
moments below are worked out from those texts by hand.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz
from hypothesis import given
from hypothesis import strategies as st

from rules.calling.rota import QuietHours, Rota, Shift, Swap, instant_ms, next_daily_ms
from rules.errors import InputError

COPENHAGEN = ZoneInfo("Europe/Copenhagen")
NEW_YORK = ZoneInfo("America/New_York")
MONDAY = date(2026, 1, 5)


def utc_ms(text):
    return round(datetime.fromisoformat(text + "+00:00").timestamp() * 1000)


def rota(zone=COPENHAGEN, people=("ada", "bo", "cy"), hand_over=time(9), swaps=(), first_day=MONDAY):
    return Rota(people, first_day, hand_over, zone, tuple(swaps))


@pytest.mark.parametrize(
    ("zone", "last_moment_of_ada", "first_moment_of_bo"),
    [
        # The week over the switch to summer time has 167 hours, that over the switch back 169:
        # the hand-over stays at nine by the clock on the wall.
        (COPENHAGEN, "2026-03-30T06:59:59.999", "2026-03-30T07:00:00"),
        (COPENHAGEN, "2026-10-26T07:59:59.999", "2026-10-26T08:00:00"),
        (NEW_YORK, "2026-03-09T12:59:59.999", "2026-03-09T13:00:00"),
        (NEW_YORK, "2026-11-02T13:59:59.999", "2026-11-02T14:00:00"),
    ],
)
def test_the_hand_over_keeps_its_hour_over_the_switch(zone, last_moment_of_ada, first_moment_of_bo):
    monday = datetime.fromisoformat(first_moment_of_bo).date()
    turns = rota(zone, first_day=monday - timedelta(days=7))
    assert turns.on_call(utc_ms(last_moment_of_ada)) == "ada"
    assert turns.on_call(utc_ms(first_moment_of_bo)) == "bo"


@pytest.mark.parametrize(
    ("zone", "sunday", "hand_over", "moment"),
    [
        # 02:30 does not exist on these mornings: it counts as half an hour after the clock went forward.
        (COPENHAGEN, date(2026, 3, 29), time(2, 30), "2026-03-29T01:30:00"),
        (NEW_YORK, date(2026, 3, 8), time(2, 30), "2026-03-08T07:30:00"),
        # 02:30 and 01:30 come twice on these: the first one counts.
        (COPENHAGEN, date(2026, 10, 25), time(2, 30), "2026-10-25T00:30:00"),
        (NEW_YORK, date(2026, 11, 1), time(1, 30), "2026-11-01T05:30:00"),
    ],
)
def test_a_hand_over_in_the_hour_that_is_skipped_or_comes_twice(zone, sunday, hand_over, moment):
    turns = rota(zone, hand_over=hand_over, first_day=sunday - timedelta(days=7))
    assert instant_ms(sunday, hand_over, zone) == utc_ms(moment)
    assert turns.on_call(utc_ms(moment) - 1) == "ada"
    assert turns.on_call(utc_ms(moment)) == "bo"
    assert turns.on_call(utc_ms(moment) + 2 * 3_600_000) == "bo"


def test_turns_go_round_and_count_backwards_before_the_first_day():
    turns = rota()
    weeks = [
        turns.on_call(instant_ms(MONDAY + timedelta(days=7 * week), time(9), COPENHAGEN))
        for week in (-2, -1, 0, 1, 2, 3)
    ]
    assert weeks == ["bo", "cy", "ada", "bo", "cy", "ada"]


def test_two_people_take_turns():
    turns = rota(people=("ada", "bo"))
    assert turns.line_up(utc_ms("2026-01-07T12:00:00")) == ("ada", "bo")
    assert turns.line_up(utc_ms("2026-01-14T12:00:00")) == ("bo", "ada")


def test_a_shift_says_until_when_and_who_then_also_over_swaps_and_the_clocks():
    """Nine in Copenhagen is 08:00 UTC in winter, 07:00 in summer; worked out by hand."""
    assert rota().shift(utc_ms("2026-01-07T12:00:00")) == Shift("ada", utc_ms("2026-01-12T08:00:00"), "bo")
    assert rota().shift(utc_ms("2026-03-28T12:00:00")) == Shift("cy", utc_ms("2026-03-30T07:00:00"), "ada")
    start, end = utc_ms("2026-01-08T17:00:00"), utc_ms("2026-01-09T08:00:00")
    swapped = rota(swaps=[Swap(start, end, "cy")])
    assert [swapped.shift(at) for at in (start - 1, start, end)] == [
        Shift("ada", start, "cy"),
        Shift("cy", end, "ada"),
        Shift("ada", utc_ms("2026-01-12T08:00:00"), "bo"),
    ]
    long = rota(people=("ada", "bo"), swaps=[Swap(start, utc_ms("2026-04-06T07:00:00"), "ada")])
    assert long.shift(start) == Shift("ada", utc_ms("2026-04-06T07:00:00"), "bo"), (
        "beyond every turn of the two"
    )
    assert rota(people=("ada",)).shift(start) == Shift("ada")


@given(
    st.integers(0, 5),
    st.lists(st.tuples(st.integers(0, 60), st.integers(1, 40), st.sampled_from("ab"))),
    st.integers(0, 60),
)
def test_nobody_takes_over_before_the_end_of_a_shift(first, swaps, day):
    at_ms, day_ms = utc_ms("2026-01-02T09:30:00"), 86_400_000
    given_swaps = [Swap(at_ms + a * day_ms, at_ms + (a + b) * day_ms, who) for a, b, who in swaps]
    turns = rota(people=("a", "b", "c"), swaps=given_swaps, first_day=MONDAY + timedelta(days=first))
    its = turns.shift(at_ms + day * day_ms)
    assert its.until_ms is not None
    hours = range(at_ms + day * day_ms, its.until_ms, 3_600_000)
    assert {turns.on_call(hour) for hour in hours} == {its.person}
    assert turns.on_call(its.until_ms) == its.then != its.person


def test_a_swap_counts_from_its_start_up_to_its_end_and_the_last_of_two_wins():
    start, end = utc_ms("2026-01-08T17:00:00"), utc_ms("2026-01-09T08:00:00")
    turns = rota(swaps=[Swap(start, end, "cy"), Swap(end - 1000, end, "bo")])
    assert [turns.on_call(at) for at in (start - 1, start, end - 1001, end - 1000, end)] == [
        "ada", "cy", "cy", "bo", "ada",
    ]  # fmt: skip
    assert turns.line_up(start) == ("cy", "ada", "bo")


@given(st.integers(min_value=utc_ms("2020-01-01T00:00:00"), max_value=utc_ms("2034-12-31T00:00:00")))
def test_turns_agree_with_counting_hand_overs_one_by_one_in_another_library(at_ms):
    """Against `dateutil`, which reads the zones by itself: wall-clock arithmetic, week by week."""
    zone = tz.gettz("America/New_York")
    wall = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).replace(tzinfo=None)
    start, turn = datetime(2019, 12, 30, 9), 0
    while start + timedelta(days=7) <= wall:
        start, turn = start + timedelta(days=7), turn + 1
    turns = rota(NEW_YORK, first_day=date(2019, 12, 30))
    assert turns.on_call(at_ms) == ("ada", "bo", "cy")[turn % 3]


def test_a_rota_without_people_with_doubles_or_with_strangers_is_refused():
    with pytest.raises(InputError, match="at least one person"):
        rota(people=())
    with pytest.raises(InputError, match="each of them once"):
        rota(people=("ada", "ada"))
    with pytest.raises(InputError, match="dee, who is not in the rota"):
        rota(swaps=[Swap(0, 1, "dee")])


@pytest.mark.parametrize(
    ("zone", "at", "ends"),
    [
        (COPENHAGEN, "2026-03-28T21:00:00", "2026-03-29T05:00:00"),  # eight hours by the watch, not nine
        (COPENHAGEN, "2026-10-24T20:00:00", "2026-10-25T06:00:00"),  # ten
        (NEW_YORK, "2026-03-08T06:59:00", "2026-03-08T11:00:00"),
        (NEW_YORK, "2026-11-01T06:30:00", "2026-11-01T12:00:00"),
        (COPENHAGEN, "2026-06-10T20:00:00", "2026-06-11T05:00:00"),
        (COPENHAGEN, "2026-06-11T04:59:59", "2026-06-11T05:00:00"),
        (COPENHAGEN, "2026-06-11T05:00:00", None),
        (COPENHAGEN, "2026-06-11T19:59:59", None),
    ],
)
def test_quiet_hours_from_ten_to_seven_end_at_seven_by_the_clock(zone, at, ends):
    quiet = QuietHours(time(22), time(7), zone)
    assert quiet.ends_ms(utc_ms(at)) == (None if ends is None else utc_ms(ends))


def test_quiet_hours_within_one_day():
    quiet = QuietHours(time(13), time(15), UTC)
    assert quiet.ends_ms(utc_ms("2026-06-11T13:00:00")) == utc_ms("2026-06-11T15:00:00")
    assert quiet.ends_ms(utc_ms("2026-06-11T12:59:59")) is None
    assert quiet.ends_ms(utc_ms("2026-06-11T15:00:00")) is None
    with pytest.raises(InputError, match="never begin"):
        QuietHours(time(7), time(7), UTC)


def test_daily_times_come_once_a_day_also_when_the_clock_changes():
    times = (time(2, 30), time(8, 30))
    at, found = utc_ms("2026-10-24T12:00:00"), []
    for _ in range(4):
        at = next_daily_ms(times, COPENHAGEN, at)
        found.append(at)
    assert found == [
        utc_ms("2026-10-25T00:30:00"),
        utc_ms("2026-10-25T07:30:00"),
        utc_ms("2026-10-26T01:30:00"),
        utc_ms("2026-10-26T07:30:00"),
    ]
    assert next_daily_ms((), COPENHAGEN, at) is None


@pytest.mark.parametrize(
    ("zone", "at", "after", "then"),
    [
        # In Nuuk the last hour of Saturday 2024-03-30 was skipped: its 23:30 counts as 00:30 of Sunday.
        ("America/Nuuk", time(23, 30), "2024-03-31T01:10:00", "2024-03-31T01:30:00"),
        # In St. John's at 00:01 of Sunday 2006-10-29 it was 23:01 of Saturday again: in that second hour
        # Sunday's 00:00:20 is over, the first of two, and Monday's is two days of the calendar away.
        ("America/St_Johns", time(0, 0, 20), "2006-10-29T02:40:00", "2006-10-30T03:30:20"),
    ],
)
def test_a_daily_time_that_the_clock_moves_over_midnight_comes_nevertheless(zone, at, after, then):
    """Both switches as in the time zone database (IANA), worked out by hand."""
    assert next_daily_ms((at,), ZoneInfo(zone), utc_ms(after)) == utc_ms(then)
