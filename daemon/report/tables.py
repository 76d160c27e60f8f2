"""The tables of a report's page, as plain data."""

from collections.abc import Sequence

from daemon.as_read import shown
from daemon.journal.logbook import superseded
from daemon.replay.words import moment
from daemon.report.measured import REFERENCE_SHARES, Cell, measured, number_cell
from daemon.report.report import Report, Side
from daemon.tune.search import choice_of
from daemon.tune.words import MINUTE_MS, choice_text, trial_cells
from daemon.view.entries import corrected_text, entry_text
from daemon.words import OF_DIFFERENCES, SHAPES, quantity_if_any
from rules.alarms.episodes import Episode
from rules.alarms.life_cycle import Priority
from rules.alarms.measures import REFERENCE, by_week, measures
from rules.quality.flags import Flag
from rules.tuning.incident import Incident
from rules.tuning.trade_off import Recommendation, front

Row = Sequence[Cell | str]
MOST_OFFENDERS = 20


def alarm_rows(report: Report) -> list[Row]:
    """Return every alarm of every side, by time."""
    found = [(side.name, episode) for side in report.sides for episode in side.episodes]
    found.sort(key=lambda each: each[1].start_ms)
    return [[name, *_episode_cells(episode, report)] for name, episode in found]


def change_rows(report: Report) -> list[Row]:
    """Return which alarms appear, vanish or move under the second settings."""
    return [
        [change.what, change.alarm, _extent(change.before, report), _extent(change.after, report)]
        for change in report.changes
    ]


def incident_rows(report: Report) -> list[Row]:
    """Return every incident, and after how many minutes each of the settings called for it."""
    return [
        [
            _when(mark.incident.start_ms, report),
            _when(mark.incident.end_ms, report),
            mark.incident.vessel,
            mark.incident.what,
            "yes" if mark.incident.call_wanted else "no",
            mark.state,
            *(_called(side, mark.incident) for side in report.sides),
        ]
        for mark in report.marks
    ]


def entry_rows(report: Report) -> list[Row]:
    """Return what people wrote down in this time, by time, with what was put right."""
    over = superseded([it for it in report.entries if it.seq])
    return [
        [
            number_cell(it.seq) if it.seq else "-",
            _when(it.at_ms, report),
            it.vessel,
            it.who,
            it.kind.replace("_", " "),
            f"{entry_text(it)}{corrected_text(it, over)}",
        ]
        for it in report.entries
        if report.start_ms <= it.at_ms <= report.stop_ms
    ]


def measure_rows(report: Report, side: Side) -> list[Row]:
    """Return the alarm measures of each week and of all, with the standard's values on top."""
    span = side.episodes, report.start_ms, report.stop_ms
    return [
        ["reference", *REFERENCE.values(), REFERENCE_SHARES],
        *([_when(week.start_ms, report), *measured(week)] for week in by_week(*span)),
        [Cell("all", "9"), *measured(measures(*span))],
    ]


def offender_rows(report: Report, side: Side) -> list[Row]:
    """Return the alarms that came most often."""
    whole = measures(side.episodes, report.start_ms, report.stop_ms)
    return [
        [alarm, number_cell(count), number_cell(100 * count / whole.alarms, 1)]
        for alarm, count in whole.offenders[:MOST_OFFENDERS]
    ]


def flag_rows(report: Report) -> list[Row]:
    """Return the flags of each channel's readings, those with the most failures first."""
    counts = {name: [int(each[flag]) for flag in Flag] for name, each in report.sides[0].result.flags.items()}
    bad = [list(Flag).index(flag) for flag in (Flag.FAIL, Flag.SUSPECT)]
    order = sorted(counts, key=lambda name: (*(-counts[name][place] for place in bad), name))
    return [[name, *map(number_cell, counts[name])] for name in order]


def trial_rows(report: Report, found: Recommendation) -> list[Row]:
    """Return the choices on the trade-off front, the present settings and the recommended ones."""
    kept = front(report.trials)
    kept += [trial for trial in (found.present, found.trial) if trial not in kept]
    rows: list[Row] = []
    for trial in kept:
        words: Cell | str = choice_text(choice_of(trial))
        if trial is found.trial and not found.refusal:
            words = Cell(f"* {words}", "", "chosen")
        rows.append([*map(_counted, trial_cells(trial.score)), words])
    return rows


def _episode_cells(episode: Episode, report: Report) -> list[Cell | str]:
    first, end_ms, rank = episode.first, episode.end_ms, episode.priority
    return [
        episode.alarm,
        Cell(_priority(rank), str(int(rank)), f"p-{rank.word}"),
        _when(episode.start_ms, report),
        "still standing" if end_ms is None else _when(end_ms, report),
        number_cell((episode.until(report.stop_ms) - episode.start_ms) / MINUTE_MS, 1),
        *(_value(value, episode) for value in (first.evidence.value, first.evidence.limit)),
    ]


def _value(value: float | None, its: Episode) -> Cell | str:
    if value is None:
        return ""
    apart = its.condition in OF_DIFFERENCES
    return number_cell(shown(value, quantity_if_any(its.first) or "", difference=apart), 2)


def _extent(episode: Episode | None, report: Report) -> Cell:
    if episode is None:
        return Cell("-")
    end = "still standing" if episode.end_ms is None else moment(episode.end_ms, report.zone)
    words = f"{_priority(episode.priority)} {moment(episode.start_ms, report.zone)} to {end}"
    return Cell(words, str(episode.start_ms), f"p-{episode.priority.word}")


def _called(side: Side, incident: Incident) -> Cell:
    call_ms = side.call_ms(incident)
    if call_ms is None:
        return Cell("MISSED", "inf") if incident.call_wanted else Cell("none")
    return number_cell((call_ms - incident.start_ms) / MINUTE_MS, 1, " min")


def _priority(rank: Priority) -> str:
    return f"{SHAPES[rank]} {rank.word}"


def _when(at_ms: int, report: Report) -> Cell:
    return Cell(moment(at_ms, report.zone), str(at_ms))


def _counted(text: str) -> Cell:
    return Cell(text, text.split(" ", maxsplit=1)[0], "n")
