"""`bellwatch log`: what was seen, fed or changed goes into the logbook of a vessel."""

import argparse
from typing import Any

from daemon.commands.rack.request import add_request, ask_and_say
from daemon.tables.values import number
from rules.deeds import LOG_KINDS


def log_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `log`."""
    parser.add_argument("vessel")
    parser.add_argument("what", choices=LOG_KINDS)
    parser.add_argument("value", type=number, nargs="?", help="a number, such as a bell diameter in mm")
    parser.add_argument("--note", default="", help="in words")
    add_request(parser)
    parser.set_defaults(command=_log)


def _log(options: argparse.Namespace) -> int:
    body: dict[str, Any] = {"vessel": options.vessel, "what": options.what, "note": options.note}
    if options.value is not None:
        body["value"] = options.value
    return ask_and_say(options, "log", body, f"{options.vessel}: {options.what} written down")
