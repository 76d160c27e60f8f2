"""The tables of a report's page."""

from collections.abc import Iterable, Sequence
from html import escape

from daemon.replay.words import moment
from daemon.report.report import Report, Side
from daemon.tune.search import choice_of
from daemon.tune.words import MINUTE_MS, choice_text, trial_cells, trial_columns
from daemon.words import SHAPES
from rules.alarms.episodes import Change, Episode
from rules.alarms.life_cycle import Priority
from rules.alarms.measures import REFERENCE, Measures, by_week, measures
from rules.quality.flags import Flag
from rules.tuning.scoring import Incident
from rules.tuning.trade_off import Trial, front

Cell = str | tuple[str, str]
"""Markup, or markup and the key that the column is sorted by."""

MOST_OFFENDERS = 20
MOST_ALARMS = 2000


def alarms_table(report: Report) -> str:
    """Return every alarm of every side, by time."""
    rows = [
        (episode.start_ms, [escape(side.name), *_episode_cells(episode, report)])
        for side in report.sides
        for episode in side.episodes
    ]
    rows.sort(key=lambda row: row[0])
    shown = [cells for _, cells in rows[:MOST_ALARMS]]
    table = _table(["settings", "alarm", "priority", "from", "to", "minutes", "value", "limit"], shown)
    left_out = len(rows) - len(shown)
    return table + (
        f"<p>The other {left_out} are not listed; they are drawn and counted.</p>" if left_out else ""
    )


def changes_table(report: Report) -> str:
    """Return which alarms appear, vanish or move under the second settings."""
    rows = [_change_cells(change, report) for change in report.changes]
    headings = ["what", "alarm", *(side.name for side in report.sides[:2])]
    return _table(headings, rows) if rows else "<p>Nothing: both settings give the same alarms.</p>"


def incidents_table(report: Report) -> str:
    """Return every incident, and after how many minutes each of the settings paged for it."""
    rows: list[list[Cell]] = []
    for mark in report.marks:
        incident = mark.incident
        span = _when(incident.start_ms, report), _when(incident.end_ms, report)
        wanted = "yes" if incident.page_wanted else "no"
        words = (escape(incident.vessel), escape(incident.what), wanted, mark.state)
        rows.append([*span, *words, *(_paged(side, incident) for side in report.sides)])
    paged = [f"page under {side.name}" for side in report.sides]
    return _table(["from", "to", "vessel", "what", "page wanted", "state", *paged], rows)


def measures_table(report: Report, side: Side) -> str:
    """Return the alarm measures of each week and of all, with the standard's values on top."""
    weeks = by_week(side.episodes, report.start_ms, report.stop_ms)
    rows: list[list[Cell]] = [
        ["reference", *(escape(REFERENCE.get(name, "")) for name in _MEASURES), "80 / 15 / 5 / under 1"]
    ]
    rows += [[_when(week.start_ms, report), *_measured(week)] for week in weeks]
    whole = measures(side.episodes, report.start_ms, report.stop_ms)
    rows.append([("all", "9"), *_measured(whole)])
    priorities = "low / medium / high / critical %"
    return _table(["week from", *_MEASURES, priorities], rows)


def offenders_table(report: Report, side: Side) -> str:
    """Return the alarms that came most often."""
    whole = measures(side.episodes, report.start_ms, report.stop_ms)
    rows: list[list[Cell]] = [
        [escape(alarm), _number(count), _number(100 * count / whole.alarms, 1)]
        for alarm, count in whole.offenders[:MOST_OFFENDERS]
    ]
    return _table(["alarm", "times", "% of all"], rows) if rows else "<p>No alarm.</p>"


def flags_table(report: Report) -> str:
    """Return the flags of each channel's readings, those with the most failures first."""
    counts = report.sides[0].result.flags
    order = sorted(
        counts, key=lambda name: (-int(counts[name][Flag.FAIL]), -int(counts[name][Flag.SUSPECT]), name)
    )
    rows: list[list[Cell]] = [
        [escape(name), *(_number(int(counts[name][flag])) for flag in Flag)] for name in order
    ]
    return _table(["channel", *(flag.name.lower().replace("_", " ") for flag in Flag)], rows)


