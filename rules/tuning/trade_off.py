"""Choosing among settings by what they did: the trade-off front, a rule of choice, nights held out.

The rule of choice is a plain order, so that a recommendation can be said in words: first as few
incidents as possible that were missed or called too late, of these few missed, then as little burden as
possible (calls for nothing, one that wakes somebody counted twice, and repeats), then little chattering,
few keys, early calls. What is not sure beyond chance is no difference.
"""

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rules.tuning.scoring import Score, Timely

DAY_MS = 86_400_000
LEAST_INCIDENTS = 6
"""With none of n incidents missed, at most 1 - 0.05 ** (1 / n) of all are missed, at 95 % confidence:
0.39 for 6, 0.26 for 10. Below 6 nothing is worth saying (project judgement)."""

LEAST_DAYS = 7
"""Calls per week need a week to be counted in (project judgement)."""

LEAST_PARTS = 3
"""Incidents in at least so many parts of the record: leaving one out must leave some to choose by."""

PARTS = 5
"""The nights are held out in so many blocks, one after the other."""

WORTH = 0.05
"""A key that brings less than a twentieth of what all bring is not worth its place (project judgement)."""

INTERVAL = (2.5, 97.5)
"""Percentiles: 95 % of the sums over nights drawn with replacement lie between (Efron 1979; from memory)."""

