"""What comes and goes over hours, worked by hand from the rules that head `rules.alarms.recurrence`.

A probe's trouble stands until it has been regular; a move of the water is told twice, and then if it lasts or
is worse. The times (6 and 12 h, 1 and 4 h, a day; 3, 2 and 1.5 times) are project judgement.
"""

from math import inf

import numpy as np
import pytest

from rules.alarms.moves import Move, told
from rules.alarms.persistence import Persistence, Turn, carried_turns, come_and_go, is_active, is_clear
from rules.alarms.recurrence import Recurrence, of_a_probe

MIN, HOUR = 60_000, 3_600_000
DAY = 24 * HOUR
LEAPT = "in one leap between two readings: the probe, or another vessel's water"


def lost(since_ms, *, back_ms=0, times=1, **more):
    """The words of a loss, and whether it recurs, after one that ended at `back_ms`."""
    its = Recurrence(times=times, first_ms=0, lost_ms=-1, back_ms=back_ms, **more)
    return its.lose(since_ms, since_ms + MIN), its.recurs, its.times


def test_what_was_never_lost_before_does_not_recur():
    its = Recurrence()
    assert its.lose(5 * MIN, 6 * MIN) == ""
    assert its == Recurrence(times=1, first_ms=6 * MIN, lost_ms=5 * MIN, back_ms=-1, needs_ms=0)


@pytest.mark.parametrize(("kind", "hours"), [(Recurrence(), 6), (of_a_probe(), 12)])
def test_lost_again_within_hours_of_its_return_it_comes_and_goes(kind, hours):
    again = {"again_ms": kind.again_ms, "least_ms": kind.least_ms}
    assert lost(hours * HOUR, **again) == (f"2 times within {hours}.0 h", True, 2)
    assert lost(hours * HOUR + 1, **again) == ("", False, 1)
    assert lost(hours * HOUR, times=0, **again) == ("", False, 1)


def test_it_counts_from_the_first_that_was_told():
    its = Recurrence()
    its.lose(0, 30 * MIN)
    its.come_back(0, HOUR)
    assert its.lose(2 * HOUR, 3 * HOUR) == "2 times within 2.5 h"
    its.come_back(2 * HOUR, 4 * HOUR)
    assert its.lose(5 * HOUR, 5 * HOUR + 30 * MIN) == "3 times within 5.0 h"


@pytest.mark.parametrize(
    ("gap", "spell", "over_after"),
    [
        (0, 0, HOUR),
        (20 * MIN, 0, HOUR),
        (21 * MIN, 0, 63 * MIN),
        (0, 30 * MIN, HOUR),
        (0, 31 * MIN, 62 * MIN),
        (2 * HOUR, 5 * HOUR, 10 * HOUR),
        (8 * HOUR, 0, DAY),
        (9 * HOUR, 0, DAY),
    ],
)
def test_it_is_over_after_three_of_its_gaps_and_two_of_its_spells_an_hour_at_least_a_day_at_most(
    gap, spell, over_after
):
    its = Recurrence()
    its.lose(0, 0)
    its.come_back(0, gap)
    its.lose(gap + spell, gap + spell)
    its.come_back(gap + spell, gap + spell)  # back at once: the longest of each counts
    assert its.over_ms == gap + spell + over_after


def test_a_probe_has_to_be_regular_for_four_hours_at_least():
    assert Recurrence(back_ms=0).over_ms == HOUR
    assert of_a_probe().least_ms == 4 * HOUR


def minutes(*turns):
    """Turns at whole minutes: (minute, whether active)."""
    return [Turn(minute, active, minute * MIN) for minute, active in turns]


def clock(stop, start=0):
    return np.arange(start, stop, dtype=np.int64) * MIN


def test_a_probe_that_is_lost_again_stands_until_it_was_regular():
    """Gone for an hour, twice, an hour between: over after four hours, as three gaps are less."""
    gone = minutes((10, True), (70, False), (130, True), (190, False))
    again = of_a_probe()
    found = list(come_and_go(gone, False, clock(1_000), again))
    assert found[:2] == gone[:2]
    assert found[2] == Turn(130, True, 130 * MIN, often="2 times within 2.0 h")
    assert found[3:] == [Turn(190 + 240, False, 190 * MIN)]
    assert not again.recurs


def test_until_then_it_stands_whatever_it_does_and_it_is_over_at_the_first_reading_from_then_on():
    gone = minutes((10, True), (70, False), (130, True), (190, False), (250, True), (310, False))
    found = list(come_and_go(gone, False, clock(2_000), of_a_probe()))
    assert [(turn.index, turn.active) for turn in found] == [
        (10, True), (70, False), (130, True), (250, True), (310 + 240, False),
    ]  # fmt: skip
    assert found[3].often == "3 times within 4.0 h"
    assert [turn.index for turn in come_and_go(gone, False, clock(550), of_a_probe())][-1] == 250
    assert [turn.index for turn in come_and_go(gone, False, clock(551), of_a_probe())][-1] == 550


