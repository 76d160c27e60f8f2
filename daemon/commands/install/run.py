"""`bellwatch run`: the watch itself, until it is stopped."""

import argparse

from daemon.check.load import load_settings
from daemon.commands.options import add_settings, stopped_by_signals
from daemon.wiring import build


def run_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `run`."""
    add_settings(parser)
    parser.set_defaults(command=_run)


def _run(options: argparse.Namespace) -> int:
    build(load_settings(options.settings)).run(stopped_by_signals())
    return 0
