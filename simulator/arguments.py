"""Texts of the command line as values; what does not hold is said in one line."""

import argparse
from datetime import datetime


def host_and_port(text: str) -> tuple[str, int]:
    """HOST:PORT as a pair."""
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise argparse.ArgumentTypeError(f"'{text}' is not HOST:PORT, such as 127.0.0.1:1883")
    return host, int(port)


def positive(text: str) -> float:
    """A number above 0."""
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number <= 1e6:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number above 0 and up to a million")
    return number


def instant_ms(text: str) -> int:
    """An ISO 8601 time with offset as UTC milliseconds."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"'{text}' is not an ISO 8601 time") from error
    if moment.utcoffset() is None:
        raise argparse.ArgumentTypeError(f"'{text}' has no offset from UTC, such as +02:00 or Z")
    return round(moment.timestamp() * 1000)
