"""`bellwatch log`: what was seen, fed or changed goes into the logbook of a vessel."""

import argparse
from functools import partial

from daemon.commands.rack.request import add_request, ask_for
from daemon.tables.values import number
from rules.deeds import LOG_KINDS


def log_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `log`."""
    parser.add_argument("vessel")
    parser.add_argument("what", choices=LOG_KINDS)
    parser.add_argument("value", type=number, nargs="?", help="a number, such as a bell diameter in mm")
    parser.add_argument("--note", default="", help="in words")
    keys = ("vessel", "what", "note", "value")
    add_request(parser, partial(ask_for, kind="log", done="{vessel}: {what} written down", keys=keys))
