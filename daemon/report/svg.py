"""Drawings of a report as SVG text: traces with bands, flags, alarms and incidents; the trade-off."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from html import escape
from itertools import product

import numpy as np

from daemon.report.report import Report
from daemon.report.scale import Scale, limit_steps, round_steps, time_ticks, value_range
from daemon.report.trace import COLUMNS, ChannelTrace
from daemon.tune.words import MINUTE_MS
from daemon.words import SHAPES, amount, quantity_of
from rules.alarms.episodes import Episode
from rules.quality.flags import Flag
from rules.tuning.scoring import Score

WIDTH, LEFT, RIGHT = 1000, 62, 12
PLOT_TOP, PLOT_HEIGHT = 26, 150
LANE_HEIGHT = 14


def channel_svg(report: Report, channel: str) -> str:
    """Return the drawing of one channel: its trace under the first settings, alarms of all, incidents."""
    trace = report.sides[0].trace.channels[channel]
    low, high = value_range(trace)
    x = Scale(report.start_ms, report.stop_ms, LEFT, WIDTH - RIGHT)
    y = Scale(low, high, PLOT_TOP + PLOT_HEIGHT, PLOT_TOP)
    parts = [
        *_bands(trace, x, y, report.stop_ms),
        *_other_limits(report, channel, x, y),
        *_incidents(report, trace.vessel, x),
        _envelope(trace, y),
        *_flags(trace),
        *_axes(channel, x, y, report.zone),
    ]
    top = PLOT_TOP + PLOT_HEIGHT + 30.0
    for side in report.sides:
        rows = rows_of([each for each in side.episodes if each.first.channel == channel], report.stop_ms)
        parts.append(_text(LEFT - 6, top + 13, side.short_name, "end", "lane"))
        for number, row in enumerate(rows):
            parts += _lane(row, x, top + number * LANE_HEIGHT, report.stop_ms)
        top += LANE_HEIGHT * max(1, len(rows)) + 2
    return _svg(top + 4, parts, f"trace of {channel}", f'class="trace" data-channel="{escape(channel)}"')


def trade_off_svg(report: Report) -> str:
    """Return pages per week against minutes to page; a filled mark missed nothing."""
    scores = [trial.score for trial in report.trials]
    x = Scale(0, max(score.per_week(score.pages) for score in scores) * 1.08 + 0.1, LEFT, WIDTH - RIGHT)
    y = Scale(0, max(score.typical_wait_ms for score in scores) / MINUTE_MS * 1.15 + 0.1, 260, 20)
    parts = []
    for value in round_steps(x.first, x.last):
        parts.append(_text(x.at(value), 278, f"{value:g}", "middle"))
    for value in round_steps(y.first, y.last):
        parts.append(_text(LEFT - 6, y.at(value) + 4, f"{value:g}", "end"))
        parts.append(f'<path class="grid" d="M{LEFT} {y.at(value):.1f}H{WIDTH - RIGHT}"/>')
    parts.append(_text((LEFT + WIDTH) / 2, 296, "pages a week", "middle"))
    parts.append(_text(LEFT, 14, "minutes from the beginning of an incident to its page", "start"))
    found = report.found
    for trial in report.trials:
        named = found is not None and (trial is found.present or (trial is found.trial and not found.refusal))
        if not named:
            parts.append(_point(trial.score, x, y, "dot"))
    if found is not None:
        parts += [_point(found.present.score, x, y, "present"), _word(found.present.score, x, y, "present")]
        if not found.refusal:
            parts += [
                _point(found.trial.score, x, y, "chosen"),
                _word(found.trial.score, x, y, "recommended"),
            ]
    return _svg(304, parts, "trade-off between pages and time to page", 'class="trade-off"')


def _svg(height: float, parts: Iterable[str], label: str, attributes: str) -> str:
    head = f'<svg viewBox="0 0 {WIDTH} {height:.0f}" role="img" aria-label="{escape(label)}" {attributes}>'
    return head + "".join(parts) + "</svg>"


def _bands(trace: ChannelTrace, x: Scale, y: Scale, stop_ms: int) -> Iterator[str]:
    """Shade what was outside the advisory band, and darker what was outside the critical one, as it was."""
    for level in ("advisory", "critical"):
        for side, edge in (("high", y.stop), ("low", y.start)):
            for start_ms, end_ms, limit in limit_steps(trace.bands, level, side, stop_ms):
                at = y.clipped(limit)
                top, bottom = min(at, edge), max(at, edge)
                if bottom - top > 0:
                    left, right = x.at(start_ms), x.at(end_ms)
                    yield (
                        f'<rect class="out {level}" x="{left:.1f}" y="{top:.1f}" '
                        f'width="{max(right - left, 0.5):.1f}" height="{bottom - top:.1f}"/>'
                    )


def _other_limits(report: Report, channel: str, x: Scale, y: Scale) -> Iterator[str]:
    """Draw the limits under the other settings as dashed lines."""
    for side in report.sides[1:]:
        trace = side.trace.channels.get(channel)
        for level, edge in product(("advisory", "critical"), ("low", "high")):
            for start_ms, end_ms, limit in limit_steps(
                trace.bands if trace else [], level, edge, report.stop_ms
            ):
                if y.first < limit < y.last:
                    left, right = x.at(start_ms), x.at(end_ms)
                    yield f'<path class="other {level}" d="M{left:.1f} {y.at(limit):.1f}H{right:.1f}"/>'


def _envelope(trace: ChannelTrace, y: Scale) -> str:
    """Draw the least and the greatest value of each column as one upright stroke."""
    step = (WIDTH - RIGHT - LEFT) / COLUMNS
    strokes = []
    for column in np.flatnonzero(~np.isnan(trace.low)).tolist():
        top, bottom = y.clipped(float(trace.high[column])), y.clipped(float(trace.low[column]))
        strokes.append(f"M{LEFT + (column + 0.5) * step:.1f} {top - 0.5:.1f}V{bottom + 0.5:.1f}")
    return f'<path class="water" d="{"".join(strokes)}"/>'


def _flags(trace: ChannelTrace) -> Iterator[str]:
    """Mark columns with flags under the plot: a hollow triangle is suspect, a square failed."""
    step = (WIDTH - RIGHT - LEFT) / COLUMNS
    base = PLOT_TOP + PLOT_HEIGHT + 10
    for column in np.flatnonzero(trace.flag).tolist():
        left = LEFT + (column + 0.5) * step
        if trace.flag[column] == Flag.SUSPECT:
            yield f'<path class="suspect" d="M{left - 3:.1f} {base}h6l-3 -6z"/>'
        else:
            yield f'<rect class="failed" x="{left - 2.5:.1f}" y="{base - 6}" width="5" height="6"/>'


def _incidents(report: Report, vessel: str, x: Scale) -> Iterator[str]:
    for mark in report.marks:
        incident = mark.incident
        if incident.vessel != vessel:
            continue
        left, right = x.clipped(incident.start_ms), x.clipped(incident.end_ms)
        wanted = "wanted" if incident.page_wanted else "unwanted"
        yield (
            f'<rect class="incident {wanted}" x="{left:.1f}" y="{PLOT_TOP - 8}" '
            f'width="{max(right - left, 1):.1f}" height="{PLOT_HEIGHT + 8}"/>'
        )
        yield _text(left + 2, PLOT_TOP - 11, f"{incident.what}{'' if incident.page_wanted else ' (no page)'}")


def _axes(channel: str, x: Scale, y: Scale, zone: tzinfo) -> Iterator[str]:
    quantity = quantity_of(channel)
    for value in round_steps(y.first, y.last):
        yield _text(LEFT - 6, y.at(value) + 4, amount(value, quantity).split(" ")[0], "end")
        yield f'<path class="grid" d="M{LEFT} {y.at(value):.1f}H{WIDTH - RIGHT}"/>'
    for at_ms, words in time_ticks(x.first, x.last, zone):
        yield f'<path class="grid" d="M{x.at(at_ms):.1f} {PLOT_TOP}v{PLOT_HEIGHT}"/>'
        anchor = "middle" if x.at(at_ms) < WIDTH - RIGHT - 20 else "end"
        yield _text(x.at(at_ms), PLOT_TOP + PLOT_HEIGHT + 24, words, anchor, "when")
    size = f'width="{WIDTH - RIGHT - LEFT}" height="{PLOT_HEIGHT}"'
    yield f'<rect class="frame" x="{LEFT}" y="{PLOT_TOP}" {size}/>'


def rows_of(episodes: Sequence[Episode], stop_ms: int) -> list[list[Episode]]:
    """Spread episodes over as few rows as it takes for none to lie on another."""
    rows: list[list[Episode]] = []
    for episode in episodes:
        free = (row for row in rows if row[-1].until(stop_ms) < episode.start_ms)
        row = next(free, None)
        if row is None:
            rows.append([episode])
        else:
            row.append(episode)
    return rows


def _lane(episodes: Iterable[Episode], x: Scale, top: float, stop_ms: int) -> Iterator[str]:
    """Draw alarms as bars, each with its priority's shape at its beginning."""
    for episode in episodes:
        left, right = x.clipped(episode.start_ms), x.clipped(episode.until(stop_ms))
        yield (
            f'<g class="alarm {episode.priority.word}"><title>{escape(_told(episode))}</title>'
            f'<rect x="{left:.1f}" y="{top + 5:.1f}" width="{max(right - left, 2):.1f}" height="8"/>'
            f'<text x="{left:.1f}" y="{top + 13:.1f}" text-anchor="middle">'
            f"{SHAPES[episode.priority]}</text></g>"
        )


