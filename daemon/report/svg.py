"""Drawings of a report as SVG: traces with bands, flags, alarms and incidents; the trade-off."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import groupby, product

import numpy as np
from markupsafe import Markup

from daemon.report.report import Report
from daemon.report.scale import Scale, as_read, limit_steps, round_steps, time_ticks, value_range
from daemon.report.trace import COLUMNS, ChannelTrace
from daemon.tune.words import MINUTE_MS
from daemon.words import SHAPES, quantity_of, written
from rules.alarms.episodes import Episode
from rules.quality.flags import Flag
from rules.tuning.trade_off import Trial

WIDTH, LEFT, RIGHT = 1000, 62, 12
PLOT_TOP, PLOT_HEIGHT = 26, 150
TRADE_OFF_HEIGHT = 304
LANE_HEIGHT = 14
_UNDER_PLOT = 34
_LETTER, _NAME_HEIGHT, _NAME_ROWS = 6.5, 13, 4
"""A letter of a name is no wider than this on average, a row of names no higher."""
ONE_BY_ONE = 60
"""So many alarms of a channel are drawn one by one; more are counted."""
_STRETCHES = 53
_LEVELS = ("advisory", "critical")
_OUTLINES = {
    "suspect": "m-3 0h6l-3 -6z",
    "failed": "m-2.5 0h5v-6h-5z",
    "dot": "m-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z",
    "present": "m-7 6h14l-7 -13z",
    "recommended": "m-6 -6h12v12h-12z",
}


def channel_svg(
    report: Report, channel: str, width: float = WIDTH, plot_height: float = PLOT_HEIGHT
) -> Markup:
    """Return the drawing of one channel: its trace under the first settings, alarms of all, incidents."""
    trace = report.sides[0].trace.channels[channel]
    bottom = PLOT_TOP + plot_height
    x = Scale(report.start_ms, report.stop_ms, LEFT, width - RIGHT)
    y = Scale(*value_range(trace), bottom, PLOT_TOP)
    parts = [
        *_bands(trace, x, y, report.stop_ms),
        *_other_limits(report, channel, x, y),
        *_incidents(report, trace.vessel, x, y),
        _envelope(trace, x, y),
        *_flags(trace, x, bottom + 10),
        *_axes(channel, x, y, report.zone),
        *_lanes(report, channel, x, bottom + 30),
    ]
    height = bottom + room_under(report, channel)
    return _svg(width, height, parts, f"trace of {channel}", class_="trace", data_channel=channel)


def room_under(report: Report, channel: str) -> float:
    """Return the height of what stands under a channel's plot."""
    return _UNDER_PLOT + sum(LANE_HEIGHT * len(rows) + 2 for _, rows in _rows(report, channel))


def trade_off_svg(report: Report, width: float = WIDTH, height: float = TRADE_OFF_HEIGHT) -> Markup:
    """Return calls per week against minutes to call; a filled mark missed nothing."""
    places = [_place(trial) for trial in report.trials]
    x = Scale(0, max(calls for calls, _ in places) * 1.08 + 0.1, LEFT, width - RIGHT)
    y = Scale(0, max(minutes for _, minutes in places) * 1.15 + 0.1, height - 44, 20)
    named = {"present": report.found.present} if report.found else {}
    if report.found and not report.found.refusal:
        named["recommended"] = report.found.trial
    parts = [
        *_rungs(x, y, [(value, f"{value:g}") for value in round_steps(y.first, y.last)]),
        *(_text(x.at(value), y.start + 18, f"{value:g}", "middle") for value in round_steps(x.first, x.last)),
        _text((LEFT + width) / 2, y.start + 36, "calls a week (hollow: missed an incident)", "middle"),
        _text(LEFT, 14, "minutes from the beginning of an incident to its call"),
        *(_point(trial, x, y, "dot") for trial in report.trials if id(trial) not in map(id, named.values())),
    ]
    for kind, trial in named.items():
        parts += [_point(trial, x, y, kind), _name(trial, x, y, kind)]
    return _svg(width, height, parts, "trade-off between calls and time to call", class_="trade-off")


def rows_of(episodes: Sequence[Episode], stop_ms: int) -> list[list[Episode]]:
    """Spread episodes over as few rows as it takes for none to lie on another."""
    rows: list[list[Episode]] = []
    for episode in episodes:
        row = next((row for row in rows if row[-1].until(stop_ms) < episode.start_ms), None)
        if row is None:
            rows.append(row := [])
        row.append(episode)
    return rows


def _rows(report: Report, channel: str) -> Iterator[tuple[str, list[list[Episode]]]]:
    """Give each of the settings, and its alarms on a channel in rows, at least one."""
    for side in report.sides:
        episodes = [each for each in side.episodes if each.first.channel == channel]
        few = len(episodes) <= ONE_BY_ONE
        yield side.short_name, (rows_of(episodes, report.stop_ms) or [[]]) if few else [episodes]


