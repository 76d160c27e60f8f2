"""The tables of a report's page, as plain data."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.replay.words import moment
from daemon.report.report import Report, Side
from daemon.tune.search import choice_of
from daemon.tune.words import MINUTE_MS, choice_text, trial_cells, trial_columns
from daemon.words import SHAPES
from rules.alarms.episodes import Episode
from rules.alarms.life_cycle import Priority
from rules.alarms.measures import REFERENCE, Measures, by_week, measures
from rules.quality.flags import Flag
from rules.tuning.scoring import Incident
from rules.tuning.trade_off import Recommendation, front


@dataclass(frozen=True, slots=True)
class Cell:
    """Words, the key that the column is sorted by (empty: the words), and how they look ("n": a number)."""

    text: str
    key: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table; `chosen` is the place of the row that stands out, `left_out` counts rows beyond the last."""

    headings: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    chosen: int | None
    left_out: int


Rows = Sequence[Sequence[Cell | str]]
MOST_OFFENDERS = 20
MOST_ALARMS = 2000


def alarms_table(report: Report) -> Table:
    """Return every alarm of every side, by time."""
    found = [(side.name, episode) for side in report.sides for episode in side.episodes]
    found.sort(key=lambda each: each[1].start_ms)
    rows: Rows = [[name, *_episode_cells(episode, report)] for name, episode in found[:MOST_ALARMS]]
    headings = ["settings", "alarm", "priority", "from", "to", "minutes", "value", "limit"]
    return _table(headings, rows, left_out=len(found) - len(rows))


def changes_table(report: Report) -> Table:
    """Return which alarms appear, vanish or move under the second settings."""
    rows = [
        [change.what, change.alarm, *(_extent(episode, report) for episode in (change.before, change.after))]
        for change in report.changes
    ]
    return _table(["what", "alarm", *(side.name for side in report.sides[:2])], rows)


def incidents_table(report: Report) -> Table:
    """Return every incident, and after how many minutes each of the settings paged for it."""
    rows = [
        [
            _when(mark.incident.start_ms, report),
            _when(mark.incident.end_ms, report),
            mark.incident.vessel,
            mark.incident.what,
            "yes" if mark.incident.page_wanted else "no",
            mark.state,
            *(_paged(side, mark.incident) for side in report.sides),
        ]
        for mark in report.marks
    ]
    paged = [f"page under {side.name}" for side in report.sides]
    return _table(["from", "to", "vessel", "what", "page wanted", "state", *paged], rows)


def measures_table(report: Report, side: Side) -> Table:
    """Return the alarm measures of each week and of all, with the standard's values on top."""
    weeks = by_week(side.episodes, report.start_ms, report.stop_ms)
    whole = measures(side.episodes, report.start_ms, report.stop_ms)
    return _table(
        ["week from", *REFERENCE, "low / medium / high / critical %"],
        [
            ["reference", *REFERENCE.values(), "80 / 15 / 5 / under 1"],
            *([_when(week.start_ms, report), *_measured(week)] for week in weeks),
            [Cell("all", "9"), *_measured(whole)],
        ],
    )


def offenders_table(report: Report, side: Side) -> Table:
    """Return the alarms that came most often."""
    whole = measures(side.episodes, report.start_ms, report.stop_ms)
    return _table(
        ["alarm", "times", "% of all"],
        [
            [alarm, _number(count), _number(100 * count / whole.alarms, 1)]
            for alarm, count in whole.offenders[:MOST_OFFENDERS]
        ],
    )


def flags_table(report: Report) -> Table:
    """Return the flags of each channel's readings, those with the most failures first."""
    counts = report.sides[0].result.flags
    order = sorted(
        counts, key=lambda name: (-int(counts[name][Flag.FAIL]), -int(counts[name][Flag.SUSPECT]), name)
    )
    rows: Rows = [[name, *(_number(int(counts[name][flag])) for flag in Flag)] for name in order]
    return _table(["channel", *(flag.name.lower().replace("_", " ") for flag in Flag)], rows)


def trials_table(report: Report, found: Recommendation) -> Table:
    """Return the choices on the trade-off front, the present settings and the recommended ones."""
    kept = front(report.trials)
    kept += [trial for trial in (found.present, found.trial) if trial not in kept]
    chosen = None if found.refusal else next(k for k, trial in enumerate(kept) if trial is found.trial)
    rows: Rows = [
        [*map(_counted, trial_cells(trial.score)), "* " * (k == chosen) + choice_text(choice_of(trial))]
        for k, trial in enumerate(kept)
    ]
    return _table([*trial_columns(), "settings"], rows, chosen=chosen)


def _measured(week: Measures) -> list[Cell | str]:
    return [
        _number(week.per_day, 1),
        _number(week.per_hour, 2),
        _number(week.per_ten_minutes, 3),
        _number(100 * week.busy_hours, 1, " %"),
        _number(100 * week.busy_ten_minutes, 1, " %"),
        _number(week.most_in_ten_minutes),
        _number(100 * week.flood_time, 1, " %"),
        _number(100 * week.top_share, 0, " %"),
        _number(week.chattering),
        _number(week.stale),
        " / ".join(f"{100 * week.priorities[rank]:.0f}" for rank in Priority),
    ]


def _episode_cells(episode: Episode, report: Report) -> list[Cell | str]:
    first, end_ms, rank = episode.first, episode.end_ms, episode.priority
    return [
        episode.alarm,
        Cell(_priority(rank), str(int(rank)), f"p-{rank.word}"),
        _when(episode.start_ms, report),
        "still standing" if end_ms is None else _when(end_ms, report),
        _number((episode.until(report.stop_ms) - episode.start_ms) / MINUTE_MS, 1),
        "" if first.value is None else _number(first.value, 2),
        "" if first.limit is None else _number(first.limit, 2),
    ]


def _extent(episode: Episode | None, report: Report) -> Cell:
    if episode is None:
        return Cell("-")
    end = "still standing" if episode.end_ms is None else moment(episode.end_ms, report.zone)
    words = f"{_priority(episode.priority)} {moment(episode.start_ms, report.zone)} to {end}"
    return Cell(words, str(episode.start_ms), f"p-{episode.priority.word}")


def _paged(side: Side, incident: Incident) -> Cell:
    page_ms = side.page_ms(incident)
    if page_ms is None:
        return Cell("MISSED", "inf") if incident.page_wanted else Cell("none")
    return _number((page_ms - incident.start_ms) / MINUTE_MS, 1, " min")


def _priority(rank: Priority) -> str:
    return f"{SHAPES[rank]} {rank.word}"


def _when(at_ms: int, report: Report) -> Cell:
    return Cell(moment(at_ms, report.zone), str(at_ms))


def _number(value: float, decimals: int = 0, unit: str = "") -> Cell:
    return Cell(f"{value:.{decimals}f}{unit}", str(value), "n")


def _counted(text: str) -> Cell:
    return Cell(text, text.split(" ", maxsplit=1)[0], "n")


def _table(
    headings: Sequence[str],
    rows: Rows,
    chosen: int | None = None,
    left_out: int = 0,
) -> Table:
    cells = [[Cell(cell) if isinstance(cell, str) else cell for cell in row] for row in rows]
    return Table(headings, cells, chosen, left_out)
