"""Choosing among settings by what they did: the trade-off front, a rule of choice, validation by time.

The rule of choice is a plain order, so that a recommendation can be said in words: first as few
incidents as possible that were missed or called too late, of these few missed, then as few calls as
possible, one that wakes somebody counted twice, then little chattering, early calls, little change.
"""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

from rules.tuning.incident import Incident
from rules.tuning.scoring import Score

DAY_MS = 86_400_000
LEAST_INCIDENTS = 6
"""With none of n incidents missed, at most 1 - 0.05 ** (1 / n) of all are missed, at 95 % confidence:
0.39 for 6, 0.26 for 10. Below 6 nothing is worth saying (project judgement)."""

LEAST_DAYS = 7
"""Calls per week need a week to be counted in (project judgement)."""

LEAST_PARTS = 3
"""Incidents in at least so many parts of the record: leaving one out must leave some to choose by."""

PARTS = 5
"""The record is cut into so many parts for validation, whole stretches of time, one after the other."""

Stretches = list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Trial:
    """One choice of settings and its scores: over everything, and over each part of the record.

    `changes` says how many settings differ from those in force.
    """

    choice: Hashable
    changes: int
    score: Score
    parts: tuple[Score, ...]


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The trial to take, and what the rule of choice did on parts of the record that it had not seen.

    `held_out` joins the scores, each on the part left out, of what was chosen without that part.
    `refusal`, where it is not empty, why nothing is recommended.
    """

    trial: Trial
    present: Trial
    held_out: Score
    refusal: str = ""


def late(score: Score, within_ms: int) -> int:
    """Return how many incidents were missed, or called later than `within_ms` after they began."""
    return sum(found.waited_ms is None or found.waited_ms > within_ms for found in score.found)


def front(trials: Iterable[Trial]) -> list[Trial]:
    """Return the trials that no other beats or equals in everything and beats in something, by calls."""
    ranked = sorted(trials, key=lambda trial: (_costs(trial.score), trial.changes))
    kept: list[Trial] = []
    for trial in ranked:
        if not any(_dominates(other.score, trial.score) for other in kept):
            kept.append(trial)
    return sorted(kept, key=lambda trial: (trial.score.calls, _costs(trial.score)))


def rank(score: Score, within_ms: int) -> tuple[float, ...]:
    """Return what the rule of choice compares, the least being the best."""
    return (
        late(score, within_ms),
        score.missed,
        score.calls + score.night_calls,
        score.chattering,
        score.typical_wait_ms,
    )


def choose(trials: Sequence[Trial], within_ms: int, without: int | None = None) -> Trial:
    """Return the best trial by the rule of choice, judged without the part of number `without`."""

    def key(trial: Trial) -> tuple[float, ...]:
        kept = [part for number, part in enumerate(trial.parts) if number != without]
        return (*rank(joined(kept), within_ms), trial.changes)

    return min(trials, key=key)


def recommend(trials: Sequence[Trial], present: Trial, within_ms: int) -> Recommendation:
    """Choose on everything, and say whether choosing so holds up; `present` is one of `trials`."""
    chosen = choose(trials, within_ms)
    held_out = joined(
        choose(trials, within_ms, without=number).parts[number] for number in range(len(present.parts))
    )
    refusal = ""
    if missing := shortage(present):
        refusal = "too little to learn from: " + "; ".join(missing)
    elif chosen is present:
        refusal = "none of the settings tried is better than the present ones"
    elif rank(held_out, within_ms) >= rank(present.score, within_ms):
        refusal = (
            "it would tune to single nights: settings chosen without a part of the record did no better "
            "in that part than the present ones"
        )
    return Recommendation(chosen, present, held_out, refusal)


def shortage(trial: Trial) -> list[str]:
    """Say what is missing before anything can be recommended; empty where there is enough."""
    days = trial.score.watched_ms / DAY_MS
    incidents = len(trial.score.found)
    parts = sum(bool(part.found) for part in trial.parts)
    missing = []
    if days < LEAST_DAYS:
        missing.append(f"{days:.1f} days of readings, {LEAST_DAYS - days:.1f} more are needed")
    if incidents < LEAST_INCIDENTS:
        missing.append(
            f"{incidents} incidents for which a call was wanted, "
            f"{LEAST_INCIDENTS - incidents} more are needed"
        )
    elif parts < LEAST_PARTS:
        missing.append(
            f"incidents in only {parts} of {len(trial.parts)} parts of the record, "
            f"{LEAST_PARTS - parts} more parts with some are needed"
        )
    return missing


def joined(scores: Iterable[Score]) -> Score:
    """Return the score over several stretches together."""
    each = list(scores)
    return Score(
        sum(score.watched_ms for score in each),
        sum(score.calls for score in each),
        sum(score.night_calls for score in each),
        sum(score.unwanted for score in each),
        sum(score.chattering for score in each),
        tuple(found for score in each for found in score.found),
    )


def parts_of(watched: Stretches, incidents: Sequence[Incident], count: int = PARTS) -> list[Stretches]:
    """Cut the stretches watched (from, to) into `count` parts of about the same length, one after the other.

    No cut falls into an incident: it waits for its end.
    """
    total_ms = sum(stop - start for start, stop in watched)
    parts: list[Stretches] = [[]]
    filled_ms = 0
    for start, stop in watched:
        at = start
        while at < stop:
            due = at + -(-total_ms * len(parts) // count) - filled_ms
            end = stop if len(parts) == count else min(stop, _after_incidents(due, incidents))
            parts[-1].append((at, end))
            filled_ms += end - at
            at = end
            while filled_ms * count >= total_ms * len(parts) and len(parts) < count:
                parts.append([])
    return [part for part in parts if part]


def _after_incidents(at_ms: int, incidents: Sequence[Incident]) -> int:
    for incident in sorted(incidents, key=lambda incident: incident.start_ms):
        if incident.start_ms < at_ms <= incident.end_ms:
            at_ms = incident.end_ms + 1
    return at_ms


def _costs(score: Score) -> tuple[float, ...]:
    return (score.missed, score.calls, score.night_calls, score.typical_wait_ms, score.chattering)


def _dominates(one: Score, other: Score) -> bool:
    """Return whether `one` is at least as good in everything; of equal scores one is enough."""
    return all(a <= b for a, b in zip(_costs(one), _costs(other), strict=True))
