"""`bellwatch stage`: the animals of a vessel are in another life stage now."""

import argparse
from functools import partial

from daemon.commands.options import duration_s
from daemon.commands.rack.request import add_request, ask_for


def stage_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `stage`."""
    parser.add_argument("vessel")
    parser.add_argument("stage", help="planula, polyp, strobila, ephyra, juvenile, adult, or one of yours")
    parser.add_argument(
        "--over", dest="over_s", type=duration_s, default=0.0, help="let the limits move this slowly: 8d"
    )
    keys = ("vessel", "stage", "over_s")
    add_request(parser, partial(ask_for, kind="move_stage", done="{vessel}: now {stage}", keys=keys))
