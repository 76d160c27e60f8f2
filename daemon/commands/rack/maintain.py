"""`bellwatch maintain`: alarms are quiet while somebody works on a vessel or a bus."""

import argparse

from daemon.commands.options import duration_s
from daemon.commands.rack.request import add_request, ask_for


def maintain_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `maintain`."""
    parser.add_argument("target", help="vessel/NAME or bus/NAME")
    how = parser.add_mutually_exclusive_group(required=True)
    how.add_argument("--for", dest="for_s", type=duration_s, help="how long: 45m, 2h")
    how.add_argument("--end", action="store_true", help="you are done before the time")
    parser.add_argument("--why", default="", help="what you are doing; needed to begin")
    add_request(parser, _maintain)


def _maintain(options: argparse.Namespace) -> int:
    if options.end:
        return ask_for(options, "end_maintenance", "{target}: maintenance over", ("target",))
    keys = ("target", "for_s", "why")
    return ask_for(options, "begin_maintenance", "{target}: under maintenance", keys)
