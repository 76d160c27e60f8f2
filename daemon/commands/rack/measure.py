"""`bellwatch measure`: what somebody measured by hand, and how far the probes are from it."""

import argparse
from contextlib import closing
from typing import Any

from daemon.commands.options import journal_path
from daemon.commands.rack.care_words import hand_check_lines
from daemon.commands.rack.request import add_request, ask
from daemon.journal.journal import Journal
from daemon.tables.values import number
from rules.quantities import Quantity

SPECIFIC_GRAVITY = "specific_gravity"


def measure_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `measure`."""
    parser.add_argument("vessel")
    parser.add_argument("quantity", help=f"{', '.join(Quantity)}, or {SPECIFIC_GRAVITY}")
    parser.add_argument("value", type=number, help="in the unit that `bellwatch status` shows")
    parser.add_argument("--method", required=True, help="such as refractometer, hydrometer, titration")
    parser.add_argument("--instrument", required=True, help="which one")
    parser.add_argument("--accuracy", type=number, help="of the instrument, plus or minus")
    parser.add_argument(
        "--scale", help="reference temperatures of a specific gravity, as printed on the instrument: 25/25"
    )
    parser.add_argument(
        "--temperature-c",
        type=number,
        help="of the sample, where a hydrometer swam in it (default: the scale's)",
    )
    add_request(parser)
    parser.set_defaults(command=_measure)


def _measure(options: argparse.Namespace) -> int:
    by_gravity = options.quantity == SPECIFIC_GRAVITY
    body: dict[str, Any] = {
        "vessel": options.vessel,
        "quantity": Quantity.SALINITY.value if by_gravity else options.quantity,
        SPECIFIC_GRAVITY if by_gravity else "value": options.value,
        "method": options.method,
        "instrument": options.instrument,
    }
    optional = {key: getattr(options, key) for key in ("accuracy", "scale", "temperature_c")}
    body |= {key: value for key, value in optional.items() if value is not None}
    ask(options, "hand_measurement", body)
    with closing(Journal(journal_path(options.settings), writable=False)) as journal:
        for line in hand_check_lines(journal, options.vessel, body["quantity"]):
            print(line)
    return 0
