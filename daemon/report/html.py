"""The report as one HTML file: nothing in it is loaded from anywhere else."""

import math
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from daemon.errors import SourceError
from daemon.replay.words import moment
from daemon.report import tables
from daemon.report.markup import templates
from daemon.report.report import Report
from daemon.report.svg import LEFT, PLOT_HEIGHT, PLOT_TOP, RIGHT, WIDTH, channel_svg, trade_off_svg
from daemon.tune.words import reasons
from daemon.words import SHAPES, quantity_of
from rules.quantities import unit_of

_DIGITS = 5


def write_html(path: Path, report: Report) -> None:
    """Write the page; SourceError where the file cannot be written."""
    try:
        path.write_text(page(report), encoding="utf-8")
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; expected a file that can be written") from error


def page(report: Report) -> str:
    """Return the whole page."""
    span = f"{moment(report.start_ms, report.zone)} to {moment(report.stop_ms, report.zone)}"
    return templates.get_template("page.html").render(
        report=report,
        name=Path(report.source).name,
        span=f"{span} ({report.zone})",
        stopped=moment(report.sides[0].result.until_ms, report.zone),
        shapes=SHAPES,
        drawings={channel: channel_svg(report, channel) for channel in report.channels},
        changes=tables.changes_table(report),
        incidents=tables.incidents_table(report),
        alarms=tables.alarms_table(report),
        weeks=[
            (side.name, tables.measures_table(report, side), tables.offenders_table(report, side))
            for side in report.sides
        ],
        flags=tables.flags_table(report),
        data=_data(report),
        **_tuning(report),
    )


def _tuning(report: Report) -> dict[str, Any]:
    found = report.found
    if found is None:
        return {}
    refused = [f"No recommendation: {found.refusal}."]
    return {
        "reasons": refused if found.refusal else reasons(found, report.page_within_min),
        "trade_off": trade_off_svg(report),
        "trials": tables.trials_table(report, found),
    }


def _data(report: Report) -> dict[str, Any]:
    """Return what the page's script needs."""
    traces = report.sides[0].trace.channels
    return {
        "zone": str(report.zone),
        "start": report.start_ms,
        "stop": report.stop_ms,
        "width": WIDTH,
        "left": LEFT,
        "right": RIGHT,
        "top": PLOT_TOP,
        "height": PLOT_HEIGHT,
        "channels": {
            channel: {
                "unit": unit_of(quantity_of(channel)),
                "low": _numbers(traces[channel].low),
                "high": _numbers(traces[channel].high),
                "flag": traces[channel].flag.tolist(),
            }
            for channel in report.channels
        },
    }


def _numbers(values: NDArray[Any]) -> list[float | None]:
    return [None if math.isnan(value) else float(f"{value:.{_DIGITS}g}") for value in values.tolist()]