def _told(episode: Episode) -> str:
    since = datetime.fromtimestamp(episode.start_ms / 1000, UTC)
    minutes = "still standing" if episode.end_ms is None else _length(episode)
    return f"{episode.alarm} ({episode.priority.word}) from {since:%Y-%m-%d %H:%M} UTC, {minutes}"


def _length(episode: Episode) -> str:
    return str(timedelta(milliseconds=episode.until(0) - episode.start_ms)).split(".")[0]


def _point(score: Score, x: Scale, y: Scale, kind: str) -> str:
    across, up = x.at(score.per_week(score.pages)), y.at(score.typical_wait_ms / MINUTE_MS)
    missed = "missed" if score.missed else "caught"
    shape = {
        "dot": f'<circle cx="{across:.1f}" cy="{up:.1f}" r="4"',
        "present": f'<path d="M{across - 7:.1f} {up + 6:.1f}h14l-7 -13z"',
        "chosen": f'<rect x="{across - 6:.1f}" y="{up - 6:.1f}" width="12" height="12"',
    }[kind]
    words = f"{score.per_week(score.pages):.1f} pages a week, {score.missed} of {len(score.found)} missed"
    return f'<g class="trial {kind} {missed}"><title>{words}</title>{shape}/></g>'


def _word(score: Score, x: Scale, y: Scale, word: str) -> str:
    missed = f", {score.missed} missed" if score.missed else ""
    across, up = x.at(score.per_week(score.pages)), y.at(score.typical_wait_ms / MINUTE_MS)
    anchor = "end" if across > WIDTH * 0.8 else "start"
    return _text(across + (-11 if anchor == "end" else 11), up + 4, word + missed, anchor, "named")


def _text(x: float, y: float, words: str, anchor: str = "start", kind: str = "") -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def drawings(report: Report) -> Sequence[tuple[str, str]]:
    """Return every channel's name and drawing."""
    return [(channel, channel_svg(report, channel)) for channel in report.channels]
