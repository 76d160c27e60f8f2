"""Any CSV as its cells, each row with where it stands."""

import csv
import gzip
from collections.abc import Iterable, Iterator
from pathlib import Path

from daemon.errors import SourceError


def csv_lines(path: Path, delimiter: str = ",") -> Iterator[tuple[str, list[str]]]:
    """Go through the header and the rows of a CSV, plain or .gz, each with where it stands.

    Blank lines, and those before the header that begin with #, are passed over. SourceError where the file
    cannot be read.
    """
    try:
        opened = gzip.open if path.suffix == ".gz" else open
        with opened(path, "rt", encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(_without_comments(file), delimiter=delimiter)
            for cells in filter(None, reader):
                yield f"{path} line {reader.line_num}", cells
    except (OSError, EOFError, UnicodeDecodeError, csv.Error) as error:
        raise SourceError(f"{path}: {error}; expected a CSV file in UTF-8, plain or .gz") from error


def _without_comments(file: Iterable[str]) -> Iterator[str]:
    """Pass over comment lines before the header as blank ones, so that lines keep the file's numbers."""
    before_header = True
    for line in file:
        before_header = before_header and line.startswith("#")
        yield "\n" if before_header else line