def test_a_trouble_that_is_lost_again_after_it_was_over_is_told_anew():
    gone = minutes((10, True), (70, False), (130, True), (190, False), (600, True), (610, False))
    found = list(come_and_go(gone, False, clock(700), of_a_probe()))
    assert [(turn.index, turn.active) for turn in found] == [
        (10, True), (70, False), (130, True), (430, False), (600, True),
    ]  # fmt: skip
    assert found[-1].often == "3 times within 9.8 h", "lost within twelve hours of its return"


def test_what_stood_when_the_counting_began_is_told_as_it_is():
    """A step that is worse, while it stands: no new loss."""
    worse = [Turn(10, True, 5 * MIN, times=3), Turn(70, False, 70 * MIN)]
    again = of_a_probe()
    assert list(come_and_go(worse, True, clock(1_000), again)) == worse
    assert (again.times, again.back_ms) == (0, 70 * MIN)


def test_cut_anywhere_it_goes_on_to_the_same():
    gone = minutes((10, True), (70, False), (130, True), (190, False), (600, True), (610, False))
    whole = [(turn.index, turn) for turn in come_and_go(gone, False, clock(1_000), of_a_probe())]
    for cut in (1, 10, 11, 70, 71, 100, 131, 190, 191, 429, 430, 431, 601, 999):
        again, found, active = of_a_probe(), [], False
        for start, stop in ((0, cut), (cut, 1_000)):
            part = [Turn(it.index - start, it.active, it.since_ms) for it in gone if start <= it.index < stop]
            made = come_and_go(part, active, clock(stop, start), again)
            found += [(turn.index + start, turn) for turn in made]
            active = part[-1].active if part else active
        assert [(at, its.active, its.since_ms, its.often) for at, its in found] == [
            (at, its.active, its.since_ms, its.often) for at, its in whole
        ], cut


def shown(*minute_shows):
    here = np.zeros(minute_shows[-1], dtype=bool)
    for start, stop in zip(minute_shows[:-1:2], minute_shows[1:-1:2], strict=True):
        here[start:stop] = True
    return here


def test_of_a_condition_that_is_clear_nothing_is_carried_and_its_trouble_is_counted_where_asked():
    standing, again, here = {}, {}, shown(10, 70, 130, 190, 1_000)
    how = here, ~here, clock(1_000), (0, 0)
    assert [turn.index for turn in carried_turns(standing, "x", *how)] == [10, 70, 130, 190]
    counted = carried_turns({}, "x", *how, again)
    assert [turn.index for turn in counted] == [10, 70, 130, 190 + 240]
    assert again["x"].times == 2
    never = ~here & False
    carried_turns(standing := {}, "x", never, ~never, clock(1_000), (0, 0), again := {})
    assert (standing, again) == ({}, {})


def test_what_comes_and_goes_is_over_in_a_block_of_its_own():
    standing, again, here = {}, {}, shown(10, 70, 130, 190, 200)
    carried_turns(standing, "x", here, ~here, clock(200), (0, 0), again)
    quiet = np.zeros(800, dtype=bool)
    (over,) = carried_turns(standing, "x", quiet, ~quiet, clock(1_000, 200), (0, 0), again)
    assert (over.index + 200, over.active) == (190 + 240, False)


def test_a_condition_is_there_also_where_it_is_gone_for_a_moment():
    standing = {"x": Persistence(), "off": Persistence(active_ms=(5,))}
    assert (is_clear(standing, "x"), is_active(standing, "x")) == (True, False)
    assert (is_clear(standing, "never"), is_active(standing, "never")) == (True, False)
    here = shown(1, 3, 4)
    carried_turns(standing, "x", here, ~here, clock(4), (0, 10 * MIN))
    assert (is_clear(standing, "x"), is_active(standing, "x")) == (False, True)
    carried_turns(standing, "y", here[:2], ~here[:2], clock(2), (10 * MIN, 0))
    assert (is_clear(standing, "y"), is_active(standing, "y")) == (False, False)


def moves(turns, level, *, active=False, again=None, close=(), start=0, further_by=1.0, before=0.0):
    """What is told of a move whose level at each minute is given; all of it goes by leaps."""
    near = np.zeros(len(level), dtype=bool)
    near[list(close)] = True

    def leap(at):
        its = (level[at - 1] if at else before), level[at]
        return its if its[0] != its[1] else None

    move = Move(clock(start + len(level), start), np.array(level, dtype=float), further_by, near, leap)
    again = Recurrence() if again is None else again
    return list(told(turns, active, move, again, worked_at=None, stays=False)), again


def waves(count, *, every=60, lasts=20):
    """So many moves of the water, each `lasts` minutes at 10."""
    level, turns = [], []
    for _ in range(count):
        turns += [(len(level) + 10, True), (len(level) + 10 + lasts, False)]
        level += [0.0] * 10 + [10.0] * lasts + [0.0] * (every - 10 - lasts)
    return minutes(*turns), level