def trials_table(report: Report) -> str:
    """Return the choices on the trade-off front, the present settings and the recommended ones."""
    found = report.found
    rows, marked = [], []
    kept: list[Trial] = front(report.trials)
    if found is not None:
        kept += [trial for trial in (found.present, found.trial) if trial not in kept]
    for trial in kept:
        marked.append(found is not None and not found.refusal and trial is found.trial)
        star = "* " if marked[-1] else ""
        rows.append([*map(_plain, trial_cells(trial.score)), star + escape(choice_text(choice_of(trial)))])
    return _table([*trial_columns(), "settings"], rows, marked)


_MEASURES = [*REFERENCE]


def _measured(week: Measures) -> list[Cell]:
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


def _episode_cells(episode: Episode, report: Report) -> list[Cell]:
    first, end_ms = episode.first, episode.end_ms
    minutes = (episode.until(report.stop_ms) - episode.start_ms) / MINUTE_MS
    return [
        escape(episode.alarm),
        _priority(episode.priority),
        _when(episode.start_ms, report),
        "still standing" if end_ms is None else _when(end_ms, report),
        _number(minutes, 1),
        "" if first.evidence.value is None else _number(first.evidence.value, 2),
        "" if first.evidence.limit is None else _number(first.evidence.limit, 2),
    ]


def _change_cells(change: Change, report: Report) -> list[Cell]:
    return [
        change.what,
        escape(change.alarm),
        *(_extent(episode, report) for episode in (change.before, change.after)),
    ]


def _extent(episode: Episode | None, report: Report) -> Cell:
    if episode is None:
        return "-"
    end = "still standing" if episode.end_ms is None else moment(episode.end_ms, report.zone)
    words, _ = _priority(episode.priority)
    return f"{words} {moment(episode.start_ms, report.zone)} to {end}", str(episode.start_ms)


def _paged(side: Side, incident: Incident) -> Cell:
    page_ms = side.page_ms(incident)
    if page_ms is None:
        return ("MISSED", "inf") if incident.page_wanted else "none"
    minutes = (page_ms - incident.start_ms) / MINUTE_MS
    return _number(minutes, 1, " min")


def _priority(rank: Priority) -> tuple[str, str]:
    return f'<span class="p-{rank.word}">{SHAPES[rank]} {rank.word}</span>', str(int(rank))


def _when(at_ms: int, report: Report) -> Cell:
    return moment(at_ms, report.zone), str(at_ms)


def _number(value: float, decimals: int = 0, unit: str = "") -> Cell:
    return f"{value:.{decimals}f}{unit}", str(value)


def _plain(text: str) -> Cell:
    return escape(text), text.split(" ", maxsplit=1)[0]


def _table(headings: Sequence[str], rows: Iterable[Sequence[Cell]], marked: Sequence[bool] = ()) -> str:
    rows = list(rows)
    head = "".join(
        f'<th scope="col"{_kind(rows[-1][place]) if rows else ""}>{escape(heading)}</th>'
        for place, heading in enumerate(headings)
    )
    body = []
    for place, row in enumerate(rows):
        kind = ' class="chosen"' if place < len(marked) and marked[place] else ""
        body.append(f"<tr{kind}>{''.join(map(_cell, row))}</tr>")
    whole = f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody>"
    return f'<div class="wide"><table>{whole}</table></div>'


def _cell(cell: Cell) -> str:
    if isinstance(cell, str):
        return f"<td>{cell}</td>"
    markup, key = cell
    return f'<td{_kind(cell)} data-key="{escape(key)}">{markup}</td>'


def _kind(cell: Cell) -> str:
    """Return the class of numbers, which stand to the right."""
    is_number = not isinstance(cell, str) and cell[0].lstrip("-")[:1].isdigit() and ":" not in cell[0]
    return ' class="n"' if is_number else ""
