"""`bellwatch maintain`: alarms are quiet while somebody works on a vessel or a bus."""

import argparse

from daemon.commands.options import duration_s
from daemon.commands.rack.request import add_request, ask_and_say


def maintain_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `maintain`."""
    parser.add_argument("target", help="vessel/NAME or bus/NAME")
    how = parser.add_mutually_exclusive_group(required=True)
    how.add_argument("--for", dest="for_s", type=duration_s, help="how long: 45m, 2h")
    how.add_argument("--end", action="store_true", help="you are done before the time")
    parser.add_argument("--why", default="", help="what you are doing; needed to begin")
    add_request(parser)
    parser.set_defaults(command=_maintain)


def _maintain(options: argparse.Namespace) -> int:
    target = options.target
    if options.end:
        return ask_and_say(options, "end_maintenance", {"target": target}, f"{target}: maintenance over")
    body = {"target": target, "for_s": options.for_s, "why": options.why}
    return ask_and_say(options, "begin_maintenance", body, f"{target}: under maintenance")
