"""The arguments that say what to replay from, the same for every command that does."""

import argparse
import sys
from collections import deque
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.as_read import show_temperatures_in
from daemon.commands.options import needing
from daemon.errors import SourceError
from daemon.journal.journal import Journal
from daemon.journal.sole_writer import holder_of
from daemon.settings.rack import Settings
from daemon.sources.csv import csv_recording
from daemon.sources.csv_readings import CsvLayout
from daemon.sources.drift_correction import calibrations_at, dating_of, drift_corrected, how_sure
from daemon.sources.journal import journal_recording, temperatures_in
from daemon.sources.recording import Recording
from daemon.tune.incidents import Mark, beside, write_marks

_SQLITE = b"SQLite format 3\0"
_PARQUET = b"PAR1"
_ZIP = b"PK\x03\x04"
_OF_RECORD = b'"bellwatch-record"'
_OLD_EXPORT = b"# bellwatch export"


def add_source_arguments(parser: argparse.ArgumentParser) -> None:
    """Add SOURCE and the options that describe a CSV or an InfluxDB."""
    parser.add_argument(
        "source",
        metavar="SOURCE",
        help="a journal, a record (folder or .nc), a CSV (.csv, .csv.gz), the http address of an InfluxDB",
    )
    journal = parser.add_argument_group("where SOURCE is a journal")
    journal.add_argument(
        "--correct-drift",
        action="store_true",
        help="take off what probes fouled and drifted between the calibrations in it; needs --settings",
    )
    journal.add_argument(
        "--drift-by", choices=["time", "readings"], default="time", help="what it grew with evenly"
    )
    journal.add_argument(
        "--copy",
        action="store_true",
        help="copy its readings beside it for the next time also where a watch writes it (elsewhere: always)",
    )
    add_csv_arguments(parser)
    influx = parser.add_argument_group("where SOURCE is an InfluxDB")
    influx.add_argument("--bucket", help="the bucket that the readings are in")
    influx.add_argument("--org", default="", help="the organisation")
    influx.add_argument("--token-file", type=Path, help="file that holds the token alone")
    influx.add_argument("--since", default="-365d", help="start, as RFC 3339 or -30d (default: %(default)s)")


def add_csv_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that describe the CSV of another logger."""
    table = parser.add_argument_group("for a CSV of another logger")
    table.add_argument("--time-column", default="time", help="its column of times (default: %(default)s)")
    table.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="NAME=VESSEL/QUANTITY[UNIT]",
        help="what a column holds, such as cond=kreisel-1/conductivity[S/m]; or a probe for the vessel",
    )
    table.add_argument("--zone", help="time zone of times without an offset (IANA name)")
    table.add_argument(
        "--delimiter", default=",", help=r"what stands between cells, \t for a tab (default: %(default)s)"
    )
    table.add_argument("--decimal", default=".", help="decimal mark (default: %(default)s)")


def csv_layout(options: argparse.Namespace) -> CsvLayout:
    """Return how to read the CSV that the options describe; SourceError where none can be read so."""
    delimiter, decimal = options.delimiter.replace(r"\t", "\t"), options.decimal
    if len(delimiter) != 1 or delimiter in '"\r\n':
        raise SourceError(f"--delimiter {options.delimiter!r}: expected one character, or \\t for a tab")
    if decimal not in {".", ","}:
        raise SourceError(f"--decimal {decimal!r}: expected . or ,")
    return CsvLayout(options.time_column, options.column, _zone(options.zone), delimiter, decimal)


def open_recording(options: argparse.Namespace, settings: Settings | None) -> Recording:
    """Return what SOURCE holds; raise SourceError or JournalError where it cannot be read.

    Without settings only a journal can be replayed: it alone holds the plans of the time.
    """
    source: str = options.source
    is_address = source.startswith(("http://", "https://"))
    if not is_address and is_journal(Path(source)):
        copies = options.copy or holder_of(Path(source)) is None
        recording = journal_recording(Path(source), through_copies=copies)
        if settings is None:
            show_temperatures_in(temperatures_in(Path(source)))
        if not options.correct_drift:
            return recording
        if settings is None:
            raise SourceError(
                "--correct-drift: add --settings FILE; what was judged at the time had not been corrected"
            )
        visits = calibrations_at(Path(source))
        for line in how_sure(visits, dating_of(Path(source)), ZoneInfo(settings.rack.time_zone)):
            print(line, file=sys.stderr)
        return drift_corrected(recording, visits, by_readings=options.drift_by == "readings")
    if options.correct_drift:
        raise SourceError(
            f"{source}: only a journal holds the visits to its probes; leave --correct-drift out"
        )
    if settings is None:
        raise SourceError(f"{source}: only a journal knows the settings of the time; add --settings FILE")
    if is_address:
        return _influx(options, settings)
    path = Path(source)
    return csv_recording(path, csv_layout(options), settings)


def _influx(options: argparse.Namespace, settings: Settings) -> Recording:
    with needing("influx", "an InfluxDB"):  # slow to load: only where it is wanted
        from daemon.sources.influx import InfluxQuery, influx_recording  # noqa: PLC0415
    token = _token(options.token_file)
    query = InfluxQuery(options.source, options.bucket, options.org, token, options.since)
    return influx_recording(query, settings.rack.name)


@contextmanager
def taken_in(options: argparse.Namespace) -> Iterator[argparse.Namespace]:
    """Give the options, a record for SOURCE replaced by the journal that an import makes of it meanwhile."""
    path = Path(options.source)
    if not (path.is_dir() or path.suffix == ".nc"):
        yield options
        return
    with needing("record", "a record"):  # slow to load: only where it is wanted
        from daemon.record.into_journal import into_journal  # noqa: PLC0415
    with TemporaryDirectory(prefix="bellwatch-record-") as folder:
        made, marks = Path(folder) / f"{path.stem}.sqlite", list[Mark]()
        with closing(Journal(made, writable=True)) as journal:
            deque(into_journal(path, journal, marks), 0)
        write_marks(beside(str(made)), marks)
        yield argparse.Namespace(**{**vars(options), "source": str(made)})


def is_journal(path: Path) -> bool:
    """Return whether a file is a journal; SourceError for one that is neither that nor a CSV of others."""
    if path.is_dir() or path.suffix == ".nc":
        raise SourceError(f"{path}: `bellwatch import` makes a journal of a record, which can be replayed")
    try:
        with path.open("rb") as file:
            head = file.read(len(_OLD_EXPORT))
    except OSError as error:
        why = (error.strerror or "an error").lower()
        raise SourceError(f"{path}: {why}; expected a journal, a CSV or an http address") from error
    description = path.parent / "datapackage.json"
    is_part = path.suffix in (".csv", ".parquet", ".json") and description.is_file()
    if is_part and _OF_RECORD in description.read_bytes():
        raise SourceError(f"{path}: one part of a record; name its folder, {path.parent}")
    if head.startswith(_ZIP):
        raise SourceError(f"{path}: packed; unpack it, and name the record's folder, or the CSV")
    if head.startswith((_OLD_EXPORT, _PARQUET)):
        raise SourceError(
            f"{path}: an export of an older bellwatch: let that one `import` it; "
            "the journal that comes of it is taken here"
        )
    return head.startswith(_SQLITE)


def _zone(name: str | None) -> ZoneInfo | None:
    try:
        return None if name is None else ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise SourceError(f"zone {name!r}: expected an IANA name, such as Europe/Copenhagen") from None


def _token(path: Path | None) -> str:
    if path is None:
        return ""
    try:
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise SourceError(f"token file {path}: {error.strerror}; expected the token alone") from error
