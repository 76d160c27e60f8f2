"""The trade-off front, the rule of choice, the validation by time and the refusal to guess."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.tuning.incident import Incident
from rules.tuning.scoring import Found, Night, Score, Timely
from rules.tuning.trade_off import (
    Trial,
    blocks,
    choose,
    front,
    interval,
    is_better,
    rank,
    recommend,
    shortage,
    worth_keeping,
)

DAY = 86_400_000
MINUTE = 60_000


TIMELY = Timely(30 * MINUTE, 15 * MINUTE)


def draws(trial):
    nights = len(trial.score.nights)
    return np.random.default_rng(3).integers(0, nights, (2000, nights))


def a_score(calls=0, nights=0, waits=(), chattering=0, days=2.0):
    """A score of one night; its calls are for nothing; `waits` in minutes, None for a missed incident."""
    incident = Incident(0, DAY, "kreisel-1", "x", True)
    found = tuple(Found(incident, None if wait is None else round(wait * MINUTE)) for wait in waits)
    needless = tuple(("kreisel-1/temperature/high", at < nights) for at in range(calls))
    return Score((Night(round(days * DAY), calls, nights, needless, 0, chattering, found),))


def a_trial(name, *parts, changes=1):
    return Trial(name, changes, Score(tuple(night for part in parts for night in part.nights)))


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
    order = [good, slow, much, noisy, by_night, late, missed]
    for place, best in enumerate(order):
        assert choose(order[place:], TIMELY) is best


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
    found = recommend([present, *fickle], present, TIMELY, draws(present))
    assert found.held_out.missed == 5  # without a part, the choice falls on just what misses in it
    assert found.trial is present
    assert "none of the settings tried is better" in found.refusal


def test_a_choice_that_does_not_hold_up_is_refused():
    """Each part is quiet under another choice: whatever is chosen without a part is loud in it."""
    present = a_trial("present", *(a_score(calls=3, waits=(9, 9)) for _ in range(20)), changes=0)
    fitted = [
        a_trial(part, *(a_score(calls=5 if at // 4 == part else 1, waits=(9, 9)) for at in range(20)))
        for part in range(5)
    ]
    found = recommend([present, *fitted], present, TIMELY, draws(present))
    assert found.trial.choice in range(5)
    assert found.held_out.calls == 100
    assert "did no better in that part" in found.refusal


def test_a_choice_that_may_be_chance_and_one_from_too_little_are_refused():
    present = a_trial("present", *(a_score(calls=3, waits=(9, 9)) for _ in range(5)), changes=0)
    lucky = a_trial("lucky", *(a_score(calls=0 if at == 4 else 3, waits=(9, 9)) for at in range(5)))
    found = recommend([present, lucky], present, TIMELY, draws(present))
    assert (found.trial, found.refusal.split(";")[0]) == (
        lucky,
        "keep what you have: what the best of the settings tried brought may be chance",
    )
    short = a_trial("present", a_score(calls=3, waits=(9,)), changes=0)
    refusal = recommend([short], short, TIMELY, draws(short)).refusal
    assert refusal == "too little to learn from: " + "; ".join(shortage(short))


def test_what_holds_up_is_recommended():
    present = a_trial("present", *(a_score(calls=3, waits=(9, 9)) for _ in range(5)), changes=0)
    better = a_trial("better", *(a_score(calls=1, waits=(9, 9)) for _ in range(5)))
    found = recommend([present, better], present, TIMELY, draws(present))
    assert (found.trial, found.refusal) == (better, "")
    assert found.held_out.calls == 5


def test_beside_the_one_to_take_the_next_three_are_named_by_the_same_rule():
    present = a_trial("present", *(a_score(calls=9, waits=(9, 9)) for _ in range(5)), changes=0)
    made = [a_trial(calls, *(a_score(calls=calls, waits=(9, 9)) for _ in range(5))) for calls in range(5)]
    same = a_trial("more keys", made[1].score, changes=2)
    found = recommend([present, same, *reversed(made)], present, TIMELY, draws(present))
    assert found.trial is made[0]
    assert [trial.choice for trial in found.next_best] == [1, "more keys", 2]


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


@pytest.mark.parametrize(
    ("nights", "sizes"), [(60, [12] * 5), (7, [1, 2, 1, 2, 1]), (3, [1, 1, 1]), (41, [8, 8, 9, 8, 8])]
)
def test_nights_are_held_out_in_blocks_each_once(nights, sizes):
    found = blocks(nights)
    assert [night for part in found for night in range(part.start, part.stop)] == list(range(nights))
    assert [part.stop - part.start for part in found] == sizes


def test_a_wait_of_just_what_is_allowed_is_not_late():
    assert [a_score(waits=(wait,)).late(TIMELY) for wait in (30, 31, None)] == [0, 1, 1]


def test_two_pages_by_day_are_as_bad_as_one_that_wakes_somebody():
    by_day, by_night = a_score(calls=5, nights=0), a_score(calls=4, nights=1)
    assert rank(by_day, TIMELY) == rank(by_night, TIMELY)


def test_a_choice_that_does_only_as_well_on_what_it_has_not_seen_is_refused():
    present = a_trial("present", *(a_score(calls=3, waits=(9, 9)) for _ in range(5)), changes=0)
    fitted = [
        a_trial(part, *(a_score(calls=3 if at == part else 1, waits=(9, 9)) for at in range(5)))
        for part in range(5)
    ]
    found = recommend([present, *fitted], present, TIMELY, draws(present))
    assert found.held_out.calls == 15
    assert "did no better in that part" in found.refusal


def test_just_enough_to_learn_from_is_enough():
    """Seven days, six incidents, in three parts of the record."""
    parts = [*[a_score(waits=(1, 1), days=1)] * 3, *[a_score(days=2)] * 2]
    assert shortage(a_trial("x", *parts)) == []


# Intervals, and what a key is worth


def test_an_interval_of_a_poisson_count_is_as_wide_as_it_is_known_to_be():
    """Of 1000 nights of Poisson(2) the sum deviates by sqrt(2000), 95 % within 1.96 of it."""
    per_night = np.random.default_rng(5).poisson(2.0, 1000).astype(float)
    drawn = np.random.default_rng(6).integers(0, 1000, (4000, 1000))
    low, high = interval(per_night, drawn)
    assert low < per_night.sum() < high
    assert high - low == pytest.approx(2 * 1.96 * np.sqrt(2000), rel=0.1)


def test_an_interval_leaves_out_a_fortieth_on_each_side():
    """Of the sums 0, 1, ... 1000, each drawn once: 25 and 975."""
    assert interval(np.arange(1001.0), np.arange(1001)[:, None]) == (25.0, 975.0)


@pytest.mark.parametrize(("quieter", "sure"), [(1, False), (3, False), (6, True)])
def test_a_difference_within_its_interval_is_no_difference(quieter, sure):
    """Of twenty nights so many are quieter and none is louder; none of 3 is drawn in 4 % of draws."""
    present = a_trial("present", *[a_score(calls=1)] * 20)
    other = a_trial("other", *[a_score()] * quieter, *[a_score(calls=1)] * (20 - quieter))
    assert is_better(other.score, present.score, TIMELY, draws(present)) is sure


def test_fewer_calls_never_pay_for_an_incident_more_that_is_late():
    present = a_trial("present", *[a_score(calls=9, waits=(5,))] * 20)
    other = a_trial("other", a_score(waits=(None,)), *[a_score(waits=(5,))] * 19)
    assert is_better(other.score, present.score, TIMELY, draws(present)) is False


@pytest.mark.parametrize(("calls", "kept"), [(10, False), (14, False), (16, True)])
def test_a_key_must_bring_a_twentieth_of_what_all_bring(calls, kept):
    present, whole, without = a_score(calls=110), a_score(calls=10), a_score(calls=calls)
    assert worth_keeping(without, whole, present, TIMELY) is kept
    assert worth_keeping(a_score(calls=10, waits=(None,)), whole, present, TIMELY)
