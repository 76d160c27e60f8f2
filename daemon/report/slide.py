"""The report as a picture for a slide: the drawings of its page, beside and under each other."""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fontpkg_source_sans_3
from resvg_py import svg_to_bytes

from daemon.as_read import shown_unit
from daemon.replay.words import moment
from daemon.report.markup import templates
from daemon.report.report import Report
from daemon.report.svg import PLOT_TOP, channel_svg, room_under, trade_off_svg
from daemon.words import quantity_of

PIXELS_ACROSS = 1920
WIDTH, HEIGHT = 1200, 675
"""16 to 9, in the units of the drawings, so that their letters can be read from afar."""
MOST_CHANNELS = 6
"""More channels than this cannot be read on a slide: those with the most alarms are drawn."""
MOST_IN_A_COLUMN = 3
LEAST_PLOT_HEIGHT = 40
_TITLE_HEIGHT, _NAME_HEIGHT = 44, 8


def png(report: Report) -> bytes:
    """Return the picture."""
    fonts = [str(fontpkg_source_sans_3.ROOT)]
    return svg_to_bytes(svg_string=slide(report), width=PIXELS_ACROSS, font_dirs=fonts)


def slide(report: Report) -> str:
    """Return the picture as SVG."""
    span = f"{moment(report.start_ms, report.zone)} to {moment(report.stop_ms, report.zone)}"
    title = [
        f"{Path(report.source).name}, {span}{'' if report.complete else ', PARTIAL'}",
        ", ".join(f"{side.name}: {side.calls} calls" for side in report.sides),
    ]
    return templates.get_template("slide.svg").render(
        width=WIDTH, height=HEIGHT, title=title, cells=list(_cells(report))
    )


def _cells(report: Report) -> Iterator[dict[str, Any]]:
    """Give the name of each drawing, the drawing, and the place that it is fitted into."""
    alarms = Counter(each.first.channel for side in report.sides for each in side.episodes)
    loudest = sorted(report.channels, key=lambda channel: -alarms[channel])[:MOST_CHANNELS]
    channels = [channel for channel in report.channels if channel in loudest]
    count = len(channels) + (report.found is not None)
    columns = 1 if count <= MOST_IN_A_COLUMN else 2
    rows = max(-(-count // columns), 1)
    width, height = WIDTH / columns, (HEIGHT - _TITLE_HEIGHT) / rows
    for place, channel in enumerate([*channels, None][:count]):
        room = height - _NAME_HEIGHT
        if channel is None:
            name, drawing = "", trade_off_svg(report, width, room)
        else:
            plot_height = max(room - PLOT_TOP - room_under(report, channel), LEAST_PLOT_HEIGHT)
            name = f"{channel} {shown_unit(quantity_of(channel))}"
            drawing = channel_svg(report, channel, width, plot_height)
        left, top = place // rows * width, _TITLE_HEIGHT + place % rows * height
        yield {"name": name, "drawing": drawing, "left": left, "top": top, "width": width, "height": room}
