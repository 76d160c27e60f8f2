"""The measures of IEC 62682 / ISA-18.2, counted by hand on small stories."""

import pytest

from rules.alarms.episodes import episodes_of
from rules.alarms.life_cycle import Priority
from rules.alarms.measures import by_week, measures
from tests.rigs.alarm_events import MINUTE_MS, START_MS, Story

DAY = 1440


def measured(story, minutes=DAY):
    return measures(episodes_of(story.events), START_MS, START_MS + minutes * MINUTE_MS)


def test_rates_are_averages_over_the_stretch():
    story = Story()
    for k in range(12):
        story.stands(120 * k, 120 * k + 5, f"kreisel-{k % 3}/temperature")
    found = measured(story)
    assert (found.alarms, found.per_day, found.per_hour) == (12, 12, 0.5)
    assert found.per_ten_minutes == pytest.approx(12 / 144)
    assert (found.most_in_ten_minutes, found.flood_time, found.busy_hours) == (1, 0, 0)


def test_a_flood_begins_above_ten_and_ends_below_five():
    """12, 7, 5 and 4 alarms in four spells of ten minutes: three are flood, one of them above ten."""
    story = Story()
    for spell, count in enumerate((12, 7, 5, 4)):
        for k in range(count):
            story.stands(10 * spell + 0.5 * k, 1000 + spell, f"v{spell}-{k}/temperature")
    found = measured(story, 40)
    assert found.flood_time == 0.75
    assert found.busy_ten_minutes == 0.25
    assert found.most_in_ten_minutes == 12
    assert found.busy_hours == 0  # 28 alarms in the hour; above 30 counts


def test_three_times_in_a_minute_chatters():
    often, rarely = Story(), Story()
    for k in range(3):
        often.stands(0.4 * k, 0.4 * k + 0.2, "kreisel-1/temperature")
        rarely.stands(0.6 * k, 0.6 * k + 0.2, "kreisel-1/temperature")
    assert (measured(often).chattering, measured(rarely).chattering) == (1, 0)


def test_what_returns_within_a_minute_and_does_not_chatter_is_fleeting():
    """The standards' definition, from memory: it comes and goes by itself within a short time."""
    story = Story().stands(0, 1, "a/salinity").stands(10, 11.1, "b/salinity")
    for k in range(3):
        story.stands(20 + 0.3 * k, 20.2 + 0.3 * k, "c/salinity")
    found = measured(story)
    assert (found.fleeting, found.chattering, found.alarms) == (1, 1, 5)


def test_an_alarm_is_stale_after_a_day():
    story = Story().stands(0, DAY + 1, "a/salinity").stands(0, DAY, "b/salinity")
    story(10, "c/salinity", "low", "raised")
    assert measured(story, 3 * DAY).stale == 2
    assert measured(story, DAY).stale == 0  # not yet within the first day


def test_priorities_and_worst_offenders():
    story = Story()
    for k in range(6):
        story.stands(10 * k, 10 * k + 1, "kreisel-1/temperature", priority=Priority.MEDIUM)
    story.stands(100, 101, "kreisel-2/temperature", priority=Priority.CRITICAL)
    story.stands(200, 201, "kreisel-1/salinity", priority=Priority.CRITICAL)
    found = measured(story)
    assert found.offenders[0] == ("kreisel-1/temperature/high", 6)
    assert found.priorities[Priority.MEDIUM] == 0.75
    assert sum(found.priorities.values()) == 1
    assert found.top_share == 1


def test_weeks_are_counted_apart_and_the_last_may_be_short():
    story = Story().stands(10, 20, "a/temperature").stands(8 * DAY, 8 * DAY + 5, "a/temperature")
    weeks = by_week(episodes_of(story.events), START_MS, START_MS + 10 * DAY * MINUTE_MS)
    assert [week.alarms for week in weeks] == [1, 1]
    assert weeks[1].per_day == pytest.approx(1 / 3)


def test_where_no_alarm_was_raised_everything_is_nought():
    found = measured(Story())
    assert set(found.priorities.values()) == {0.0}
    assert (found.alarms, found.per_day, found.top_share, found.most_in_ten_minutes) == (0, 0.0, 0.0, 0)
    assert (found.busy_hours, found.busy_ten_minutes, found.flood_time, found.stale) == (0.0, 0.0, 0.0, 0)


def test_ten_alarms_in_ten_minutes_are_no_flood_yet_and_thirty_in_an_hour_not_busy():
    story = Story()
    for k in range(10):
        story.stands(k, k + 0.5, f"v{k}/temperature")
    for k in range(20):
        story.stands(20 + 2 * k, 20.5 + 2 * k, f"w{k}/temperature")
    found = measured(story, 60)
    assert (found.flood_time, found.busy_ten_minutes, found.most_in_ten_minutes) == (0.0, 0.0, 10)
    assert (found.alarms, found.busy_hours) == (30, 0.0)
    story.stands(59.5, 61, "one/more")
    assert measured(story, 60).busy_hours == 1.0


def test_three_times_in_just_a_minute_chatters_and_the_worst_ten_are_ten():
    story = Story()
    for k in range(3):
        story.stands(0.5 * k, 0.5 * k + 0.1, "a/temperature")
    assert measured(story).chattering == 1
    for k in range(12):
        story.stands(100 + k, 100 + k + 0.1, f"v{k:02}/temperature")
    found = measured(story)
    assert found.top_share == 12 / 15
    assert [name for name, _ in found.offenders[:2]] == ["a/temperature/high", "v00/temperature/high"]


def test_the_eleventh_in_ten_minutes_makes_a_flood_and_each_hour_is_busy_by_itself():
    story = Story()
    for k in range(31):
        story.stands(1.8 * k, 200, f"v{k:02}/temperature")
    found = measured(story, 240)
    assert (found.busy_hours, found.most_in_ten_minutes) == (0.25, 6)
    eleven = Story()
    for k in range(11):
        eleven.stands(0.5 * k, 20, f"v{k}/temperature")
    assert measured(eleven, 20).busy_ten_minutes == 0.5


def test_a_stretch_begins_with_its_first_moment_and_ends_before_its_last():
    story = (
        Story().stands(0, 2, "b/temperature").stands(59, 62, "a/temperature").stands(60, 70, "c/temperature")
    )
    found = measured(story, 60)
    assert (found.start_ms, found.stop_ms, found.alarms) == (START_MS, START_MS + 60 * MINUTE_MS, 2)
    assert [name for name, _ in found.offenders] == ["a/temperature/high", "b/temperature/high"], "by name"