def test_a_move_is_told_twice_and_then_has_to_last():
    turns, level = waves(4)
    found, again = moves(turns, level)
    raised = [turn for turn in found if turn.active]
    assert [turn.waits_ms for turn in raised] == [0, 0, 30 * MIN, 30 * MIN], "1.5 times the longest"
    assert [turn.often for turn in raised] == [
        LEAPT,
        f"2 times within 1.0 h; more are told if they last, or are worse; {LEAPT}",
        f"3 times within 2.0 h; more are told if they last, or are worse; {LEAPT}",
        f"4 times within 3.0 h; more are told if they last, or are worse; {LEAPT}",
    ]
    assert [(turn.index, turn.often) for turn in found if not turn.active] == [
        (turn.index, LEAPT) for turn in turns if not turn.active
    ]
    assert (again.waits, again.furthest) == (True, 10.0)


@pytest.mark.parametrize(("further", "worse"), [(11.0, False), (11.1, True)])
def test_a_third_that_goes_further_by_more_than_is_said_is_told_at_once(further, worse):
    turns, level = waves(3)
    for minute in range(130, 150):
        level[minute] = further
    found, _ = moves(turns, level)
    third = next(turn for turn in found if turn.index == 130)
    said = "this one is worse" if worse else "more are told if they last, or are worse"
    assert third.often == f"3 times within 2.0 h; {said}; {LEAPT}"
    assert third.waits_ms == (0 if worse else 30 * MIN)


def test_one_that_waits_is_told_when_it_becomes_worse_and_once():
    turns, level = waves(3)
    level[140:145] = [11.0, 11.1, 12.5, 20.0, 20.0]
    found, again = moves(turns, level)
    (told_now,) = [turn for turn in found if turn.index not in {it.index for it in turns}]
    assert told_now == Turn(141, True, 130 * MIN, often="3 times within 2.2 h; this one is worse")
    assert (again.waits, again.furthest) == (False, 20.0)


def test_one_that_waits_is_told_when_the_worst_limit_is_near():
    turns, level = waves(3)
    found, _ = moves(turns, level, close=(135,))
    assert [turn.index for turn in found if turn.active] == [10, 70, 130, 135]


def test_after_a_day_it_is_told_twice_again():
    turns, level = waves(31)
    found, _ = moves(turns, level)
    plain = [turn.index // 60 for turn in found if turn.active and not turn.waits_ms]
    assert plain == [0, 1, 25, 26], "the first after a day and the next"


def test_hours_after_the_last_it_is_told_as_the_first():
    turns, level = waves(3)
    late = [*turns, *minutes((180 + 6 * 60, True), (180 + 6 * 60 + 20, False))]
    level += [0.0] * 400
    found, again = moves(late, level)
    assert [turn.often for turn in found if turn.active][-1] == ""
    assert again.times == 1
    assert again.furthest == 0.0, "how far those before went counts no more"


def test_how_long_it_was_gone_does_not_count_as_lasting():
    turns, level = waves(3, every=300)
    found, _ = moves(turns, level)
    assert [turn.waits_ms for turn in found if turn.active] == [0, 0, 30 * MIN]


def test_cut_anywhere_moves_are_told_alike():
    turns, level = waves(4)
    level[140:145] = [11.0, 11.1, 12.5, 20.0, 20.0]
    whole, end = moves(turns, level)
    for cut in (1, 10, 11, 30, 31, 75, 130, 131, 141, 142, 143, 150, 151, 200):
        again, found, active = Recurrence(), [], False
        for start, stop in ((0, cut), (cut, len(level))):
            part = [
                Turn(it.index - start, it.active, it.since_ms) for it in turns if start <= it.index < stop
            ]
            before = level[start - 1] if start else 0.0
            made, _ = moves(part, level[start:stop], active=active, again=again, start=start, before=before)
            found += [(it.index + start, it.active, it.since_ms, it.often, it.waits_ms) for it in made]
            active = part[-1].active if part else active
        assert found == [(it.index, it.active, it.since_ms, it.often, it.waits_ms) for it in whole], cut
        assert again == end, cut


def test_what_stood_before_the_counting_began_is_not_counted():
    """It came before this was kept, or at another limit: its end is told, and its course is nobody's."""
    found, again = moves(minutes((50, False)), [5.0] * 100, active=True)
    assert found == minutes((50, False))
    assert (again.times, again.back_ms, again.furthest) == (0, -1, -inf)


def test_what_came_back_while_nobody_counted_is_no_move_any_more():
    """It was lost before maintenance, in which nothing is counted, and came back in it."""
    again = Recurrence(times=3, first_ms=0, lost_ms=10, back_ms=5, waits=True, furthest=1.0)
    assert moves([], [20.0] * 50, again=again)[0] == []
    assert (again.waits, again.furthest) == (True, 1.0)
