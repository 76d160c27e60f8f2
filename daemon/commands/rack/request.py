"""What every command that asks the watch for something does: by whom, where its journal is, one answer."""

import argparse
from collections.abc import Mapping
from typing import Any

from daemon.commands.options import add_settings, add_who, journal_path
from daemon.journal.asking import ask_daemon


def add_request(parser: argparse.ArgumentParser) -> None:
    """Add who asks, and the settings file of the watch that is asked."""
    add_who(parser)
    add_settings(parser)


def ask(options: argparse.Namespace, kind: str, body: Mapping[str, Any]) -> None:
    """Ask the watch for an action; RequestError where it has not done it."""
    ask_daemon(journal_path(options.settings), kind, body, options.who)


def ask_and_say(options: argparse.Namespace, kind: str, body: Mapping[str, Any], done: str) -> int:
    """Ask the watch for an action, say `done` when it has done it, and return 0."""
    ask(options, kind, body)
    print(done)
    return 0


def add_alarms(parser: argparse.ArgumentParser, kind: str, done: str, *keys: str) -> None:
    """Add the alarms that are to be asked for, each by one request that also holds the options `keys`."""

    def each(options: argparse.Namespace) -> int:
        body = {key: getattr(options, key) for key in keys}
        for alarm in options.alarm:
            ask_and_say(options, kind, {"alarm": alarm, **body}, f"{alarm}: {done} by {options.who}")
        return 0

    parser.add_argument("alarm", nargs="+", help="its name, such as kreisel-1/temperature/high")
    if "why" in keys:
        parser.add_argument("--why", required=True, help="the reason, for those who come after you")
    add_request(parser)
    parser.set_defaults(command=each)
