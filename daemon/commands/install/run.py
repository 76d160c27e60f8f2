"""`bellwatch run`: the watch itself, until it is stopped."""

import argparse
import signal
import threading

from daemon.check.load import load_settings
from daemon.commands.options import add_settings
from daemon.wiring import build


def run_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `run`."""
    add_settings(parser)
    parser.set_defaults(command=_run)


def _run(options: argparse.Namespace) -> int:
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    build(load_settings(options.settings)).run(stop)
    return 0
