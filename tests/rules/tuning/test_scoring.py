"""Calls, nights, missed incidents, time to call, chattering: counted by hand on small stories."""

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from rules.alarms.life_cycle import Priority
from rules.tuning.incident import Incident
from rules.tuning.scoring import Found, Timely, is_call, is_night, nights_of, score
from tests.rigs.alarm_events import MINUTE_MS, START_MS, Story, changed

WEEK_MS = 7 * 24 * 60 * MINUTE_MS
T, S = "kreisel-1/temperature", "kreisel-2/salinity"
WEEK = [(START_MS, START_MS + WEEK_MS)]


def incident(start, end, vessel="kreisel-1", wanted=True):
    return Incident(START_MS + start * MINUTE_MS, START_MS + end * MINUTE_MS, vessel, "trouble", wanted)


def test_a_page_is_an_alarm_raised_or_worse_at_high_or_critical():
    story = Story()
    story(0, T, "high", "raised", Priority.MEDIUM)(1, T, "high", "worsened", Priority.CRITICAL)
    story(2, T, "high", "acknowledged", Priority.CRITICAL)(3, T, "high", "eased", Priority.HIGH)
    story(4, T, "high", "returned", Priority.HIGH)(5, T, "low", "raised", Priority.HIGH)
    assert [is_call(event) for event in story.events] == [False, True, False, False, False, True]


def test_night_is_by_the_clock_where_people_sleep():
    """06:30 UTC is 08:30 in Copenhagen in summer; 21:30 UTC is 22:30 in winter."""
    copenhagen = ZoneInfo("Europe/Copenhagen")
    hours = {"2025-07-01T04:30Z": True, "2025-07-01T06:30Z": False, "2025-12-01T21:30Z": True}
    for text, night in hours.items():
        assert is_night(int(datetime.fromisoformat(text).timestamp() * 1000), copenhagen) is night


def test_a_week_is_scored():
    story = Story()
    story.stands(8 * 60, 9 * 60, T)  # 08:00, the incident's call, 20 minutes in
    story.stands(9 * 60 + 5, 9 * 60 + 30, T)  # five minutes after its return: chattering
    story.stands(23 * 60, 23 * 60 + 30, S)  # at night, for nothing
    story.stands(30 * 60, 31 * 60, S, priority=Priority.MEDIUM)  # no call, though an incident
    result = score(
        story.events,
        [incident(460, 600), incident(30 * 60, 31 * 60, "kreisel-2"), incident(0, 5, "kreisel-1", False)],
        WEEK,
    )
    assert (result.calls, result.night_calls, result.unwanted, result.chattering) == (3, 1, 1, 1)
    assert result.missed == 1
    assert result.typical_wait_ms == 20 * MINUTE_MS
    assert result.per_week(result.calls) == 3


def test_an_alarm_that_stood_before_the_incident_pages_nobody_for_it():
    """Else a limit that always alarms would miss nothing."""
    story = Story()(0, T, "high", "raised")
    assert score(story.events, [incident(100, 200)], WEEK).missed == 1


def test_a_page_for_another_vessel_or_after_the_end_does_not_count():
    story = Story().stands(100, 130, S).stands(201, 220, T)
    result = score(story.events, [incident(90, 200)], WEEK)
    assert result.missed == 1
    assert result.unwanted == 2


def test_only_what_falls_into_the_stretches_watched_is_scored():
    story = Story().stands(10, 20, T).stands(110, 120, T).stands(210, 220, T)
    stretches = [
        (START_MS, START_MS + 100 * MINUTE_MS),
        (START_MS + 200 * MINUTE_MS, START_MS + 300 * MINUTE_MS),
    ]
    result = score(story.events, [incident(105, 130), incident(205, 230)], stretches)
    assert result.calls == 2
    assert [found.waited_ms for found in result.found] == [5 * MINUTE_MS]
    assert result.watched_ms == 200 * MINUTE_MS


def test_a_page_answers_from_the_first_to_the_last_moment_of_an_incident():
    for minute, answered in ((99, False), (100, True), (200, True), (201, False)):
        result = score(Story()(minute, T, "high", "raised").events, [incident(100, 200)], WEEK)
        assert (result.missed == 0, result.unwanted == 0) == (answered, answered)


def test_chattering_is_a_return_of_the_same_alarm_within_ten_minutes():
    """Ten minutes: project judgement."""
    for gap, chatters in ((10, 1), (10.01, 0)):
        story = Story().stands(0, 5, T).stands(5 + gap, 30, T).stands(31, 32, S)
        assert score(story.events, [], WEEK).chattering == chatters


def test_the_stretch_watched_begins_with_its_first_moment_and_ends_before_its_last():
    story = Story().stands(10, 11, T).stands(50, 51, S)
    for begin, end, calls in ((10, 50, 1), (11, 50, 0), (10, 51, 2)):
        stretch = [(START_MS + begin * MINUTE_MS, START_MS + end * MINUTE_MS)]
        assert score(story.events, [], stretch).calls == calls


