"""The trade-off front, the rule of choice, the validation by time and the refusal to guess."""

from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rules.tuning.incident import Incident
from rules.tuning.scoring import Found, Score
from rules.tuning.trade_off import Trial, choose, front, joined, late, parts_of, rank, recommend, shortage

DAY = 86_400_000
MINUTE = 60_000


def a_score(calls=0, nights=0, waits=(), chattering=0, days=2.0, unwanted=0):
    """A score of `days`; `waits` in minutes, None for a missed incident."""
    incident = Incident(0, DAY, "kreisel-1", "x", True)
    found = tuple(Found(incident, None if wait is None else round(wait * MINUTE)) for wait in waits)
    return Score(round(days * DAY), calls, nights, unwanted, chattering, found)


def a_trial(name, *parts, changes=1):
    return Trial(name, changes, joined(parts), parts)


def costs(trial):
    score = trial.score
    return (score.missed, score.calls, score.night_calls, score.typical_wait_ms, score.chattering)


scores = st.builds(
    a_score,
    calls=st.integers(0, 5),
    nights=st.integers(0, 3),
    waits=st.lists(st.sampled_from([None, 5, 10, 20]), min_size=2, max_size=2),
    chattering=st.integers(0, 2),
)


@given(st.lists(scores, min_size=1, max_size=12))
def test_the_front_leaves_out_only_what_something_on_it_beats(found):
    trials = [a_trial(place, score) for place, score in enumerate(found)]
    kept = front(trials)
    for trial in trials:
        beaten_by = [
            other
            for other in kept
            if other is not trial and all(a <= b for a, b in zip(costs(other), costs(trial), strict=True))
        ]
        assert (trial in kept) == (not beaten_by)


def test_the_rule_of_choice_is_the_order_that_it_says():
    missed = a_trial("missed", a_score(calls=1, waits=(None, 5)))
    late = a_trial("late", a_score(calls=1, waits=(31, 5)))
    noisy = a_trial("noisy", a_score(calls=10, waits=(5, 5)))
    by_night = a_trial("by night", a_score(calls=8, nights=3, waits=(5, 5)))
    slow = a_trial("slow", a_score(calls=8, nights=1, waits=(9, 9)))
    much = a_trial("much", a_score(calls=8, nights=1, waits=(8, 8)), changes=3)
    good = a_trial("good", a_score(calls=8, nights=1, waits=(8, 8)), changes=1)
    order = [good, much, slow, noisy, by_night, late, missed]
    for place, best in enumerate(order):
        assert choose(order[place:], 30 * MINUTE) is best


def test_a_choice_that_only_one_night_likes_is_refused():
    """Each choice is good everywhere but in one part, where it misses an incident."""
    present = a_trial("present", *(a_score(calls=4, waits=(9, 9)) for _ in range(5)), changes=0)
    fickle = [
        a_trial(
            part,
            *(a_score(calls=9 if at == part else 1, waits=(9, None if at == part else 9)) for at in range(5)),
        )
        for part in range(5)
    ]
    found = recommend([present, *fickle], present, 30 * MINUTE)
    assert found.held_out.missed == 5  # without a part, the choice falls on just what misses in it
    assert found.trial is present
    assert "none of the settings tried is better" in found.refusal


def test_a_choice_that_does_not_hold_up_is_refused():
    """Each part is quiet under another choice: whatever is chosen without a part is loud in it."""
    present = a_trial("present", *(a_score(calls=3, waits=(9, 9)) for _ in range(5)), changes=0)
    fitted = [
        a_trial(part, *(a_score(calls=7 if at == part else 1, waits=(9, 9)) for at in range(5)))
        for part in range(5)
    ]
    found = recommend([present, *fitted], present, 30 * MINUTE)
    assert found.trial.choice in range(5)
    assert found.held_out.calls == 35
    assert "tune to single nights" in found.refusal


def test_what_holds_up_is_recommended():
    present = a_trial("present", *(a_score(calls=3, waits=(9, 9)) for _ in range(5)), changes=0)
    better = a_trial("better", *(a_score(calls=1, waits=(9, 9)) for _ in range(5)))
    found = recommend([present, better], present, 30 * MINUTE)
    assert (found.trial, found.refusal) == (better, "")
    assert found.held_out.calls == 5


