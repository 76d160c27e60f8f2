"""Signs of life: when silence becomes a problem, to the millisecond, and since when it is said to be."""

from dataclasses import replace

import pytest

from rules.alarms.life_cycle import Priority
from rules.calling.racks.signs import TAKEN_AWAY, RackSigns
from rules.calling.records import RACK_RESTARTS, UNREADABLE
from tests.rules.calling.test_escalation import DUTY

GONE_MS, SILENT_MS, LINK_MS = 10, 30, 50
WELL_AFTER_MS = 600_000  # project judgement
START = 1_000
TIMES = replace(DUTY, gone_after_ms=GONE_MS, silent_after_ms=SILENT_MS, link_lost_after_ms=LINK_MS)


def signs(*racks, up=True):
    """Racks under watch; the broker is reached from the start unless not `up`."""
    found = RackSigns(START)
    found.expect(racks, START)
    if up:
        found.link(True, START)
    return found


def said(words):
    events = [(one.rack, one.event) for one in words]
    return [(rack, its.condition, its.state, its.at_ms, its.since_ms) for rack, its in events]


def test_the_broker_is_missed_when_it_was_away_for_as_long_as_agreed_and_no_sooner():
    link = signs()
    assert link.link(False, START + 5) == []
    assert link.due_ms(TIMES) == START + 5 + LINK_MS
    assert link.fall_silent(START + 4 + LINK_MS, TIMES) == []
    lost = link.fall_silent(START + 5 + LINK_MS, TIMES)
    assert said(lost) == [("broker", "broker_lost", "unacknowledged", START + 5 + LINK_MS, START + 5)]
    assert lost[0].event.priority is Priority.CRITICAL
    assert link.due_ms(TIMES) is None, "told once"
    assert link.fall_silent(START + 900, TIMES) == []
    ended = link.link(True, START + 1_000)
    assert said(ended) == [("broker", "broker_lost", "normal", START + 1_000, START + 5)]


def test_a_link_that_is_back_in_time_is_not_spoken_of_and_one_that_breaks_again_counts_anew():
    link = signs()
    link.link(False, START)
    assert link.link(True, START + LINK_MS - 1) == []
    assert link.link(True, START + LINK_MS) == []
    link.link(False, START + 100)
    link.link(False, START + 120)
    assert link.due_ms(TIMES) == START + 100 + LINK_MS, "since it broke, not since it was last said"
    assert said(link.fall_silent(START + 100 + LINK_MS, TIMES))
    link.link(True, START + 200)
    link.link(False, START + 300)
    assert said(link.fall_silent(START + 300 + LINK_MS, TIMES)), "a second loss is told like the first"


def test_at_first_the_broker_is_not_reached():
    never = signs("north", up=False)
    assert never.due_ms(TIMES) == START + LINK_MS
    never.resume(START + 40)
    assert never.due_ms(TIMES) == START + 40 + LINK_MS, "nobody listened before"


def test_a_rack_is_silent_after_its_time_and_gone_after_a_shorter_one():
    racks = signs("north", "south")
    racks.heard("north", START + 5)
    racks.said("south", "gone", START + 8, kept=False)
    assert racks.due_ms(TIMES) == START + 8 + GONE_MS
    assert racks.fall_silent(START + 7 + GONE_MS, TIMES) == []
    assert said(racks.fall_silent(START + 8 + GONE_MS, TIMES)) == [
        ("south", "rack_silent", "unacknowledged", START + 8 + GONE_MS, START + 8)
    ]
    assert racks.due_ms(TIMES) == START + 5 + SILENT_MS
    assert racks.fall_silent(START + 4 + SILENT_MS, TIMES) == []
    assert said(racks.fall_silent(START + 5 + SILENT_MS, TIMES)) == [
        ("north", "rack_silent", "unacknowledged", START + 5 + SILENT_MS, START + 5)
    ]
    assert racks.due_ms(TIMES) is None
    assert said(racks.heard("north", START + 90)) == [
        ("north", "rack_silent", "normal", START + 90, START + 5)
    ]
    assert racks.due_ms(TIMES) == START + 90 + SILENT_MS


