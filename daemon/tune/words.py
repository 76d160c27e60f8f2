"""Scores and recommendations in words, for the terminal and for the report."""

from daemon.tune.space import Choice
from rules.tuning.scoring import Score
from rules.tuning.trade_off import Recommendation, late

MINUTE_MS = 60_000


def choice_text(choice: Choice) -> str:
    """Write a choice for a table."""
    if not choice:
        return "as they are"
    return ", ".join(f"{path.removeprefix('stages.')} = {value:g}" for path, value in choice)


def trial_columns() -> list[str]:
    """Return the names of the columns that `trial_cells` fills."""
    return ["missed", "calls/week", "at night", "for nothing", "minutes to call", "chattering/week"]


def trial_cells(score: Score) -> list[str]:
    """Write a score for a table: counts per week, the median time to call in minutes."""
    wait = f"{score.typical_wait_ms / MINUTE_MS:.1f}" if score.missed < len(score.found) else "-"
    return [
        f"{score.missed} of {len(score.found)}",
        f"{score.per_week(score.calls):.1f}",
        f"{score.per_week(score.night_calls):.1f}",
        f"{score.per_week(score.unwanted):.1f}",
        wait,
        f"{score.per_week(score.chattering):.1f}",
    ]


def reasons(found: Recommendation, within_min: float) -> list[str]:
    """Say what is recommended and why, against the present settings, and how it did on unseen parts."""
    unseen = "Chosen each time without a part of the record, and judged on that part, such settings"
    return [
        f"Recommended: the settings marked *. {_said('They', found.trial.score, within_min)}",
        _said("The present settings", found.present.score, within_min),
        _said(unseen, found.held_out, within_min),
    ]


def _said(who: str, score: Score, within_min: float) -> str:
    too_late = late(score, round(within_min * MINUTE_MS))
    return (
        f"{who} would have missed, or called more than {within_min:g} min after they began, {too_late} of "
        f"{len(score.found)} incidents, with {score.per_week(score.calls):.1f} calls a week "
        f"({score.per_week(score.night_calls):.1f} at night, "
        f"{score.per_week(score.unwanted):.1f} for nothing)."
    )
