"""What every command that asks the watch for something does: by whom, where its journal is, one answer."""

import argparse
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from daemon.commands.options import add_settings, add_who, journal_path
from daemon.journal.asking import ask_daemon


def add_request(parser: argparse.ArgumentParser, command: Callable[[argparse.Namespace], int]) -> None:
    """Add who asks, the settings file of the watch that is asked, and the command that asks it."""
    add_who(parser)
    add_settings(parser)
    parser.set_defaults(command=command)


def ask(options: argparse.Namespace, kind: str, body: Mapping[str, Any]) -> None:
    """Ask the watch for an action; RequestError where it has not done it."""
    ask_daemon(journal_path(options.settings), kind, body, options.who)


def ask_for(options: argparse.Namespace, kind: str, done: str, keys: Sequence[str]) -> int:
    """Ask with the options `keys` that were given, say `done` of them when that is so, and return 0."""
    given = vars(options)
    ask(options, kind, {key: given[key] for key in keys if given[key] is not None})
    print(done.format_map(given))
    return 0


def add_alarms(parser: argparse.ArgumentParser, kind: str, done: str, keys: Sequence[str] = ()) -> None:
    """Add the alarms that are to be asked for, each by one request that also holds the options `keys`."""

    def each(options: argparse.Namespace) -> int:
        body = {key: getattr(options, key) for key in keys}
        for alarm in options.alarm:
            ask(options, kind, {"alarm": alarm, **body})
            print(f"{alarm}: {done} by {options.who}")
        return 0

    parser.add_argument("alarm", nargs="+", help="its name, such as kreisel-1/temperature/high")
    if "why" in keys:
        parser.add_argument("--why", required=True, help="the reason, for those who come after you")
    add_request(parser, each)
