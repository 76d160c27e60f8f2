"""A page in words, for one text message: what, where, how bad, since when, trend, what to check first."""

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo

from daemon.oncall.response_notes import note_for
from daemon.oncall.text_message import one_message, plain
from rules.calling.reports import (
    BROKER_LOST,
    MENTIONED,
    RACK_SILENT,
    RACK_STOPPED,
    Page,
    PageKind,
    Report,
    Stand,
)
from rules.quantities import Quantity

_DAY_MS = 86_400_000
_VESSELS_NAMED = 3
_DECIMALS = {Quantity.OXYGEN_SATURATION: 1, Quantity.AIR_PRESSURE: 1}
_OF_A_RACK = {
    RACK_SILENT: "rack silent, its water is not watched",
    RACK_STOPPED: "rack stopped on purpose",
    BROKER_LOST: "broker not reached, no rack can be heard",
}


def page_text(page: Page, notes: Mapping[str, str], zone: tzinfo) -> str:
    """Return the words of a page; they end with the number that people acknowledge it by."""
    first = page.about[0]
    last = f"#{page.id}"
    if page.kind is PageKind.ALARM:
        must = f"{page.priority.word.upper()} {_where(page.about)}: {_what(first)}{_how(first, zone)}"
        since = f", since {_clock(first.since_ms, page.at_ms, zone)}."
        return one_message(must + since, note_for(first, notes), last)
    if page.kind is PageKind.RETURNED:
        since = f"since {_clock(first.since_ms, page.at_ms, zone)}"
        return one_message(f"OVER {_where(page.about)}: {_what(first)} is over, {since}.", "", last)
    return one_message(*_summary(page), last)


def page_title(page: Page) -> str:
    """Return a title, for channels that have one beside the text."""
    racks = sorted({report.rack for report in page.about})
    return plain(f"bellwatch {page.kind} {page.priority.word} {' '.join(racks)}")


def _summary(page: Page) -> tuple[str, str]:
    parts = [
        f"{_where((report,))} {_what(report)}{' over' if _is_over(report) else ''}" for report in page.about
    ]
    count = len(page.about) + page.more
    if page.kind is PageKind.DIGEST:
        return f"Digest, {count}:", "; ".join(parts)
    return f"{page.priority.word.upper()} {count} more alarms at once:", "; ".join(parts)


def _is_over(report: Report) -> bool:
    return report.trigger != MENTIONED and report.stand is Stand.OVER


def _where(about: tuple[Report, ...]) -> str:
    """Name the rack and its vessels, the first ones where there are many."""
    rack = about[0].rack
    named = dict.fromkeys(vessel for report in about for vessel in (report.vessels or (report.vessel,)))
    vessels = [vessel for vessel in named if vessel]
    if not vessels:
        return rack
    more = f"+{len(vessels) - _VESSELS_NAMED}" if len(vessels) > _VESSELS_NAMED else ""
    return f"{rack} {','.join(vessels[:_VESSELS_NAMED])}{more}"


def _what(report: Report) -> str:
    if report.condition in _OF_A_RACK:
        return _OF_A_RACK[report.condition]
    what = f"{report.quantity} {report.condition}".replace("_", " ").strip()
    return f"{what} ({report.reason})" if report.reason else what


def _how(report: Report, zone: tzinfo) -> str:
    """Say how bad it is and how it moves."""
    per_hour = "/h" if report.condition in ("rising", "falling") else ""
    unit = plain(report.unit.replace("°", ""))
    words = ""
    if report.value is not None:
        words += f" {_number(report.value, report)}{' ' if unit else ''}{unit}{per_hour}"
    if report.limit is not None:
        words += f" (limit {_number(report.limit, report)})"
    if report.rate_per_hour is not None and not per_hour:
        words += f", {report.rate_per_hour:+.2g}/h"
    if report.reached_ms is not None:
        words += f", there at {_clock(report.reached_ms, report.at_ms, zone)}"
    return words


def _number(value: float, report: Report) -> str:
    decimals = {quantity.value: count for quantity, count in _DECIMALS.items()}.get(report.quantity, 2)
    return f"{value:.{decimals}f}"


def _clock(time_ms: int, now_ms: int, zone: tzinfo) -> str:
    """Write a moment as hours and minutes of the people's clock, with the day where it is far away."""
    when = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    return f"{when:%H:%M}" if abs(now_ms - time_ms) < _DAY_MS // 2 else f"{when:%d.%m. %H:%M}"
