"""`bellwatch measure`: what somebody measured by hand, and how far the probes are from it."""

import argparse

from daemon.as_read import own, shown_reason
from daemon.commands.options import a_number, journal_path, people_of, show_units_of
from daemon.commands.rack.request import add_writer, ask, writer
from daemon.commands.rack.typed_in import add_unit, quantity_in
from daemon.errors import RequestError
from daemon.journal.journal import Journal, reading
from daemon.journal.logbook import HAND, logbook_of, roots_of
from daemon.words import apart, number, quantity_of, typed_in
from rules.care.hand_checks import COMPARED_WITHIN_MS
from rules.care.misread import PLAUSIBLE
from rules.care.probe_care import CHECKED
from rules.quantities import Quantity

SPECIFIC_GRAVITY = "specific_gravity"


def measure_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `measure`."""
    add = parser.add_argument
    add("vessel")
    add("quantity", help=f"{', '.join(Quantity)}, or {SPECIFIC_GRAVITY}")
    add("value", type=a_number, help="in the unit that `bellwatch status` shows")
    add("--method", required=True, help="such as refractometer, hydrometer, titration")
    add("--instrument", required=True, help="which one")
    add("--accuracy", type=a_number, help="of the instrument, plus or minus, in the unit of the value")
    add("--resolution", type=a_number, help="its smallest step")
    add("--constant", type=a_number, help="how much of its accuracy is the same each time, 0 to 1")
    add("--scale", help="reference temperatures of a specific gravity, as printed on the instrument: 25/25")
    add(
        "--temperature",
        type=a_number,
        help="of the sample, as shown, where a hydrometer swam in it (default: the scale's)",
    )
    add_unit(parser)
    add("--corrects", type=int, metavar="NUMBER", help="the measurement that this one puts right")
    add("--another", action="store_true", help="it is not what somebody else has just written down")
    add_writer(parser, _measure)


def _measure(options: argparse.Namespace) -> int:
    show_units_of(options.settings)
    options.who = writer(options.who, people_of(options.settings))
    numbers = ("value", "accuracy", "resolution")
    keys = ("vessel", "quantity", "method", "instrument", "constant", "scale", *numbers)
    body = {key: getattr(options, key) for key in keys if getattr(options, key) is not None}
    if options.temperature is not None:
        body["temperature_c"] = own(options.temperature, Quantity.TEMPERATURE)
    if options.quantity == SPECIFIC_GRAVITY:
        if options.unit is not None:
            raise RequestError("--unit: a specific gravity has none; give its --scale")
        body |= {"quantity": Quantity.SALINITY.value, SPECIFIC_GRAVITY: body.pop("value")}
    else:
        quantity = quantity_in(options)
        if not_heeded := body.keys() & {"scale", "temperature_c"}:
            option = min(not_heeded).removesuffix("_c")
            raise RequestError(f"--{option}: goes with a {SPECIFIC_GRAVITY} alone, {quantity} has none")
        for key in numbers:
            if key in body:
                of_value = {"possible": PLAUSIBLE} if key == "value" else {"difference": True}
                body[key] = typed_in(body[key], quantity, options.unit, **of_value)
    body |= {"another": True} if options.another else {}
    if options.corrects is not None:
        body |= _corrects(options)
    ask(options, HAND, body)
    with reading(journal_path(options.settings)) as journal:
        for line in _hand_check_lines(journal, options.vessel, body["quantity"]):
            print(line)
    return 0


def _corrects(options: argparse.Namespace) -> dict[str, int]:
    """Return which measurement is put right, and when it was made; the watch refuses where there is none."""
    with reading(journal_path(options.settings)) as journal:
        made = roots_of(logbook_of(journal, (options.vessel,), (HAND,))).get(options.corrects)
    return {"corrects": options.corrects} | ({"corrects_ms": made.at_ms} if made else {})


def _hand_check_lines(journal: Journal, vessel: str, quantity: str) -> list[str]:
    """Say how the newest hand measurement of a quantity compares with each probe of its vessel."""
    found = journal.history.newest_notice(CHECKED, f"{vessel}/{quantity}")
    if found is None or not found.details["compared"]:
        minutes = COMPARED_WITHIN_MS // 60_000
        return [f"{vessel}/{quantity}: written down; no probe had a usable value in the last {minutes} min"]
    lines = []
    for check in found.details["compared"]:
        name, its = check["channel"], quantity_of(check["channel"])
        hand, reads = number(found.details["hand"], its), number(check["reads"], its)
        away = f"; it walks away ({shown_reason(check['rule'], its)})" if check["rule"] is not None else ""
        lines.append(
            f"{name}: {hand} by hand, {check['probe']} says {reads}: {apart(check['difference'], its)}{away}"
        )
    return lines
