"""What people type in of a quantity: its name, and values with or without their unit."""

import argparse
from collections.abc import Mapping

from daemon.errors import RequestError
from daemon.words import own, shown_unit
from rules.care.calibration import quantity_named
from rules.care.misread import typed_otherwise
from rules.errors import RulesError
from rules.quantities import UNITS, Quantity, from_unit


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


def in_own_unit(
    options: argparse.Namespace,
    quantity: Quantity,
    value: float,
    *,
    difference: bool = False,
    possible: Mapping[Quantity, tuple[float, float]] | None = None,
) -> float:
    """Return a value, or a difference, in the quantity's own unit; RequestError where it has none so.

    Without a unit it is in the one that screens show, unless it is `possible` in another alone.
    """
    if options.unit is None:
        taken = own(value, quantity, difference=difference)
        if possible and (meant := typed_otherwise(quantity, value, taken, possible)):
            unit = "F" if shown_unit(quantity) == "°F" else next(filter(None, UNITS[quantity]))
            how = f"say {' or '.join(meant)}, or --unit {unit} if it is so"
            raise RequestError(f"{quantity} {value:g}: hardly in {unit}; {how}")
        return taken
    if options.unit not in UNITS[quantity]:
        units = ", ".join(filter(None, UNITS[quantity]))
        raise RequestError(f"--unit {options.unit}: {quantity} may be in {units or 'no unit'}")
    return from_unit(quantity, options.unit, value, difference=difference)