def test_at_night_is_from_ten_to_seven():
    """Common practice, no source."""
    hours = [hour for hour in range(24) if is_night(hour * 3_600_000, UTC)]
    assert hours == [0, 1, 2, 3, 4, 5, 6, 22, 23]


def test_without_a_page_there_is_no_wait():
    assert score([], [incident(0, 10)], WEEK).typical_wait_ms == 0.0


def test_a_grouped_page_is_neither_missed_nor_needless_where_it_lists_the_vessel():
    (event,) = Story()(10, T, "high", "raised").events
    grouped = changed(event, vessels=("kreisel-1", "kreisel-2"))
    result = score([grouped], [incident(0, 60), incident(0, 60, "kreisel-2")], WEEK)
    assert (result.missed, result.unwanted, len(result.found)) == (0, 0, 2)


def test_lead_is_counted_to_harm_and_decides_what_is_late():
    harm = replace(incident(0, 300), harm_ms=START_MS + 180 * MINUTE_MS)
    timely = Timely(30 * MINUTE_MS, 15 * MINUTE_MS)
    for minute, late in ((100, 0), (165, 0), (166, 1)):
        result = score(Story()(minute, T, "high", "raised").events, [harm], WEEK)
        assert result.leads_ms == [(180 - minute) * MINUTE_MS]
        assert result.late(timely) == late


def test_where_harm_is_not_known_or_nobody_called_there_is_no_lead():
    harmed = replace(incident(0, 300), harm_ms=START_MS)
    assert Found(incident(0, 300), START_MS).lead_ms is None
    assert Found(harmed, None).lead_ms is None
    assert Found(harmed, START_MS + 7).lead_ms == -7
    timely = Timely(30 * MINUTE_MS, 0)
    assert [Found(harmed, at_ms).is_late(timely) for at_ms in (START_MS, START_MS + 1, None)] == [
        False, True, True,
    ]  # fmt: skip


def test_a_repeat_is_a_call_no_more_urgent_than_what_was_said_of_the_incident():
    story = Story().stands(10, 20, T).stands(40, 50, T)
    story(60, T, "high_high", "raised", Priority.CRITICAL)
    result = score(story.events, [incident(0, 90)], WEEK)
    assert (result.calls, result.unwanted, sum(night.repeats for night in result.nights)) == (3, 0, 1)


def test_nights_go_from_noon_to_noon_where_people_sleep():
    """In Copenhagen noon is 10:00 UTC in summer; the night of the change, 26 October 2025, has 25 hours."""
    copenhagen = ZoneInfo("Europe/Copenhagen")
    first = round(datetime.fromisoformat("2025-10-24T10:00Z").timestamp() * 1000)
    hour = 3_600_000
    nights = nights_of([(first, first + 30 * hour), (first + 40 * hour, first + 60 * hour)], copenhagen)
    assert nights == [
        [(first, first + 24 * hour)],
        [(first + 24 * hour, first + 30 * hour), (first + 40 * hour, first + 49 * hour)],
        [(first + 49 * hour, first + 60 * hour)],
    ]


def test_the_worst_offenders_are_named_a_call_that_wakes_counting_twice():
    story = Story().stands(8 * 60, 9 * 60, T).stands(11 * 60, 12 * 60, T).stands(23 * 60, 24 * 60, S)
    result = score(story.events, [], WEEK)
    assert result.offenders() == {"kreisel-1/temperature/high": 2, "kreisel-2/salinity/high": 2}
    assert result.burden == 4


def test_to_begin_with_are_the_worst_offenders_and_what_came_too_late():
    """The salinity called twice for nothing; of the temperature nothing called; one incident names none."""
    story = Story().stands(8 * 60, 9 * 60, S).stands(11 * 60, 12 * 60, S).stands(13 * 60, 14 * 60, T)
    late = replace(incident(30 * 60, 40 * 60, "kreisel-3"), quantity="oxygen")
    timely = Timely(30 * MINUTE_MS, 15 * MINUTE_MS)
    result = score(story.events, [late, incident(50 * 60, 51 * 60, "kreisel-4")], WEEK)
    missed = {"kreisel-3/oxygen/high": 1, "kreisel-3/oxygen/heading_out": 1}
    assert result.worst(timely, most=1) == {"kreisel-2/salinity/high": 2} | missed
    assert result.worst(timely) == {"kreisel-2/salinity/high": 2, "kreisel-1/temperature/high": 1} | missed
    heard = score(story(30 * 60 + 1, "kreisel-3/oxygen", "low", "raised").events, [late], WEEK)
    assert not missed.keys() & heard.worst(timely).keys()
