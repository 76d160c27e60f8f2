"""What is carried of a channel and a source of which nothing was read yet: no row, no count, no doubt.

A restart, a new probe and a calibration go on from here. A time is -1 where it stands for never, a value that
nobody knows no number; all else is nothing, but for the few that are named.
"""

import math

from rules.judging.series import ChannelState
from rules.judging.silence import SourceState
from rules.plain import to_plain

FURTHEST = 2**62
"""Further than any number that is compared with it."""


def leaves(its, way=""):
    """Every plain value of what is carried, by the names that lead there."""
    if isinstance(its, dict | list):
        rows = its.items() if isinstance(its, dict) else enumerate(its)
        for name, below in rows:
            yield from leaves(below, f"{way}.{name}" if way else str(name))
    else:
        yield way, its


def told_apart(state):
    """Which of them are no number, which stand for never, and what else is not nothing."""
    found = dict(leaves(to_plain(state)))
    unknown = {way for way, its in found.items() if isinstance(its, float) and math.isnan(its)}
    never = {way for way, its in found.items() if its == -1}
    return unknown, never, {way: its for way, its in found.items() if its and way not in unknown | never}


def test_of_a_channel():
    unknown, never, known = told_apart(ChannelState())
    assert unknown == {
        "value", "rate_per_hour", "moves_per_hour", "good_value", "base", "rise.level", "calm.value",
        "repeats.value", "rests.value", "leap.usual",
    }  # fmt: skip
    stretches = {
        f"calm.stretches.{of}.{it}" for of in range(3) for it in ("since_ms", "last_ms", "frozen_ms")
    }
    assert never == stretches | {
        "last_seq", "rise.time_ms", "calm.began_ms", "calm.changed_ms", "history.now.hour", "leap.since_ms",
        "leap.far_ms", "leap.back_ms", "leap.loose_until_ms", "scatter.erratic_ms", "scatter.uneasy_ms",
        "scatter.calm_ms", "swift.since_ms", "played.chain", "rests.played.chain", "rests.since_ms",
        "lacked_ms", "worked_ms", "compared_ms", "leap.home_until_ms", "leap.strange_ms", "leap.astray_ms",
    }  # fmt: skip
    not_evaluated = {f"quality.tests.{test}.0": 2 for test in range(8)} | {"flag": 2}
    assert known == not_evaluated | {
        "quality.run.barrier_ms": -FURTHEST,
        "history.now.low": FURTHEST,
        "history.now.high": -FURTHEST,
        "history.now.digit": FURTHEST,
        "calm.stretches.0.moved": 1.0,
        "calm.stretches.1.moved": 1.0,
        "calm.stretches.2.moved": 1.0,
        "calm.frozen_ms": 2**63 - 1,
        "played.since_ms": 2**63 - 1,
        "rests.played.since_ms": 2**63 - 1,
        "rounds.since_ms": 2**63 - 1,
    }


def test_of_a_source():
    """A probe's own trouble recurs within half a day, and must be over for four hours (project judgement)."""
    unknown, never, known = told_apart(SourceState(7))
    assert unknown == {"raw", "wet"}
    gone = {
        f"{of}.{it}" for of in ("drops", "gaps") for it in ("first_ms", "lost_ms", "back_ms", "stands_ms")
    }
    assert never == gone | {"time_ms", "first_ms", "dry_ms", "spell_ms", "witness_ms", "ended_ms"}
    recurs = {"least_ms": 4 * 3_600_000, "again_ms": 12 * 3_600_000, "furthest": -math.inf}
    assert known == {"at_ms": 7} | {
        f"{of}.{name}": its for of in ("drops", "gaps") for name, its in recurs.items()
    }