@pytest.mark.parametrize(
    ("parts", "missing"),
    [
        ([a_score(waits=(1, 1))] * 5, []),
        ([a_score(waits=(1, 1), days=1)] * 5, ["5.0 days of readings, 2.0 more are needed"]),
        ([a_score(waits=(1,))] * 5, ["5 incidents for which a call was wanted, 1 more are needed"]),
        (
            [a_score(waits=(1,) * 6), *[a_score()] * 4],
            ["incidents in only 1 of 5 parts of the record, 2 more parts with some are needed"],
        ),
    ],
)
def test_what_is_missing_is_said_in_numbers(parts, missing):
    assert shortage(a_trial("x", *parts)) == missing


@example(stretches=[(1, 2), (1, 1)], happened=[(0, 2)], count=6)  # an incident longer than two parts
@given(
    st.lists(st.tuples(st.integers(1, 50), st.integers(1, 200)), min_size=1, max_size=6),
    st.lists(st.tuples(st.integers(0, 900), st.integers(1, 60)), max_size=6),
    st.integers(1, 6),
)
def test_parts_cover_what_was_watched_once_and_cut_no_incident(stretches, happened, count):
    watched, at = [], 0
    for gap, length in stretches:
        watched.append((at + gap, at + gap + length))
        at += gap + length
    incidents = [Incident(start, start + length, "v", "x", True) for start, length in happened]
    parts = parts_of(watched, incidents, count)
    covered = [moment for part in parts for start, stop in part for moment in range(start, stop)]
    assert covered == [moment for start, stop in watched for moment in range(start, stop)]
    assert len(parts) <= count
    for before, after in pairwise(parts):
        cut = after[0][0]
        if before[-1][1] == cut:  # a cut within a stretch, not at a gap
            assert not any(each.start_ms < cut <= each.end_ms for each in incidents)


@pytest.mark.parametrize(
    ("watched", "incidents", "parts"),
    [
        ([(0, 100)], [], [[(0, 25)], [(25, 50)], [(50, 75)], [(75, 100)]]),
        ([(0, 50), (1000, 1050)], [], [[(0, 25)], [(25, 50)], [(1000, 1025)], [(1025, 1050)]]),
        ([(0, 10), (20, 110)], [], [[(0, 10), (20, 35)], [(35, 60)], [(60, 85)], [(85, 110)]]),
        ([(0, 100)], [(20, 30)], [[(0, 31)], [(31, 50)], [(50, 75)], [(75, 100)]]),
        ([(0, 100)], [(25, 30)], [[(0, 25)], [(25, 50)], [(50, 75)], [(75, 100)]]),
        ([(0, 100)], [(20, 25)], [[(0, 26)], [(26, 50)], [(50, 75)], [(75, 100)]]),
        ([(0, 100)], [(26, 40), (20, 30)], [[(0, 41)], [(41, 50)], [(50, 75)], [(75, 100)]]),
        ([(0, 100)], [(10, 60)], [[(0, 61)], [(61, 75)], [(75, 100)]]),
    ],
)
def test_a_record_is_cut_where_a_person_would_cut_it(watched, incidents, parts):
    happened = [Incident(start, stop, "v", "x", True) for start, stop in incidents]
    assert parts_of(watched, happened, 4) == parts


def test_a_wait_of_just_what_is_allowed_is_not_late():
    assert [late(a_score(waits=(wait,)), 30 * MINUTE) for wait in (30, 31, None)] == [0, 1, 1]


def test_two_pages_by_day_are_as_bad_as_one_that_wakes_somebody():
    by_day, by_night = a_score(calls=5, nights=0), a_score(calls=4, nights=1)
    assert rank(by_day, MINUTE) == rank(by_night, MINUTE)


def test_a_choice_that_does_only_as_well_on_what_it_has_not_seen_is_refused():
    present = a_trial("present", *(a_score(calls=3, waits=(9, 9)) for _ in range(5)), changes=0)
    fitted = [
        a_trial(part, *(a_score(calls=3 if at == part else 1, waits=(9, 9)) for at in range(5)))
        for part in range(5)
    ]
    found = recommend([present, *fitted], present, 30 * MINUTE)
    assert found.held_out.calls == 15
    assert "tune to single nights" in found.refusal


def test_just_enough_to_learn_from_is_enough():
    """Seven days, six incidents, in three parts of the record."""
    parts = [*[a_score(waits=(1, 1), days=1)] * 3, *[a_score(days=2)] * 2]
    assert shortage(a_trial("x", *parts)) == []