def test_a_rack_that_says_how_often_it_lives_is_silent_after_as_many_of_its_own():
    times = replace(TIMES, heartbeat_ms=SILENT_MS // 3)  # three signs may be missing
    for every_ms, silent_ms in ((0, SILENT_MS), (10, 30), (20, 60), (5, 15), (1, GONE_MS)):
        racks = signs("north")
        racks.racks["north"].every_ms = every_ms
        racks.heard("north", START)
        assert racks.due_ms(times) == START + silent_ms, every_ms


def test_a_rack_that_is_back_within_its_grace_is_given_the_longer_time_again():
    racks = signs("north")
    racks.said("north", "gone", START + 1, kept=False)
    assert racks.said("north", "watching", START + 5, kept=False) == []
    assert racks.due_ms(TIMES) == START + 1 + SILENT_MS, "from when it went, until a heartbeat comes"


def test_a_kept_word_is_what_a_rack_was_and_counts_from_now_where_it_is_new():
    racks = signs()
    assert racks.said("north", "gone", START + 3, kept=True) == []
    assert racks.due_ms(TIMES) == START + 3 + GONE_MS
    assert racks.said("north", "gone", START + 6, kept=True) == []
    assert racks.due_ms(TIMES) == START + 3 + GONE_MS, "said again: no news"
    assert racks.said("north", "watching", START + 7, kept=True) == []
    assert racks.due_ms(TIMES) == START + 7 + SILENT_MS
    assert racks.said("north", "watching", START + 9, kept=True) == []
    assert racks.due_ms(TIMES) == START + 7 + SILENT_MS, "a kept word is no sign of life"


def test_a_rack_that_was_stopped_is_not_silent_but_has_a_time_in_which_it_must_be_back():
    racks = signs("north")
    stopped = racks.said("north", "stopped", START + 5, kept=False)
    assert said(stopped) == [("north", "rack_stopped", "unacknowledged", START + 5, START + 5)]
    assert stopped[0].event.priority is Priority.MEDIUM
    assert racks.said("north", "stopped", START + 6, kept=False) == [], "told once"
    late_ms = START + 5 + TIMES.stopped_after_ms
    assert racks.due_ms(TIMES) == late_ms
    assert racks.fall_silent(late_ms - 1, TIMES) == []
    (late,) = racks.fall_silent(late_ms, TIMES)
    assert (late.event.condition, late.event.priority) == ("rack_stopped", Priority.CRITICAL)
    assert racks.due_ms(TIMES) is None, "told once"
    back = racks.said("north", "watching", late_ms + 950, kept=True)
    assert [found[:3] for found in said(back)] == [("north", "rack_stopped", "normal")]
    assert racks.due_ms(TIMES) == late_ms + 950 + SILENT_MS


def test_a_silent_rack_that_was_stopped_on_purpose_is_no_longer_called_silent():
    racks = signs("north")
    racks.fall_silent(START + SILENT_MS, TIMES)
    found = racks.said("north", "stopped", START + 70, kept=True)
    assert [one[:3] for one in said(found)] == [
        ("north", "rack_silent", "normal"),
        ("north", "rack_stopped", "unacknowledged"),
    ]
    assert [one[:3] for one in said(racks.heard("north", START + 80))] == [
        ("north", "rack_stopped", "normal")
    ]


def test_while_the_broker_is_away_no_rack_is_blamed_and_then_each_has_its_time_again():
    racks = signs("north", "south")
    racks.fall_silent(START + SILENT_MS, TIMES)
    racks.heard("north", START + 40)
    racks.link(False, START + 41)
    assert racks.due_ms(TIMES) == START + 41 + LINK_MS
    assert [one[1] for one in said(racks.fall_silent(START + 900, TIMES))] == ["broker_lost"]
    racks.link(True, START + 1_000)
    assert racks.due_ms(TIMES) == START + 1_000 + SILENT_MS
    assert [one[0] for one in said(racks.fall_silent(START + 1_000 + SILENT_MS, TIMES))] == ["north"]
    assert said(racks.heard("south", START + 1_050))[0][4] == START, "silent since before the link broke"


def test_a_rack_that_is_expected_twice_keeps_what_is_known_of_it():
    racks = signs("north")
    racks.heard("north", START + 5)
    racks.expect(["north", "west"], START + 20)
    assert racks.due_ms(TIMES) == START + 5 + SILENT_MS


def test_what_cannot_be_read_is_one_problem_until_for_long_enough_nothing_such_came():
    racks = signs("north")
    racks.heard("north", START)
    told = racks.is_wrong("north", UNREADABLE, Priority.MEDIUM, START + 1)
    assert said(told) == [("north", "unreadable", "unacknowledged", START + 1, START + 1)]
    assert racks.is_wrong("north", UNREADABLE, Priority.MEDIUM, START + 2) == [], "told once"
    (worse,) = racks.is_wrong("north", UNREADABLE, Priority.CRITICAL, START + 3)
    assert (worse.event.priority, worse.event.since_ms) == (Priority.CRITICAL, START + 1)
    racks.is_wrong("north", UNREADABLE, Priority.MEDIUM, START + 4)
    racks.heard("north", START + WELL_AFTER_MS)
    calm_ms = START + 4 + WELL_AFTER_MS
    assert racks.due_ms(TIMES) == calm_ms
    assert racks.fall_silent(calm_ms - 1, TIMES) == []
    ended = racks.fall_silent(calm_ms, TIMES)
    assert said(ended) == [("north", "unreadable", "normal", calm_ms, START + 1)]
    assert said(racks.is_wrong("north", UNREADABLE, Priority.MEDIUM, calm_ms + 1)), "told anew"


def test_while_the_broker_is_away_nothing_can_be_read_again():
    racks = signs("north")
    racks.is_wrong("north", UNREADABLE, Priority.MEDIUM, START)
    racks.link(False, START + 1)
    assert [one[1] for one in said(racks.fall_silent(START + 2 * WELL_AFTER_MS, TIMES))] == ["broker_lost"]


def test_a_rack_that_starts_again_and_again_without_a_goodbye_is_a_problem_until_it_keeps_up():
    link = signs("a")
    assert link.said("a", "watching", START, kept=False, since="08:00") == []
    for start in (1, 2):
        assert link.said("a", "gone", START + start * 8, kept=False) == []
        assert link.said("a", "watching", START + start * 8 + 1, kept=False, since=f"08:0{start}") == []
    assert link.said("a", "watching", START + 18, kept=False, since="08:02") == [], "the broker came back"
    begun = link.said("a", "watching", START + 20, kept=False, since="08:03")
    assert said(begun) == [("a", RACK_RESTARTS, "unacknowledged", START + 20, START + 20)]
    assert begun[0].event.priority is Priority.CRITICAL
    assert link.said("a", "watching", START + 21, kept=False, since="08:04") == [], "one problem"
    link.heard("a", START + 20 + WELL_AFTER_MS)
    ended = link.fall_silent(START + 21 + WELL_AFTER_MS, TIMES)
    assert said(ended) == [("a", RACK_RESTARTS, "normal", START + 21 + WELL_AFTER_MS, START + 20)]


def test_starts_that_were_meant_or_are_far_apart_are_none():
    link = signs("a")
    for start in range(6):
        at_ms = START + start * 10
        link.said("a", "stopped", at_ms, kept=False)
        assert RACK_RESTARTS not in {it.event.condition for it in _start(link, at_ms + 1)}
    for start in range(1, 6):
        assert _start(link, START + start * (WELL_AFTER_MS // 2 + 1)) == []


def _start(link, at_ms):
    return link.said("a", "watching", at_ms, kept=False, since=str(at_ms))


def test_a_rack_that_is_given_up_is_silent_no_more_and_not_missed_until_it_is_heard_again():
    link = signs("north")
    assert said(link.fall_silent(START + SILENT_MS, TIMES))
    ended = link.said("north", TAKEN_AWAY, START + 60, kept=False)
    assert said(ended) == [("north", "rack_silent", "normal", START + 60, START)]
    assert link.said("north", TAKEN_AWAY, START + 61, kept=False) == []
    assert link.due_ms(TIMES) is None
    link.heard("north", START + 70)
    assert link.due_ms(TIMES) == START + 70 + SILENT_MS


def test_a_rack_that_comes_and_goes_without_a_heartbeat_is_silent_and_only_a_heartbeat_ends_it():
    """Seen: a broker that took no message as long as an alarm; the rack was thrown out each second."""
    link, told_ms = signs("a"), START + 10 + SILENT_MS
    link.said("a", "watching", START, kept=False, since="08:00")
    for at_ms in range(START + 10, told_ms, 2):
        assert link.said("a", "gone", at_ms, kept=False) == []
        assert link.said("a", "watching", at_ms + 1, kept=False, since="08:00") == []
        assert link.fall_silent(at_ms + 1, TIMES) == []
    assert [it[:2] for it in said(link.fall_silent(told_ms, TIMES))] == [("a", "rack_silent")]
    link.said("a", "gone", told_ms + 1, kept=False)
    assert link.said("a", "watching", told_ms + 2, kept=False, since="08:00") == []
    assert [it[:3] for it in said(link.heard("a", told_ms + 3))] == [("a", "rack_silent", "normal")]
    assert link.due_ms(TIMES) == told_ms + 3 + SILENT_MS
    link.said("a", "gone", told_ms + 4, kept=False)
    link.said("a", "watching", told_ms + 5, kept=False, since="08:01")
    assert link.due_ms(TIMES) == told_ms + 5 + SILENT_MS, "another start"


def test_a_start_ends_the_silence_of_a_rack_whose_connection_did_not_break():
    link = signs("a")
    assert link.racks["a"].vessels == 0, "it does not say how many"
    assert said(link.fall_silent(START + SILENT_MS, TIMES))
    back = link.said("a", "watching", START + 90, kept=False, since="08:00")
    assert said(back) == [("a", "rack_silent", "normal", START + 90, START)]


def test_a_rack_that_was_started_again_while_nobody_listened_has_not_gone():
    link = signs("a")
    link.said("a", "stopped", START + 1, kept=False)
    link.said("a", "watching", START + 5, kept=True)
    assert said(link.fall_silent(START + 5 + SILENT_MS, TIMES))
    assert said(link.said("a", "watching", START + 90, kept=False))


def test_a_word_that_no_rack_says_changes_nothing():
    link = signs("a")
    assert link.said("a", "dozing", START + 9, kept=False) == []
    assert (link.racks["a"].state, link.due_ms(TIMES)) == ("watching", START + SILENT_MS)


@pytest.mark.parametrize("by", ["resume", "link"])
def test_when_nobody_listened_a_rack_has_its_time_again_and_a_stopped_one_may_be_back(by):
    link, at_ms = signs("north", "south"), START + 10 + TIMES.stopped_after_ms
    link.said("south", "stopped", START + 5, kept=False)
    link.said("north", "gone", START + 5, kept=False)
    if by == "resume":
        link.resume(at_ms)
    else:
        link.link(False, at_ms - 1)
        assert link.linked_ms is None
        link.link(True, at_ms)
    assert link.linked_ms == at_ms
    assert (link.racks["north"].heard_ms, link.racks["north"].gone_ms) == (at_ms, None)
    assert link.racks["south"].heard_ms == START + 5, "since then it is stopped"
    link.heard("north", at_ms + 2 * GONE_MS)
    assert link.due_ms(TIMES) == at_ms + GONE_MS
    assert link.fall_silent(at_ms + GONE_MS - 1, TIMES) == []
    (late,) = link.fall_silent(at_ms + GONE_MS, TIMES)
    assert said([late]) == [("south", "rack_stopped", "unacknowledged", at_ms + GONE_MS, START + 5)]


def test_a_rack_that_is_known_to_be_silent_is_not_allowed_time_again():
    link = signs("north")
    link.fall_silent(START + SILENT_MS, TIMES)
    link.resume(START + 90)
    assert link.racks["north"].heard_ms == START


@pytest.mark.parametrize("late", [False, True])
def test_the_end_of_a_stop_is_as_urgent_as_what_was_told_of_it(late):
    link = signs("north")
    (begun,) = link.said("north", "stopped", START + 5, kept=False)
    if late:
        (begun,) = link.fall_silent(START + 5 + TIMES.stopped_after_ms, TIMES)
    (ended,) = link.heard("north", START + 9 + TIMES.stopped_after_ms)
    assert ended.event.priority is begun.event.priority is (Priority.CRITICAL if late else Priority.MEDIUM)
    assert (ended.event.at_ms, ended.event.since_ms) == (START + 9 + TIMES.stopped_after_ms, START + 5)
    assert [str(it.event.trigger) for it in (begun, ended)] == ["raised", "returned"]
    assert begun.event.number == 0, "our own words have no number"
