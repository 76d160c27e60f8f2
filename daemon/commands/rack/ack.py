"""`bellwatch ack` and `reset`: somebody has seen an alarm; a latched one may go."""

import argparse

from daemon.commands.rack.request import add_alarms


def ack_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `ack`."""
    add_alarms(parser, "acknowledge", "acknowledged")


def reset_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `reset`."""
    add_alarms(parser, "reset", "reset")
