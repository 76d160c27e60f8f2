"""The arguments that ask for a report, and writing what was asked for."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from daemon.commands.engineer.making import made_whole
from daemon.commands.options import needing
from daemon.errors import SourceError
from daemon.report.report import Report, Wanted
from daemon.tune.incidents import Mark, beside, moment_ms, read_marks


def add_report_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the files that a report is written to."""
    report = parser.add_argument_group("report")
    report.add_argument("--report", type=Path, metavar="FILE", help="write a page (one HTML file) here")
    report.add_argument("--png", type=Path, metavar="FILE", help="write a picture for a slide here")


def wanted_of(options: argparse.Namespace) -> Wanted:
    """Read what to show; SourceError where a time is not one, or nothing is drawn that would show it."""
    asked = [options.start, options.stop, options.incidents, *options.vessel]
    if options.report is None and options.png is None and any(it is not None for it in asked):
        raise SourceError(
            "--from, --to, --vessel, --incidents: these are for a report; add --report FILE or --png FILE"
        )
    start_ms = None if options.start is None else moment_ms(options.start, "--from")
    stop_ms = None if options.stop is None else moment_ms(options.stop, "--to")
    if start_ms is not None and stop_ms is not None and stop_ms <= start_ms:
        raise SourceError(f"--to {options.stop}: expected a time after --from {options.start}")
    return Wanted(start_ms, stop_ms, tuple(options.vessel))


def marks_of(options: argparse.Namespace) -> list[Mark]:
    """Return the incidents named, or those beside the source where it is a file and has any."""
    if options.incidents is not None and not options.incidents.exists():
        raise SourceError(
            f"--incidents {options.incidents}: there is no such file; `bellwatch incidents` makes one"
        )
    if options.incidents is None and options.source.startswith(("http://", "https://")):
        return []
    return read_marks(options.incidents or beside(options.source))


def write_reports(options: argparse.Namespace, report: Report) -> Sequence[Path]:
    """Write the page and the picture that were asked for, and return where they are."""
    if options.report is not None:
        from daemon.report.html import page  # noqa: PLC0415

        write_file(options.report, page(report).encode())
    if options.png is not None:
        with needing("report", "a picture"):  # slow to load: only where it is wanted
            from daemon.report.slide import png  # noqa: PLC0415
        write_file(options.png, png(report))
    return [path for path in (options.report, options.png) if path is not None]


def write_file(path: Path, content: bytes) -> None:
    """Write what somebody asked for, a file whole or not at all; SourceError where that cannot be."""
    try:
        if path.exists() and not path.is_file():  # such as a pipe
            path.write_bytes(content)
            return
        with made_whole(path.resolve()) as new:
            new.write_bytes(content)
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; expected a file that can be written") from error
