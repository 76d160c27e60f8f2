"""`bellwatch out-of-service` and `back-in-service`: an alarm is off, for a reason, until it is put back."""

import argparse

from daemon.commands.rack.request import add_alarms


def out_of_service_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `out-of-service`."""
    add_alarms(parser, "take_out_of_service", "out of service", "why")


def back_in_service_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `back-in-service`."""
    add_alarms(parser, "put_back_into_service", "back in service")
