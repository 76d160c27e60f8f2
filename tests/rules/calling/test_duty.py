"""A team's agreement: its numbers unless it says otherwise, what is refused, and who gets the daily word.

The times are common practice, no source; they are written down a second time, since they decide who is woken.
"""

from dataclasses import replace
from datetime import date, time
from zoneinfo import ZoneInfo

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.duty import DEFAULT_MANNERS, Duty, Manner, Pair, When
from rules.calling.rota import Rota, instant_ms
from rules.errors import InputError
from tests.rules.calling.test_escalation import DUTY, HOUR, MIN

ZONE = ZoneInfo("Europe/Copenhagen")
ROTA = Rota(("ada", "bo"), date(2026, 1, 5), time(9), ZONE)


def test_the_times_of_a_team_that_says_nothing_of_them():
    its = Duty(ROTA, digest_at=(time(8),))
    assert its.manners == DEFAULT_MANNERS
    seconds = {
        name: getattr(its, name) // 1000
        for name in ("gather_ms", "gone_after_ms", "silent_after_ms", "link_lost_after_ms")
    }
    assert seconds == {
        "gather_ms": 15,
        "gone_after_ms": 60,
        "silent_after_ms": 180,
        "link_lost_after_ms": 300,
    }
    assert (its.stopped_after_ms, its.flood_calls, its.flood_window_ms) == (30 * MIN, 5, 10 * MIN)
    assert (its.racks, its.pair, dict(its.words_at)) == ((), None, {})


def test_what_is_seen_and_still_stands_is_asked_about_again():
    again = {priority: manner.ask_again_ms / MIN for priority, manner in DEFAULT_MANNERS.items()}
    assert again == {
        Priority.CRITICAL: 30,
        Priority.HIGH: 60,
        Priority.MEDIUM: 240,
        Priority.LOW: 1440,
    }
    assert Manner(When.ALWAYS, MIN, MIN).ask_again_ms == 30 * MIN


@pytest.mark.parametrize("times", [(0, 1, 1), (1, 0, 1), (1, 1, 0), (1, 1, -1)])
def test_a_manner_that_would_call_at_every_moment_is_refused(times):
    assert Manner(When.ALWAYS, 1, 1, 1)
    with pytest.raises(InputError, match="must be more than 0 ms"):
        Manner(When.ALWAYS, *times)


def test_what_is_critical_waits_for_no_digest_and_a_digest_needs_its_time():
    digest = Manner(When.DIGEST, HOUR, HOUR)
    with pytest.raises(InputError, match="critical alarms cannot wait"):
        replace(DUTY, manners=DUTY.manners | {Priority.CRITICAL: digest})
    with pytest.raises(InputError, match="low alarms go into the digest, but there is no time for it"):
        Duty(ROTA)
    awake = {its: replace(manner, when=When.AWAKE) for its, manner in DUTY.manners.items()}
    assert Duty(ROTA, manners=awake).digest_at == ()


@pytest.mark.parametrize(
    ("pair", "numbers"),
    [
        (None, [1, 2, 3, 4]),
        (Pair("attic", False, 1), [1, 3, 5, 7]),
        (Pair("desk", True, 1), [2, 4, 6, 8]),
    ],
    ids=["alone", "first", "second"],
)
def test_of_a_pair_the_first_counts_odd_and_the_second_even(pair, numbers):
    its, found = replace(DUTY, pair=pair), [0]
    for _ in numbers:
        found.append(its.number_after(found[-1]))
    assert found[1:] == numbers
    for number in range(20):
        assert its.number_after(number) > number, "also after a number of the other, or of before the pair"


def test_the_two_of_a_pair_have_one_mark_and_another_agreement_has_another():
    ours = replace(DUTY, pair=Pair("attic", False, 1), words_at={"ada": time(7), "bo": time(8)})
    theirs = replace(DUTY, pair=Pair("desk", True, 2), words_at={"bo": time(8), "ada": time(7)})
    assert ours.mark == theirs.mark
    assert len(ours.mark) == 16
    assert replace(ours, flood_calls=6).mark != ours.mark != DUTY.mark


def test_the_daily_word_goes_to_whoever_is_on_call_at_a_time_of_theirs():
    duty = Duty(ROTA, digest_at=(time(8),), words_at={"ada": time(7), "bo": time(12)})
    monday = date(2026, 1, 5)
    seven, noon = (instant_ms(monday, time(hour), ZONE) for hour in (7, 12))
    assert duty.next_word_ms(seven - 1) == seven
    assert duty.next_word_ms(seven) == noon
    assert duty.word_to(seven) is None, "bo is on call until nine, whose time is noon"
    assert duty.word_to(noon) is None
    tuesday = instant_ms(date(2026, 1, 6), time(7), ZONE)
    assert duty.word_to(tuesday) == "ada"
    assert duty.word_to(tuesday - 1) is None
    assert duty.word_to(tuesday + 1) is None
    assert Duty(ROTA, digest_at=(time(8),)).word_to(tuesday) is None
    assert Duty(ROTA, digest_at=(time(8),)).next_word_ms(tuesday) is None


def test_without_quiet_hours_none_end():
    assert Duty(ROTA, digest_at=(time(8),)).quiet_ends_ms(0) is None


@pytest.mark.parametrize("hour", range(0, 24 * 9, 5))
def test_where_our_clock_is_ahead_turns_and_times_are_those_of_the_peoples(hour):
    """What is asked of a moment of ours is said of theirs, and moments come back as ours."""
    ahead_ms, theirs_ms = 7 * HOUR, instant_ms(date(2026, 1, 5), time(3), ZONE) + hour * HOUR
    ours, plain = Duty(ROTA, digest_at=(time(8),), ahead_ms=ahead_ms), Duty(ROTA, digest_at=(time(8),))
    at_ms = theirs_ms + ahead_ms
    assert (ours.on_call(at_ms), ours.line_up(at_ms)) == (plain.on_call(theirs_ms), plain.line_up(theirs_ms))
    assert ours.turn_ends_ms(at_ms) == plain.turn_ends_ms(theirs_ms) + ahead_ms
    assert ours.next_digest_ms(at_ms) == plain.next_digest_ms(theirs_ms) + ahead_ms
