"""What people type in of a quantity: its name, and the unit of its values."""

import argparse

from daemon.errors import RequestError
from rules.care.calibration import quantity_named
from rules.errors import RulesError
from rules.quantities import Quantity


def add_unit(parser: argparse.ArgumentParser) -> None:
    """Add the unit that values are given in."""
    units = "C, F, uS/cm, S/m, kPa, mmHg, ppm, ppt"
    parser.add_argument("--unit", help=f"of the values given: {units} ... (default: as shown)")


def quantity_in(options: argparse.Namespace) -> Quantity:
    """Return the quantity that was named; RequestError, with all there are, where it is none."""
    try:
        return quantity_named(options.quantity)
    except RulesError as refused:
        raise RequestError(str(refused)) from None