Draws = NDArray[np.int64]
"""Numbers of nights drawn with replacement, a row for each draw; they come from outside, see law 5."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One choice of settings and its score; `changes` says how many settings differ from those in force."""

    choice: Hashable
    changes: int
    score: Score


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The trial to take, and what the rule of choice did on nights that it had not seen.

    `held_out` joins the nights, each block under what was chosen without it. `gain` is how much less burden
    these had a week than under the present settings, with its interval. `next_best` come after the trial.
    `refusal`, where it is not empty, says why the present settings are to be kept.
    """

    trial: Trial
    present: Trial
    held_out: Score
    gain: tuple[float, float, float]
    next_best: tuple[Trial, ...] = ()
    refusal: str = ""


def front(trials: Iterable[Trial]) -> list[Trial]:
    """Return the trials that no other beats or equals in everything and beats in something, by calls."""
    ranked = sorted(trials, key=lambda trial: (_costs(trial.score), trial.changes))
    kept: list[Trial] = []
    for trial in ranked:
        if not any(_dominates(other.score, trial.score) for other in kept):
            kept.append(trial)
    return sorted(kept, key=lambda trial: (trial.score.calls, _costs(trial.score)))


def rank(score: Score, timely: Timely) -> tuple[float, ...]:
    """Return what the rule of choice compares, the least being the best."""
    return (score.late(timely), score.missed, score.burden, score.chattering)


def choose(trials: Sequence[Trial], timely: Timely, without: slice = slice(0, 0)) -> Trial:
    """Return the best trial by the rule of choice, judged without a block of its nights."""

    def key(trial: Trial) -> tuple[float, ...]:
        nights = trial.score.nights
        score = Score(nights[: without.start] + nights[without.stop :])
        return (*rank(score, timely), trial.changes, score.typical_wait_ms)

    return min(trials, key=key)


def blocks(nights: int, count: int = PARTS) -> list[slice]:
    """Return the blocks of nights that are held out, of about the same length, one after the other."""
    edges = np.linspace(0, nights, min(count, nights) + 1).round().astype(int).tolist()
    return [slice(start, stop) for start, stop in pairwise(edges)]


def interval(per_night: NDArray[np.float64], draws: Draws) -> tuple[float, float]:
    """Return between what the sum over as many nights lies, by drawing nights with replacement."""
    low, high = np.percentile(per_night[draws].sum(axis=1), INTERVAL)
    return float(low), float(high)


def is_better(one: Score, other: Score, timely: Timely, draws: Draws) -> bool:
    """Return whether a score is better beyond chance: fewer too late or, none more too late, less burden."""
    late = _each(one, other, lambda score: score.late(timely))
    if late.sum() > 0:
        return False
    burden = _each(one, other, lambda score: score.burden)
    return min(interval(late, draws)[1], interval(burden, draws)[1]) < 0


def recommend(
    trials: Sequence[Trial],
    present: Trial,
    timely: Timely,
    draws: Draws,
    reduced: Callable[[Trial], Trial] = lambda trial: trial,
) -> Recommendation:
    """Choose on everything, and say whether choosing so holds up; `present` is one of `trials`.

    `reduced` gives a trial with the keys left out that bring nothing.
    """
    chosen = reduced(choose(trials, timely))
    unseen = [choose(trials, timely, part).score.nights[part] for part in blocks(len(present.score.nights))]
    held_out = Score(tuple(night for part in unseen for night in part))
    refusal = ""
    if missing := shortage(present):
        refusal = "too little to learn from: " + "; ".join(missing)
    elif chosen is present:
        refusal = "keep what you have: none of the settings tried is better than the present ones"
    elif not is_better(chosen.score, present.score, timely, draws):
        refusal = "keep what you have: what the best of the settings tried brought may be chance"
    elif not is_better(held_out, present.score, timely, draws):
        refusal = (
            "keep what you have: settings chosen without a part of the nights did no better in that part "
            "than the present ones, beyond chance"
        )
    others = [trial for trial in trials if trial is not chosen and trial is not present]
    best = sorted(others, key=lambda trial: (*rank(trial.score, timely), trial.changes))[:3]
    won = gain(held_out, present.score, draws)
    return Recommendation(chosen, present, held_out, won, tuple(best), refusal)


def gain(one: Score, other: Score, draws: Draws) -> tuple[float, float, float]:
    """Return how much less burden a week one score has than another, and the interval of that."""
    less = _each(other, one, lambda score: score.burden)
    low, high = interval(less, draws)
    return one.per_week(float(less.sum())), one.per_week(low), one.per_week(high)


def worth_keeping(without: Score, whole: Score, present: Score, timely: Timely) -> bool:
    """Return whether a key earns its place: what `without` it is lost, of what the `whole` choice brought."""
    if rank(without, timely)[:2] > rank(whole, timely)[:2]:
        return True
    return without.burden - whole.burden > WORTH * max(0, present.burden - whole.burden)


def shortage(trial: Trial) -> list[str]:
    """Say what is missing before anything can be recommended; empty where there is enough."""
    days = trial.score.watched_ms / DAY_MS
    incidents = len(trial.score.found)
    nights = trial.score.nights
    parts = [any(night.found for night in nights[part]) for part in blocks(len(nights))]
    missing = []
    if days < LEAST_DAYS:
        missing.append(f"{days:.1f} days of readings, {LEAST_DAYS - days:.1f} more are needed")
    if incidents < LEAST_INCIDENTS:
        missing.append(
            f"{incidents} incidents for which a call was wanted, "
            f"{LEAST_INCIDENTS - incidents} more are needed"
        )
    elif sum(parts) < LEAST_PARTS:
        missing.append(
            f"incidents in only {sum(parts)} of {len(parts)} parts of the record, "
            f"{LEAST_PARTS - sum(parts)} more parts with some are needed"
        )
    return missing


def _each(one: Score, other: Score, measure: Callable[[Score], int]) -> NDArray[np.float64]:
    """Return by how much a measure of one score is more than of another, night by night."""
    pairs = zip(one.nights, other.nights, strict=True)
    return np.array([measure(Score((a,))) - measure(Score((b,))) for a, b in pairs], dtype=np.float64)


def _costs(score: Score) -> tuple[float, ...]:
    return (score.missed, score.calls, score.night_calls, score.typical_wait_ms, score.chattering)


def _dominates(one: Score, other: Score) -> bool:
    """Return whether `one` is at least as good in everything; of equal scores one is enough."""
    return all(a <= b for a, b in zip(_costs(one), _costs(other), strict=True))
