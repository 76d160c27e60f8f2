"""Scores and recommendations in words, for the terminal and for the report."""

from collections.abc import Mapping
from statistics import median

from daemon.tune.search import Search, choice_of, less_one_key
from daemon.tune.space import Choice, Space
from rules.tuning.scoring import Score
from rules.tuning.trade_off import Recommendation, Trial

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


def reasons(found: Recommendation, search: Search, space: Space) -> list[str]:
    """Say what is recommended and why: what each key brings and costs, and how it did on unseen nights."""
    if found.refusal:
        return [f"No recommendation: {found.refusal}."]
    unseen = "Chosen each time without a part of the nights, and judged on that part, such settings"
    least, low, high = found.gain
    chosen = choice_of(found.trial)
    keys = [
        _key(path, value, space.present, found.trial.score, search.trials[fewer].score)
        for (path, value), fewer in zip(chosen, less_one_key(chosen), strict=True)
        if fewer in search.trials
    ]
    others = [f"Next best: {choice_text(choice_of(trial))}" for trial in found.next_best]
    return [
        f"Recommended: the settings marked *. {_said('They', found.trial.score, search)}",
        *keys,
        _said("The present settings", found.present.score, search),
        _said(unseen, found.held_out, search),
        f"There they were {least:.1f} calls a week easier (95 %: {low:.1f} to {high:.1f}), one that"
        " wakes counted twice, repeats counted too.",
        *others,
    ]


def by_cause(trial: Trial) -> list[str]:
    """Say which alarms called for nothing, and what incidents, by cause, were missed."""
    said = [f"{alarm}: {count}" for alarm, count in trial.score.offenders().most_common(5)]
    missed = [it.incident for it in trial.score.found if it.call_ms is None]
    lines = [f"At present for nothing, at night counted twice: {', '.join(said)}."] if said else []
    return lines + [f"At present missed: {it.vessel} {it.cause or it.what}." for it in missed[:5]]


def _key(path: str, value: float, present: Mapping[str, float | None], score: Score, without: Score) -> str:
    """Say what one key brings, and what it costs in time before harm."""
    before = present[path]
    was = "" if before is None else f"{before:g} -> "
    brings = score.per_week(without.burden - score.burden)
    return (
        f"  {path} {was}{value:g}: brings {brings:.1f} calls a week fewer; time before harm, least and"
        f" typical, {_leads(without)} -> {_leads(score)}; missed {without.missed} -> {score.missed}"
    )


def _leads(score: Score) -> str:
    leads = score.leads_ms
    if not leads:
        return "not known"
    return f"{leads[0] / MINUTE_MS:.0f} and {median(leads) / MINUTE_MS:.0f} min"


def _said(who: str, score: Score, search: Search) -> str:
    timely = search.timely
    return (
        f"{who} would have missed, or called more than {timely.within_ms / MINUTE_MS:g} min after they began "
        f"(where harm is known: less than {timely.before_harm_ms / MINUTE_MS:g} min before it), "
        f"{score.late(timely)} of {len(score.found)} incidents, with "
        f"{score.per_week(score.calls):.1f} calls a week ({score.per_week(score.night_calls):.1f} at night, "
        f"{score.per_week(score.unwanted):.1f} for nothing, "
        f"{score.per_week(sum(night.repeats for night in score.nights)):.1f} repeats)."
    )
