"""The report as a picture for a slide: the traces with bands, flags, alarms, incidents, the trade-off."""

from collections.abc import Iterable, Sequence
from itertools import product
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from daemon.errors import SourceError
from daemon.replay.words import moment
from daemon.report.report import Report, Side
from daemon.report.scale import limit_steps, round_steps, time_ticks, value_range
from daemon.report.trace import COLUMNS, ChannelTrace
from daemon.tune.words import MINUTE_MS
from daemon.words import quantity_of
from rules.alarms.life_cycle import Priority
from rules.quality.flags import Flag
from rules.quantities import unit_of

MOST_CHANNELS = 6
"""More channels than this cannot be read on a slide: those with the most alarms are drawn."""

_INK, _SOFT, _WATER = "#1c2a33", "#5c6b75", "#1f6f8b"
_BANDS = {"advisory": "#f3ecd2", "critical": "#eecfca"}
_COLOURS = {
    Priority.LOW: "#4a6274",
    Priority.MEDIUM: "#7a6200",
    Priority.HIGH: "#b04a00",
    Priority.CRITICAL: "#a3161f",
}
_MARKERS = {Priority.LOW: ".", Priority.MEDIUM: "^", Priority.HIGH: "D", Priority.CRITICAL: "s"}
Axes = Any


def write_png(path: Path, report: Report) -> None:
    """Write the picture, 16 to 9; SourceError where the file cannot be written."""
    channels = _loudest(report)
    plots = len(channels) + (report.found is not None)
    figure = Figure(figsize=(16, 9), dpi=120, layout="constrained")
    FigureCanvasAgg(figure)
    with mpl.rc_context({"font.size": 11, "axes.edgecolor": _SOFT, "text.color": _INK}):
        axes = figure.subplots(max(plots, 1), 1, squeeze=False)[:, 0]
        for axis, channel in zip(axes, channels, strict=False):
            _draw_channel(axis, report, channel)
        if report.found is not None:
            _draw_trade_off(axes[-1], report)
        figure.suptitle(_title(report), fontsize=14)
        try:
            figure.savefig(path, format="png")
        except OSError as error:
            raise SourceError(f"{path}: {error.strerror}; expected a file that can be written") from error


def _title(report: Report) -> str:
    span = f"{moment(report.start_ms, report.zone)} to {moment(report.stop_ms, report.zone)}"
    pages = ", ".join(f"{side.name}: {side.pages} pages" for side in report.sides)
    partial = "" if report.complete else "  PARTIAL"
    return f"{Path(report.source).name}  {span}{partial}\n{pages}"


def _loudest(report: Report) -> Sequence[str]:
    def alarms(channel: str) -> int:
        return sum(each.first.channel == channel for side in report.sides for each in side.episodes)

    chosen = sorted(report.channels, key=lambda channel: -alarms(channel))[:MOST_CHANNELS]
    return [channel for channel in report.channels if channel in chosen]


def _draw_channel(axis: Axes, report: Report, channel: str) -> None:
    trace = report.sides[0].trace.channels[channel]
    low, high = value_range(trace)
    room = 0.16 * (high - low) * len(report.sides)
    edges = np.linspace(report.start_ms, report.stop_ms, COLUMNS + 1)
    middle = (edges[:-1] + edges[1:]) / 2
    for level, colour in _BANDS.items():
        for edge, border in (("high", high), ("low", low)):
            for start_ms, end_ms, limit in limit_steps(trace.bands, level, edge, report.stop_ms):
                if low < limit < high:
                    axis.fill_between([start_ms, end_ms], limit, border, color=colour, linewidth=0)
    for other in report.sides[1:]:
        beside = other.trace.channels.get(channel)
        for level, edge in product(_BANDS, ("low", "high")):
            steps = limit_steps(beside.bands if beside else [], level, edge, report.stop_ms)
            axis.hlines(*_dashes(steps, low, high), color=_SOFT, ls="--", lw=1)
    _shade_incidents(axis, report, trace)
    axis.vlines(middle, np.clip(trace.low, low, high), np.clip(trace.high, low, high), color=_WATER, lw=1.2)
    axis.plot(middle, np.clip(trace.low, low, high), color=_WATER, lw=0.8)
    for flag, marker in ((Flag.SUSPECT, "^"), (Flag.FAIL, "s")):
        here = middle[trace.flag == flag]
        axis.plot(here, np.full(here.size, low), marker, color=_COLOURS[Priority.MEDIUM], ms=4, mfc="none")
    for number, side in enumerate(report.sides):
        _draw_alarms(axis, side, channel, low - (number + 0.6) * room / len(report.sides), report.stop_ms)
    axis.set_ylim(low - room, high)
    axis.set_yticks(round_steps(low, high))
    axis.set_xlim(report.start_ms, report.stop_ms)
    unit = unit_of(quantity_of(channel))
    axis.set_ylabel(f"{channel}\n{unit}", rotation=0, ha="right", va="center", fontsize=10)
    ticks = time_ticks(report.start_ms, report.stop_ms, report.zone)
    axis.set_xticks([at_ms for at_ms, _ in ticks], [words for _, words in ticks])


def _dashes(
    steps: Iterable[tuple[int, int, float]], low: float, high: float
) -> tuple[list[float], list[int], list[int]]:
    kept = [step for step in steps if low < step[2] < high]
    return [limit for _, _, limit in kept], [start for start, _, _ in kept], [end for _, end, _ in kept]


def _shade_incidents(axis: Axes, report: Report, trace: ChannelTrace) -> None:
    for mark in report.marks:
        if mark.incident.vessel == trace.vessel:
            style = "-" if mark.incident.page_wanted else "--"
            axis.axvspan(
                mark.incident.start_ms, mark.incident.end_ms, fc="#7f8fa633", ec=_INK, ls=style, lw=1.2
            )


def _draw_alarms(axis: Axes, side: Side, channel: str, height: float, stop_ms: int) -> None:
    axis.annotate(
        side.short_name,
        (1.002, height),
        xycoords=("axes fraction", "data"),
        va="center",
        fontsize=9,
        color=_SOFT,
    )
    for episode in side.episodes:
        if episode.first.channel != channel:
            continue
        colour = _COLOURS[episode.priority]
        axis.hlines(height, episode.start_ms, episode.until(stop_ms), color=colour, lw=5)
        axis.plot(episode.start_ms, height, _MARKERS[episode.priority], color=colour, ms=9, mec=_INK)


def _draw_trade_off(axis: Axes, report: Report) -> None:
    found = report.found
    for trial in report.trials:
        score = trial.score
        axis.plot(
            score.per_week(score.pages),
            score.typical_wait_ms / MINUTE_MS,
            "o",
            color=_WATER if not score.missed else _COLOURS[Priority.CRITICAL],
            mfc=_WATER if not score.missed else "none",
            alpha=0.6,
        )
    named = [] if found is None else [("present", found.present, "^")]
    if found is not None and not found.refusal:
        named.append(("recommended", found.trial, "s"))
    for word, trial, marker in named:
        place = trial.score.per_week(trial.score.pages), trial.score.typical_wait_ms / MINUTE_MS
        axis.plot(*place, marker, color=_INK, ms=11)
        axis.annotate(word, place, xytext=(10, 4), textcoords="offset points", fontweight="bold")
    axis.set_xlabel("pages a week (hollow: missed an incident)")
    axis.set_ylabel("minutes\nto page", rotation=0, ha="right", va="center")
    axis.margins(0.08, 0.25)
