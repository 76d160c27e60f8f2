"""Where a probe differs too much from others, reading by reading; what comes of a limit then, by hand."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rules.alarms.event import Crossing, Evidence
from rules.alarms.life_cycle import Condition, Priority, State
from rules.alarms.persistence import Phase, carried_turns
from rules.judging.channel import judge_channel
from rules.judging.disagreement import differences, with_disagreement
from rules.judging.series import ChannelState, Series
from rules.judging.water import show
from rules.quality.settings import QualitySettings, Range
from rules.rack.limits import DISAGREEMENT_KEY, Bounds, Level, limits_of
from rules.rack.tolerance import Tolerance
from tests.rules.judging.test_under_what_stands import alarm

LOT = 3_071_662_148
MINUTE, HOUR = 60_000, 3_600_000
APART = Tolerance(max_disagreement=0.5, on_delay_ms=2 * MINUTE, off_delay_ms=3 * MINUTE, lead_time_ms=0)
ANYTHING = QualitySettings(sensor_range=Range(-1000.0, 1000.0))


def crossing(condition, level, priority, turn, evidence):
    return Crossing(
        "k1", "", "k1/x", condition, "", level, priority, turn.active, turn.since_ms, evidence=evidence
    )


class Plainly:
    """A probe beside others of which each reading is taken for itself."""

    def __init__(self):
        self.standing, self.again, self.was_dry, self.compared_ms = {}, {}, False, -1

    def take(self, time_ms, value, other, other_ms, error, dry, bound):
        """Yield whether they begin or cease to disagree, since when, by how much, and what more is said."""
        back, self.was_dry = self.was_dry and not dry, dry
        stands = self.standing.get(DISAGREEMENT_KEY)
        if back and stands is not None and stands.phase is Phase.PENDING:
            del self.standing[DISAGREEMENT_KEY]  # nobody knew then that it was out of the water
        apart = math.nan if dry or error > 0 else abs(value - other)
        beyond = apart > bound and other_ms != self.compared_ms  # each reading of the other counts once
        self.compared_ms = other_ms if apart > bound else self.compared_ms
        how = np.array([beyond]), np.array([apart < bound - 0.1]), np.array([time_ms])
        delays = APART.on_delay_ms, APART.off_delay_ms
        for turn in carried_turns(self.standing, DISAGREEMENT_KEY, *how, delays, self.again):
            by = None if math.isnan(apart) else apart
            yield turn.active, turn.since_ms, by, bound, turn.again


@pytest.mark.parametrize("number", range(30))
def test_blocks_are_compared_as_reading_by_reading_in_plain_numbers(number):
    draw, size = np.random.default_rng([LOT, number]), 600
    time_ms = 1_760_000_000_000 + np.cumsum(draw.choice([MINUTE, MINUTE, HOUR // 4], size, p=[0.6, 0.3, 0.1]))
    other = np.where(draw.random(size) < 0.05, np.nan, 15.0)
    other_ms = time_ms[np.maximum.accumulate(np.where(draw.random(size) < 0.7, np.arange(size), 0))]
    value = (
        15.0
        + draw.choice([0.0, 0.25, 0.375, 0.5, 0.75, -0.75], 100).repeat(draw.choice([1, 6, 11], 100))[:size]
    )
    value = np.resize(value, size)
    error = draw.choice([0.0, 0.0, 0.5], 60).repeat(10) if number % 2 else np.zeros(size)
    dry = draw.random(size // 4).repeat(4) < (0.2 if number % 3 else 0.0)
    bound = draw.choice([0.5, 0.7], 60).repeat(10) if number % 5 == 0 else np.full(size, 0.5)
    plain, expected = Plainly(), []
    rows = zip(*(it.tolist() for it in (time_ms, value, other, other_ms, error, dry, bound)), strict=True)
    for place, row in enumerate(rows):
        expected += [(place, *its) for its in plain.take(*row)]
    (limit,) = limits_of(APART)
    state, found = ChannelState(), []
    cuts = np.cumsum(draw.integers(1, draw.choice([2, 100, 700]), size))
    for start, stop in pairwise([0, *cuts[cuts < size].tolist(), size]):
        part = slice(start, stop)
        off = error[part] if error.any() else None
        series = Series(np.arange(stop - start), time_ms[part], value[part], off)
        bounds = Bounds(APART, [(limit, bound[part] if number % 5 == 0 else 0.5)])
        shown = show(series, state, ANYTHING, (dry[part], dry[part]) if dry.any() else None)
        verdict = judge_channel(shown, state, bounds, crossing)
        for index, its in differences((other[part], other_ms[part]), verdict, state, bounds, crossing):
            assert (its.condition, its.level, its.priority) == (
                Condition.DISAGREEMENT,
                "advisory",
                Priority.MEDIUM,
            )
            evidence = its.evidence
            row = its.active, its.since_ms, evidence.value, evidence.limit, evidence.reason
            found.append((start + index, *row))
    assert found == expected
    assert {True, False} <= {active for _, active, *_ in expected}


A, B, THIRD = "k1/temperature/a", "k1/temperature/b", "k1/temperature/c"
TWO = {A: (A, B), B: (A, B)}
THREE = dict.fromkeys((A, B, THIRD), (A, B, THIRD))
MEDIUM, HIGH, CRITICAL = Priority.MEDIUM, Priority.HIGH, Priority.CRITICAL


def differ(level="advisory", *, active=True, of=B):
    return Crossing(
        "k1", "", of, Condition.DISAGREEMENT, "k1/temperature/disagreement", Level(level), MEDIUM, active, 5
    )


def beyond(of=A, *, active=True, condition=Condition.HIGH_HIGH):
    return Crossing(
        "k1",
        "",
        of,
        condition,
        "k1/temperature/up",
        Level.CRITICAL,
        CRITICAL,
        active,
        5,
        evidence=Evidence(25.0, 23.0),
    )


def stands(of=B, **levels):
    given = {"advisory": MEDIUM} | levels
    its = alarm(of, Condition.DISAGREEMENT, "k1/temperature/disagreement", MEDIUM)
    return replace(its, active=given)


WARM_A, WARM_B = (alarm(of, Condition.HIGH_HIGH, f"{of}/up", CRITICAL) for of in (A, B))
GIVEN = f"{A}/high_high:critical"


def became(its, alarms, redundant):
    return [
        (it.channel, str(it.condition), it.level, it.active, it.cause)
        for it in with_disagreement(its, alarms, redundant)
    ]


@pytest.mark.parametrize(
    ("alarms", "redundant", "alone"),
    [
        ([stands()], TWO, True),
        ([stands()], THREE, True),
        ([], TWO, False),  # they do not disagree
        ([replace(stands(), active={})], TWO, False),
        ([replace(stands(), active={GIVEN: CRITICAL})], TWO, False),
        ([stands(), WARM_B], TWO, False),  # both cross it
        ([stands(), replace(WARM_B, active={}, state=State.RETURNED)], TWO, True),
        ([stands(), alarm(B, Condition.HIGH, "w")], TWO, True),  # another limit
        ([stands()], {B: (B, THIRD)}, False),  # it is not among those that are compared
        ([stands()], {}, False),
    ],
)
def test_a_limit_that_one_alone_crosses_is_told_as_their_disagreement(alarms, redundant, alone):
    rows = became(beyond(), alarms, redundant)
    own = (A, "high_high", "critical", True)
    if not alone:
        assert rows == [(*own, "k1/temperature/up")]
        return
    cause = "k1/temperature/disagreement"
    assert rows == [(B, "disagreement", GIVEN, True, cause), (*own, cause)]
    first, *_ = with_disagreement(beyond(), alarms, redundant)
    assert first.evidence == Evidence(25.0, 23.0, reason="k1/temperature/a alone is high high")
    assert first.priority is CRITICAL


def test_a_limit_that_is_crossed_no_longer_ends_its_part_of_a_disagreement():
    cause = "k1/temperature/disagreement"
    rows = became(beyond(active=False), [stands(**{GIVEN: CRITICAL})], TWO)
    own = (A, "high_high", "critical", False, "k1/temperature/up")
    assert rows == [own, (B, "disagreement", GIVEN, False, cause)]
    assert became(beyond(active=False), [stands()], TWO) == [own]


@pytest.mark.parametrize("condition", [Condition.PROBE_FAULT, Condition.SILENT, Condition.UNWATCHED])
def test_a_probes_own_trouble_is_no_part_of_a_disagreement(condition):
    rows = became(beyond(condition=condition), [stands()], TWO)
    assert [row[1] for row in rows] == [str(condition)]


def ill(of, level="advisory"):
    return alarm(of, Condition.PROBE_FAULT, f"probe/{of[-1]}", HIGH, level)


@pytest.mark.parametrize(
    ("alarms", "redundant", "cause", "priority"),
    [
        ([], TWO, "k1/temperature/disagreement", MEDIUM),
        ([WARM_A], TWO, WARM_A.cause, MEDIUM),  # part of a limit that is told already, the most urgent
        ([replace(WARM_B, active={"a": HIGH}), WARM_A], TWO, WARM_A.cause, MEDIUM),
        ([replace(WARM_A, state=State.SHELVED)], TWO, "k1/temperature/disagreement", MEDIUM),
        ([replace(WARM_A, channel="k2/temperature")], TWO, "k1/temperature/disagreement", MEDIUM),
        ([ill(A)], TWO, "probe/a", HIGH),  # of two one of which is ill nobody has to find out which is right
        ([ill(B)], TWO, "probe/b", HIGH),
        ([ill(A, "doubtful")], TWO, "k1/temperature/disagreement", MEDIUM),
        ([ill(A)], THREE, "k1/temperature/disagreement", MEDIUM),  # of more, the others may disagree as well
        ([ill(B)], THREE, "probe/b", HIGH),
        ([ill(A), WARM_B], TWO, WARM_B.cause, MEDIUM),
        ([], {}, "k1/temperature/disagreement", MEDIUM),
        ([ill(B)], {}, "probe/b", HIGH),
    ],
)
def test_a_disagreement_that_begins_is_part_of_what_is_told_already(alarms, redundant, cause, priority):
    (its,) = with_disagreement(differ(), alarms, redundant)
    assert (its.cause, its.priority, its.active, its.level) == (cause, priority, True, "advisory")


def test_a_disagreement_ends_whole():
    other = f"{A}/high:advisory"
    rows = became(differ(active=False), [stands(**{GIVEN: CRITICAL, other: MEDIUM})], TWO)
    assert [(row[2], row[3]) for row in rows] == [(other, False), (GIVEN, False), ("advisory", False)]
    assert len(became(differ(active=False), [WARM_A, ill(B)], TWO)) == 1
