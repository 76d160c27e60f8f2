"""Options that several commands share: the settings file, the journal, who asks, lengths of time, extras."""

import argparse
import getpass
import os
import re
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from daemon.errors import MissingExtraError
from daemon.settings.toml import read_toml
from daemon.tables.values import number, one_line
from daemon.tables.words import ENVIRONMENT_PREFIX

USUAL_SETTINGS = "/etc/bellwatch/bellwatch.toml"

_SECONDS = {"s": 1, "m": 60, "h": 3_600, "d": 86_400}
_LENGTH = r"(\d+(?:\.\d+)?)(s|min|m|h|d)"


def usual_settings() -> Path:
    """Return the settings file that is meant where none is named."""
    return Path(os.environ.get("BELLWATCH_SETTINGS", USUAL_SETTINGS))


def add_settings(parser: argparse.ArgumentParser) -> None:
    """Add the settings file."""
    parser.add_argument(
        "--settings", type=Path, default=usual_settings(), help="settings file (default: %(default)s)"
    )


def add_who(parser: argparse.ArgumentParser) -> None:
    """Add the name of the person who asks."""
    user = getpass.getuser()
    parser.add_argument("--who", type=one_line, default=user, help="your name (default: %(default)s)")


def add_journal(parser: argparse.ArgumentParser) -> None:
    """Add the journal to work on, or the settings file that names it."""
    parser.add_argument("--journal", type=Path, help="the journal (default: that of the settings file)")
    add_settings(parser)


def journal_path(settings: Path) -> Path:
    """Return where the journal is by the settings file, checking nothing else of it where that is plain.

    Who acknowledges at night waits for no limit of a stage to be checked, nor for what checks it to be
    loaded. Where the environment has a say, or the path is none, the whole file is checked as ever.
    """
    table = read_toml(settings).get("journal")
    path = table.get("path") if isinstance(table, dict) else None
    overridden = any(name.upper().startswith(f"{ENVIRONMENT_PREFIX}JOURNAL") for name in os.environ)
    if isinstance(path, str) and path and path.isprintable() and not overridden:
        return Path(path)
    from daemon.check.load import load_settings  # noqa: PLC0415  (what checks takes a second to load)

    return load_settings(settings).journal.path


def show_units_of(settings: Path) -> None:
    """Choose the units of what people read and type in by the settings file, checking nothing else of it."""
    from daemon.as_read import show_temperatures_in  # noqa: PLC0415  (most commands that ask write no value)

    given = _of_rack(settings).get("temperatures_in", "C")
    show_temperatures_in(os.environ.get(f"{ENVIRONMENT_PREFIX}RACK__TEMPERATURES_IN", given))


def people_of(settings: Path) -> tuple[str, ...]:
    """Return who works at the rack by the settings file, checking nothing else of it."""
    people = _of_rack(settings).get("people")
    return tuple(map(str, people)) if isinstance(people, list) else ()


def _of_rack(settings: Path) -> dict[str, Any]:
    table = read_toml(settings).get("rack")
    return table if isinstance(table, dict) else {}


def duration_s(text: str) -> float:
    """Read a length of time such as 90m, 30min, 1h30m or 8d; a bare number is refused: it could mean any."""
    if re.fullmatch(r"\d+(?:\.\d+)?", text):
        expected = f"its unit: {text}h are hours, {text}m minutes, {text}d days"
        raise argparse.ArgumentTypeError(f"found {text}; expected {expected}")
    if not re.fullmatch(f"(?:{_LENGTH})+", text):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a number and s, m, h or d, such as 90m")
    return sum(float(number) * _SECONDS[unit[0]] for number, unit in re.findall(_LENGTH, text))


def a_number(text: str) -> float:
    """Read a number; what is wrong with another is said, which argparse would not."""
    try:
        return number(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"found {error}") from None


def stopped_by_signals() -> threading.Event:
    """Return what Ctrl-C and the supervisor set; never an exception out of nowhere."""
    stop = threading.Event()
    for its in (signal.SIGINT, signal.SIGTERM):
        signal.signal(its, lambda *_: stop.set())
    return stop


@contextmanager
def needing(extra: str, what: str) -> Iterator[None]:
    """Say which extra to install where `what`, imported in the block, lacks a library."""
    try:
        yield
    except ImportError as error:
        raise MissingExtraError(f"{what} needs {error.name}: pip install 'bellwatch[{extra}]'") from error