def _bands(trace: ChannelTrace, x: Scale, y: Scale, stop_ms: int) -> Iterator[Markup]:
    """Shade what was outside the advisory band, and darker what was outside the critical one, as it was."""
    for level, (side, edge) in product(_LEVELS, (("high", y.stop), ("low", y.start))):
        for start_ms, end_ms, limit in limit_steps(trace.bands, level, side, stop_ms):
            at = y.clipped(limit)
            if at != edge:
                yield _box(f"out {level}", x.at(start_ms), x.at(end_ms), min(at, edge), max(at, edge))


def _other_limits(report: Report, channel: str, x: Scale, y: Scale) -> Iterator[Markup]:
    for side, level, edge in product(report.sides[1:], _LEVELS, ("low", "high")):
        trace = side.trace.channels.get(channel)
        for start_ms, end_ms, limit in limit_steps(trace.bands if trace else [], level, edge, report.stop_ms):
            if y.first < limit < y.last:
                yield _across(f"other {level}", x.at(start_ms), x.at(end_ms), y.at(limit))


def _incidents(report: Report, vessel: str, x: Scale, y: Scale) -> Iterator[Markup]:
    """Frame incidents, each with its name in a row of its own where it would lie on another's."""
    rows: list[float] = []  # up to where each row is written on
    here = [mark.incident for mark in report.marks if mark.incident.vessel == vessel]
    for incident in sorted(here, key=lambda it: it.start_ms):
        left, right = x.clipped(incident.start_ms), x.clipped(incident.end_ms)
        wanted, note = ("wanted", "") if incident.call_wanted else ("unwanted", " (no call)")
        name = incident.what + note
        yield _mark("g", _mark("title", name) + _box(f"incident {wanted}", left, right, y.stop - 8, y.start))
        start = max(min(left + 2, x.stop - len(name) * _LETTER), x.start)
        row = next((at for at, end in enumerate(rows) if end < start), len(rows))
        if row < _NAME_ROWS:  # what finds no room is told by its title, and in the table
            rows[row : row + 1] = [start + len(name) * _LETTER]
            yield _text(start, y.stop - 11 if row == 0 else y.stop - 3 + row * _NAME_HEIGHT, name)


def _envelope(trace: ChannelTrace, x: Scale, y: Scale) -> Markup:
    """Draw the least and the greatest value of each column as one upright stroke."""
    strokes = []
    for column in np.flatnonzero(~np.isnan(trace.low)).tolist():
        top, bottom = y.clipped(float(trace.high[column])), y.clipped(float(trace.low[column]))
        strokes.append(f"M{_middle(column, x):.1f} {top - 0.5:.1f}V{bottom + 0.5:.1f}")
    return _mark("path", class_="water", d="".join(strokes))


def _middle(column: int, x: Scale) -> float:
    return x.start + (column + 0.5) * (x.stop - x.start) / COLUMNS


def _flags(trace: ChannelTrace, x: Scale, base: float) -> Iterator[Markup]:
    """Mark columns with flags under the plot: a triangle is suspect, a square failed; a run is a box."""
    for flag, run in groupby(enumerate(trace.flag.tolist()), lambda it: it[1]):
        columns = [column for column, _ in run]
        kind = "suspect" if flag == Flag.SUSPECT else "failed"
        left, right = _middle(columns[0], x), _middle(columns[-1], x)
        if flag and len(columns) > 3:
            yield _box(kind, left, right, base - 6, base)
        elif flag:
            yield from (_outline(kind, kind, _middle(column, x), base) for column in columns)


def _axes(channel: str, x: Scale, y: Scale, zone: tzinfo) -> Iterator[Markup]:
    quantity = quantity_of(channel)
    read = as_read(y, quantity)
    steps = round_steps(read.first, read.last)
    yield from _rungs(x, read, [(value, written(value, quantity)) for value in steps])
    for at_ms, words in time_ticks(x.first, x.last, zone):
        yield _mark("path", class_="grid", d=f"M{x.at(at_ms):.1f} {y.stop}V{y.start:.1f}")
        anchor = "middle" if x.at(at_ms) < x.stop - 20 else "end"
        yield _text(x.at(at_ms), y.start + 24, words, anchor, "when")
    yield _box("frame", x.start, x.stop, y.stop, y.start)


def _rungs(x: Scale, y: Scale, steps: Iterable[tuple[float, str]]) -> Iterator[Markup]:
    for value, words in steps:
        yield _text(x.start - 6, y.at(value) + 4, words, "end")
        yield _across("grid", x.start, x.stop, y.at(value))


