"""Alarms as stretches of time, and what differs between two lists of them."""

from hypothesis import given
from hypothesis import strategies as st

from rules.alarms.episodes import compare, episodes_of
from rules.alarms.life_cycle import Priority
from tests.rigs.alarm_events import MINUTE_MS, START_MS, Story

END_MS = START_MS + 10_000 * MINUTE_MS
T = "kreisel-1/temperature"


def spans(episodes):
    def minutes(time_ms):
        return None if time_ms is None else (time_ms - START_MS) / MINUTE_MS

    return [
        (each.alarm, minutes(each.start_ms), minutes(each.end_ms), each.priority.word) for each in episodes
    ]


def changes(before, after):
    found = compare(episodes_of(before.events), episodes_of(after.events), END_MS)
    return [(change.what, (change.before or change.after).alarm) for change in found]


def test_an_episode_lasts_from_raised_to_returned_at_its_worst_priority():
    story = Story()
    story(0, T, "high", "raised", Priority.MEDIUM)(5, T, "high", "worsened", Priority.CRITICAL)
    story(6, T, "high", "acknowledged", Priority.CRITICAL)(9, T, "high", "eased", Priority.MEDIUM)
    story(20, T, "high", "returned", Priority.MEDIUM)(30, T, "low", "raised")
    assert spans(episodes_of(story.events)) == [
        (f"{T}/high", 0, 20, "critical"),
        (f"{T}/low", 30, None, "high"),
    ]
    first = episodes_of(story.events)[0]
    assert (first.vessel, first.condition, first.first) == ("kreisel-1", "high", story.events[0])


def test_acknowledging_what_has_returned_makes_no_new_episode():
    story = Story().stands(0, 5, T)(9, T, "high", "acknowledged")
    assert spans(episodes_of(story.events)) == [(f"{T}/high", 0, 5, "high")]


def test_appears_vanishes_moves_and_stays():
    before = Story().stands(0, 10, T).stands(100, 110, T).stands(200, 210, T, "low").stands(300, 400, T)
    after = Story().stands(0, 10, T).stands(105, 120, T).stands(300, 400, T, priority=Priority.CRITICAL)
    after.stands(500, 510, T, "rising")
    assert changes(before, after) == [
        ("moves", f"{T}/high"),
        ("vanishes", f"{T}/low"),
        ("moves", f"{T}/high"),  # the same stretch at another priority
        ("appears", f"{T}/rising"),
    ]


def test_stretches_that_share_no_moment_are_two_and_those_that_touch_are_one():
    before = Story().stands(10, 20, T)
    for start, stop, whats in (
        (0, 9, {"vanishes", "appears"}),
        (0, 10, {"moves"}),
        (20, 30, {"moves"}),
        (21, 30, {"vanishes", "appears"}),
    ):
        assert {what for what, _ in changes(before, Story().stands(start, stop, T))} == whats, (start, stop)


def test_what_still_stands_overlaps_all_that_comes_later():
    before = Story()(10, T, "high", "raised")
    assert changes(before, Story().stands(500, 510, T)) == [("moves", f"{T}/high")]
    assert changes(Story().stands(500, 510, T), before) == [("moves", f"{T}/high")]


def test_each_alarm_is_matched_once():
    """One long alarm that becomes two short ones: one moves, the other appears."""
    before = Story().stands(0, 100, T)
    after = Story().stands(0, 40, T).stands(60, 100, T)
    assert changes(before, after) == [("moves", f"{T}/high"), ("appears", f"{T}/high")]


@st.composite
def stories(draw):
    story, minute = Story(), 0
    for _ in range(draw(st.integers(0, 6))):
        start = minute + draw(st.integers(1, 30))
        minute = start + draw(st.integers(1, 30))
        story.stands(start, minute, T, priority=draw(st.sampled_from(list(Priority))))
    return story


@given(stories(), stories())
def test_comparing_counts_every_episode_once_and_mirrors(one, other):
    a, b = episodes_of(one.events), episodes_of(other.events)
    forth, back = compare(a, b, END_MS), compare(b, a, END_MS)
    assert compare(a, a, END_MS) == []
    kinds = [change.what for change in forth]
    assert len(a) - kinds.count("vanishes") == len(b) - kinds.count("appears")
    assert {change.start_ms for change in forth} == {change.start_ms for change in back}


def test_a_change_is_of_the_alarm_that_it_is_about_and_begins_with_the_earlier_of_the_two():
    early, late = Story().stands(5, 20, T), Story().stands(10, 20, T)
    for one, other in ((early, late), (late, early), (early, Story()), (Story(), early)):
        (change,) = compare(episodes_of(one.events), episodes_of(other.events), END_MS)
        assert (change.alarm, change.start_ms) == (f"{T}/high", START_MS + 5 * MINUTE_MS)
