"""The report as one HTML file: nothing in it is loaded from anywhere else."""

import math
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from daemon.as_read import shown, shown_unit
from daemon.replay.words import moment
from daemon.report import tables
from daemon.report.markup import templates
from daemon.report.report import Report
from daemon.report.svg import LEFT, PLOT_HEIGHT, PLOT_TOP, RIGHT, WIDTH, channel_svg, trade_off_svg
from daemon.report.trace import COLUMNS
from daemon.tune.words import trial_columns
from daemon.web.look import page_of
from daemon.words import SHAPES, quantity_of
from rules.alarms.measures import REFERENCE
from rules.quality.flags import Flag
from rules.quantities import Quantity

_DIGITS = 5


def page(report: Report) -> str:
    """Return the whole page."""
    span = f"{moment(report.start_ms, report.zone)} to {moment(report.stop_ms, report.zone)}"
    return templates.get_template("page.html").render(
        report=report,
        name=Path(report.source).name,
        span=f"{span} ({report.zone})",
        stopped=moment(report.sides[0].result.until_ms, report.zone),
        temperatures_in=shown_unit(Quantity.TEMPERATURE),
        shapes=SHAPES,
        drawings={channel: channel_svg(report, channel) for channel in report.channels},
        changes=tables.change_rows(report),
        called=[f"call under {side.name}" for side in report.sides],
        incidents=tables.incident_rows(report),
        alarms=tables.alarm_rows(report),
        entries=tables.entry_rows(report),
        measures=[*REFERENCE],
        weeks=[
            (side.name, tables.measure_rows(report, side), tables.offender_rows(report, side))
            for side in report.sides
        ],
        flags=tables.flag_rows(report),
        flag_names=[flag.name.lower().replace("_", " ") for flag in Flag],
        data=_data(report),
        zoom=page_of("zoom.js"),
        columns=COLUMNS,
        **_tuning(report),
    )


def _tuning(report: Report) -> dict[str, Any]:
    found = report.found
    if found is None:
        return {}
    return {
        "reasons": report.reasons,
        "trade_off": trade_off_svg(report),
        "trials": tables.trial_rows(report, found),
        "trial_columns": trial_columns(),
    }


def _data(report: Report) -> dict[str, Any]:
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
                "unit": shown_unit(quantity_of(channel)),
                "low": _numbers(traces[channel].low, quantity_of(channel)),
                "high": _numbers(traces[channel].high, quantity_of(channel)),
                "flag": traces[channel].flag.tolist(),
            }
            for channel in report.channels
        },
    }


def _numbers(values: NDArray[Any], quantity: str) -> list[float | None]:
    read = [shown(value, quantity) for value in values.tolist()]
    return [None if math.isnan(value) else float(f"{value:.{_DIGITS}g}") for value in read]
