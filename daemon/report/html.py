"""The report as one HTML file: nothing in it is loaded from anywhere else."""

import json
import math
from collections.abc import Iterable, Iterator
from html import escape
from pathlib import Path
from typing import Any

from daemon.errors import SourceError
from daemon.replay.words import moment
from daemon.report.report import Report
from daemon.report.svg import (
    LEFT,
    PLOT_HEIGHT,
    PLOT_TOP,
    RIGHT,
    WIDTH,
    drawings,
    trade_off_svg,
)
from daemon.report.tables import (
    alarms_table,
    changes_table,
    flags_table,
    incidents_table,
    measures_table,
    offenders_table,
    trials_table,
)
from daemon.report.trace import ChannelTrace
from daemon.tune.words import reasons
from daemon.words import SHAPES, quantity_of
from rules.alarms.life_cycle import Priority
from rules.quantities import unit_of

_TEMPLATE = Path(__file__).with_name("page.html")
_DIGITS = 5


def write_html(path: Path, report: Report) -> None:
    """Write the page; SourceError where the file cannot be written."""
    try:
        path.write_text(page(report), encoding="utf-8")
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; expected a file that can be written") from error


def page(report: Report) -> str:
    """Return the whole page."""
    title = f"bellwatch: {Path(report.source).name}, {' against '.join(side.name for side in report.sides)}"
    text = _TEMPLATE.read_text(encoding="utf-8")
    pieces = {"title": escape(title), "body": "\n".join(_body(report)), "data": _data(report)}
    before, *rest = text.split("{{")
    return before + "".join(
        pieces[name] + after for name, _, after in (piece.partition("}}") for piece in rest)
    )


def _body(report: Report) -> Iterator[str]:
    yield from _head(report)
    if report.found is not None:
        yield from _tuning(report)
    yield "<h2>Traces</h2>"
    yield _key()
    for channel, drawing in drawings(report):
        yield f'<h3>{escape(channel)}</h3>{drawing}<p class="readout" aria-live="polite"></p>'
    if not report.channels:
        yield "<p>No channel raised an alarm in this time.</p>"
    if len(report.sides) > 1:
        yield f"<h2>What differs</h2>{changes_table(report)}"
    if report.marks:
        yield f"<h2>Incidents</h2>{incidents_table(report)}"
    yield f"<h2>Alarms</h2>{alarms_table(report)}"
    yield "<h2>Alarm measures by week</h2>"
    yield (
        '<p class="soft">The measures of IEC 62682 / ANSI/ISA-18.2. Their reference values are per operator '
        "of a staffed console and from memory; people who sleep need far fewer.</p>"
    )
    for side in report.sides:
        yield f"<h3>{escape(side.name)}</h3>{measures_table(report, side)}"
        yield f"<h3>Worst offenders first, {escape(side.name)}</h3>{offenders_table(report, side)}"
    yield f"<h2>Quality flags</h2>{flags_table(report)}"


def _head(report: Report) -> Iterator[str]:
    yield f"<h1>{escape(Path(report.source).name)}</h1>"
    span = f"{moment(report.start_ms, report.zone)} to {moment(report.stop_ms, report.zone)} ({report.zone})"
    result = report.sides[0].result
    yield f'<p class="soft">{span}; {result.readings} readings replayed.</p>'
    for side in report.sides:
        yield f"<p><b>{escape(side.name)}</b>: {len(side.episodes)} alarms, {side.pages} pages.</p>"
    if not report.complete:
        until = moment(result.until_ms, report.zone)
        yield f'<p class="partial">PARTIAL: somebody stopped the replay at {until}.</p>'
    for note in report.notes:
        yield f'<p class="soft">{escape(note)}</p>'


def _tuning(report: Report) -> Iterator[str]:
    found = report.found
    if found is None:
        return
    yield "<h2>The trade-off</h2>"
    lines = (
        [f"No recommendation: {found.refusal}."] if found.refusal else reasons(found, report.page_within_min)
    )
    for line in lines:
        yield f"<p>{escape(line)}</p>"
    yield trade_off_svg(report)
    yield (
        '<p class="key soft"><span>● one choice of settings</span><span>▲ present</span>'
        "<span>■ recommended</span><span>hollow and red: missed an incident</span></p>"
    )
    yield trials_table(report)


def _key() -> str:
    ranks = "".join(
        f'<span class="p-{rank.word}">{SHAPES[rank]} {rank.word}</span>' for rank in reversed(Priority)
    )
    return (
        f'<p class="key soft">Alarms, one line for each of the settings: {ranks} Flags: '
        "<span>△ suspect</span><span>■ failed or missing</span> Shaded: <span>outside the advisory band"
        "</span><span>darker: outside the critical band</span> "
        "Dashed lines: <span>limits of the other settings</span> "
        "Framed: <span>an incident that wanted a page</span><span>dashed: one that did not</span></p>"
    )


def _data(report: Report) -> str:
    """Return what the page's script needs, safe inside a script element."""
    traces = report.sides[0].trace.channels
    data = {
        "zone": str(report.zone),
        "start": report.start_ms,
        "stop": report.stop_ms,
        "width": WIDTH,
        "left": LEFT,
        "right": RIGHT,
        "top": PLOT_TOP,
        "height": PLOT_HEIGHT,
        "channels": {channel: _columns(channel, traces[channel]) for channel in report.channels},
    }
    return json.dumps(data, ensure_ascii=False, allow_nan=False).replace("<", "\\u003c")


def _columns(channel: str, trace: ChannelTrace) -> dict[str, Any]:
    return {
        "unit": unit_of(quantity_of(channel)),
        "low": _numbers(trace.low.tolist()),
        "high": _numbers(trace.high.tolist()),
        "flag": trace.flag.tolist(),
    }


def _numbers(values: Iterable[float]) -> list[float | None]:
    return [None if math.isnan(value) else float(f"{value:.{_DIGITS}g}") for value in values]
