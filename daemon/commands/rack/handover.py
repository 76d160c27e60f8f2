"""`bellwatch handover`: a night, or a month, in one page: printed here, as HTML, or as CSV."""

import argparse
import csv
import io
import time
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.cells import cell_len, set_cell_size
from rich.console import Console

from daemon.check.load import load_settings
from daemon.commands.engineer.report_options import write_file
from daemon.commands.options import add_settings
from daemon.commands.rack.lines import say, wrapped
from daemon.culture.record import record_of
from daemon.culture.words import ahead_lines
from daemon.errors import SourceError
from daemon.handover.facts import facts_of
from daemon.handover.period import month_of, night_of
from daemon.handover.sections import Handover, Section, handover_of
from daemon.report.provenance import version
from daemon.tables.values import cell
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView

_COLUMN_AT_MOST = 46


def handover_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `handover`."""
    add = parser.add_argument
    add("file", type=Path, nargs="*", help=".html to read or print, or .csv (default: the terminal)")
    when = parser.add_mutually_exclusive_group()
    when.add_argument("--night", type=_day, metavar="EVENING", help="such as 2026-08-14 (default: last)")
    when.add_argument("--month", type=_month, help="a whole month, for inspection: 2026-08")
    add_settings(parser)
    parser.set_defaults(command=_handover)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a day such as 2026-08-14") from None


def _month(text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m").date()
    except ValueError:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a month such as 2026-08") from None


def _handover(options: argparse.Namespace) -> int:
    settings, now_ms = load_settings(options.settings), int(time.time() * 1000)
    for path in options.file:
        if path.suffix not in _WRITERS:
            raise SourceError(f"{path}: expected a file that ends in {' or '.join(_WRITERS)}")
    zone = ZoneInfo(settings.rack.time_zone)
    period = month_of(options.month, now_ms, zone) if options.month else night_of(options.night, now_ms, zone)
    rack = rack_now(JournalView(settings), now_ms)
    likely = list(ahead_lines(record_of(settings, now_ms))) if period.newest else []
    made = handover_of(facts_of(settings, period), rack, version(), likely)
    for path in options.file:
        write_file(path, _WRITERS[path.suffix](made).encode())
        print(f"{path}: {made.title}")
    if not options.file:
        terminal = Console(markup=False, emoji=False)
        say(*text_lines(made, terminal.width))
    return 0


def _html(made: Handover) -> str:
    from daemon.handover.html import page  # noqa: PLC0415 - only where it is wanted

    return page(made)


def text_lines(made: Handover, width: int) -> Iterator[str]:
    """Give the handover in lines of at most `width` cells."""
    for line in (made.title, *made.superseded, *made.head):
        yield from wrapped(line, width, 2)
    for section in made.sections:
        yield ""
        yield section.title.upper()
        for line in (*_table(section), *(f"  {note}" for note in section.notes)):
            yield from wrapped(line, width, 4)


def _table(section: Section) -> Iterator[str]:
    """Give the rows of a section, its columns under each other where they are not too wide."""
    if not section.rows:
        yield f"  {section.none}"
        return
    headed = [section.columns, *section.rows] if any(section.columns) else section.rows
    sizes = [min(max(map(cell_len, column)), _COLUMN_AT_MOST) for column in zip(*headed, strict=True)]
    for row in headed:
        yield f"  {_joined(row, sizes)}".rstrip()


def _joined(row: Sequence[str], sizes: Sequence[int]) -> str:
    pairs = zip(row, sizes, strict=True)
    return "  ".join(set_cell_size(it, size) if cell_len(it) < size else it for it, size in pairs)


def _csv(made: Handover) -> str:
    """Return the sections as CSV, the title of its section in front of each row, and of each header."""
    file = io.StringIO()
    table = csv.writer(file, lineterminator="\n")
    for line in (made.title, *made.superseded, *made.head):
        table.writerow(["handover", cell(line)])
    for section in made.sections:
        for row in (section.columns, *section.rows):
            table.writerow([section.title, *map(cell, row)])
    return file.getvalue()


_WRITERS = {".html": _html, ".csv": _csv}
