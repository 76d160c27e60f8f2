"""`bellwatch stage`: the animals of a vessel are in another life stage now."""

import argparse

from daemon.commands.options import duration_s
from daemon.commands.rack.request import add_request, ask_and_say


def stage_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `stage`."""
    parser.add_argument("vessel")
    parser.add_argument("stage", help="planula, polyp, strobila, ephyra, juvenile, adult, or one of yours")
    parser.add_argument(
        "--over", dest="over_s", type=duration_s, default=0.0, help="let the limits move this slowly: 8d"
    )
    add_request(parser)
    parser.set_defaults(command=_move)


def _move(options: argparse.Namespace) -> int:
    body = {"vessel": options.vessel, "stage": options.stage, "over_s": options.over_s}
    return ask_and_say(options, "move_stage", body, f"{options.vessel}: now {options.stage}")