def _lanes(report: Report, channel: str, x: Scale, top: float) -> Iterator[Markup]:
    """Draw alarms as bars, each with its priority's shape at its beginning, rows for each of the settings."""
    for name, rows in _rows(report, channel):
        yield _text(x.start - 6, top + 13, name, "end", "lane")
        for row in rows:
            if len(row) > ONE_BY_ONE:
                yield from _counts(row, x, top)
            for episode in row if len(row) <= ONE_BY_ONE else ():
                left, right = x.clipped(episode.start_ms), x.clipped(episode.until(report.stop_ms))
                bar = _box("bar", left, max(right, left + 2), top + 5, top + 13)
                shape = _text(left, top + 13, SHAPES[episode.priority], "middle")
                title = _mark("title", _told(episode))
                yield _mark("g", title + bar + shape, class_=f"alarm {episode.priority.word}")
            top += LANE_HEIGHT
        top += 2


def _counts(episodes: Sequence[Episode], x: Scale, top: float) -> Iterator[Markup]:
    """Draw how many alarms were raised in each of equal stretches, with the worst of them."""
    width = (x.stop - x.start) / _STRETCHES
    places = [min(int((x.clipped(it.start_ms) - x.start) / width), _STRETCHES - 1) for it in episodes]
    for place in sorted(set(places)):
        here = [it.priority for it, where in zip(episodes, places, strict=True) if where == place]
        left = x.start + place * width
        box = _box("bar", left + 0.5, left + width - 0.5, top + 2, top + 13)
        number = _text(left + width / 2, top + 11, f"{len(here)}", "middle", "count")
        title = _mark("title", f"{len(here)} alarms, up to {max(here).word}")
        yield _mark("g", title + box + number, class_=f"alarm {max(here).word}")


def _told(episode: Episode) -> str:
    since = datetime.fromtimestamp(episode.start_ms / 1000, UTC)
    length = timedelta(seconds=(episode.until(0) - episode.start_ms) // 1000)
    lasted = "still standing" if episode.end_ms is None else length
    return f"{episode.alarm} ({episode.priority.word}) from {since:%Y-%m-%d %H:%M} UTC, {lasted}"


def _place(trial: Trial) -> tuple[float, float]:
    return trial.score.per_week(trial.score.calls), trial.score.typical_wait_ms / MINUTE_MS


def _point(trial: Trial, x: Scale, y: Scale, kind: str) -> Markup:
    score, (calls, minutes) = trial.score, _place(trial)
    words = f"{calls:.1f} calls a week, {score.missed} of {len(score.found)} missed"
    missed = "missed" if score.missed else "caught"
    return _outline(kind, f"trial {kind} {missed}", x.at(calls), y.at(minutes), _mark("title", words))


def _name(trial: Trial, x: Scale, y: Scale, word: str) -> Markup:
    missed = f", {trial.score.missed} missed" if trial.score.missed else ""
    calls, minutes = _place(trial)
    aside, anchor = (-11, "end") if x.at(calls) > x.stop * 0.8 else (11, "start")
    return _text(x.at(calls) + aside, y.at(minutes) + 4, word + missed, anchor, "named")


def _svg(width: float, height: float, parts: Iterable[Markup], label: str, **attributes: str) -> Markup:
    box = f"0 0 {width:.0f} {height:.0f}"
    return _mark("svg", Markup("").join(parts), viewBox=box, role="img", aria_label=label, **attributes)


def _box(kind: str, left: float, right: float, top: float, bottom: float) -> Markup:
    """Draw a box, never so narrow that it cannot be seen."""
    return _mark("rect", class_=kind, x=left, y=top, width=max(right - left, 1.0), height=bottom - top)


def _across(kind: str, left: float, right: float, height: float) -> Markup:
    return _mark("path", class_=kind, d=f"M{left:.1f} {height:.1f}H{right:.1f}")


def _outline(shape: str, kind: str, x: float, y: float, title: str = "") -> Markup:
    return _mark("path", title, class_=kind, d=f"M{x:.1f} {y:.1f}{_OUTLINES[shape]}")


def _text(x: float, y: float, words: str, anchor: str = "start", kind: str = "") -> Markup:
    return _mark("text", words, class_=kind, x=x, y=y, text_anchor=anchor)


def _mark(element: str, inside: str = "", **attributes: str | float) -> Markup:
    """Write an element with numbers to a tenth; what is not markup yet is escaped."""
    words = {key: value if isinstance(value, str) else f"{value:.1f}" for key, value in attributes.items()}
    names = {key: key.rstrip("_").replace("_", "-") for key in words}
    written = Markup("").join(Markup(' {}="{}"').format(names[key], words[key]) for key in words)
    return Markup("<{0}{1}>{2}</{0}>").format(element, written, inside)
