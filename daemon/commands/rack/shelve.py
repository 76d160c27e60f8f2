"""`bellwatch shelve` and `unshelve`: an alarm is quiet for a while, for a reason."""

import argparse
from functools import partial

from daemon.commands.options import duration_s
from daemon.commands.rack.request import add_alarms

unshelve_arguments = partial(add_alarms, kind="unshelve", done="off the shelf")


def shelve_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `shelve`."""
    parser.add_argument("--for", dest="for_s", type=duration_s, required=True, help="how long: 90m, 2h")
    add_alarms(parser, "shelve", "shelved", ("why", "for_s"))
