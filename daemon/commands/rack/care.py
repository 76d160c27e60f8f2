"""`bellwatch calibrate`, `calibrations` and `measure`: what people do to keep probes honest."""

import argparse
import getpass
import math
from contextlib import closing
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from daemon.check.load import load_settings
from daemon.commands.rack.care_words import calibration_line, hand_check_lines
from daemon.errors import RequestError
from daemon.journal.asking import ask_daemon
from daemon.journal.calibrations import CALIBRATE, calibrations_in
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.settings.rack import Settings
from rules.care.calibration import air_saturated, quantity_named
from rules.errors import RulesError
from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE

SPECIFIC_GRAVITY = "specific_gravity"

Commands = argparse._SubParsersAction


def pair(text: str) -> tuple[float, float]:
    """Read two numbers such as 49.2=50.0."""
    first, mark, second = text.partition("=")
    try:
        numbers = float(first), float(second)
    except ValueError:
        numbers = (math.nan, math.nan)
    if not mark or not all(map(math.isfinite, numbers)):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected two numbers, such as 49.2=50.0")
    return numbers


def add_care_parsers(commands: "Commands[argparse.ArgumentParser]") -> list[argparse.ArgumentParser]:
    """Add the parsers of this module; return them."""
    made = [_calibrate_parser(commands), _measure_parser(commands)]
    for parser in made:
        parser.add_argument("--who", default=getpass.getuser(), help="your name (default: %(default)s)")
    listing = commands.add_parser("calibrations", help="list the calibrations of every probe")
    listing.set_defaults(command=_list)
    return [*made, listing]


def _calibrate_parser(commands: "Commands[argparse.ArgumentParser]") -> argparse.ArgumentParser:
    parser = commands.add_parser(
        "calibrate",
        help="put a probe's calibration into force",
        description="What the probe reported in one or two standards, and what is true there. It is applied "
        "to what the probe reports from now on; nothing that was logged is changed.",
    )
    parser.add_argument("probe")
    parser.add_argument("quantity", help=", ".join(Quantity))
    parser.add_argument("--point", type=pair, action="append", default=[], metavar="READ=TRUE")
    parser.add_argument("--standard", required=True, help="against what: ice point, a bottle and its lot")
    parser.add_argument("--note", default="", help="in words")
    parser.add_argument(
        "--air-saturated", type=float, metavar="READ", help="oxygen: read at balance with the air"
    )
    parser.add_argument("--temperature-c", type=float, help="there, in °C")
    parser.add_argument("--salinity", type=float, default=0.0, help="there; 0 for fresh water or moist air")
    parser.add_argument(
        "--air-pressure-hpa",
        type=float,
        help="there, not reduced to sea level (default: the rack's barometer)",
    )
    parser.add_argument(
        "--cleaned",
        type=pair,
        metavar="BEFORE=AFTER",
        help="read in the vessel before wiping the probe and after",
    )
    parser.add_argument(
        "--meanwhile", type=float, default=0.0, help="by how much the water itself changed during the wiping"
    )
    parser.set_defaults(command=_calibrate)
    return parser


def _calibrate(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    points = [{"read": read, "true": true} for read, true in options.point]
    if options.air_saturated is not None:
        points.append(_air_saturated(options, settings))
    body: dict[str, Any] = {
        "probe": options.probe,
        "quantity": options.quantity,
        "points": points,
        "standard": options.standard,
        "note": options.note,
    }
    if options.cleaned is not None:
        before, after = options.cleaned
        body["cleaned"] = {"before": before, "after": after, "meanwhile": options.meanwhile}
    ask_daemon(settings.journal.path, CALIBRATE, body, options.who)
    print(f"{options.probe} {options.quantity}: calibrated by {options.who}")
    return 0


def _air_saturated(options: argparse.Namespace, settings: Settings) -> dict[str, float]:
    if options.temperature_c is None:
        raise RequestError("--air-saturated: also give --temperature-c, that of the water or moist air")
    pressure = options.air_pressure_hpa
    if pressure is None:
        pressure = _barometer_hpa(settings)
    try:
        quantity = quantity_named(options.quantity)
        point = air_saturated(
            quantity, options.air_saturated, options.temperature_c, options.salinity, pressure
        )
    except RulesError as refused:
        raise RequestError(str(refused)) from None
    return {"read": point.read, "true": point.true}


def _barometer_hpa(settings: Settings) -> float:
    with closing(Journal(settings.journal.path, writable=False)) as journal:
        engine = engine_of(journal)
    for now in engine.channels() if engine else []:
        barometer = now.channel.vessel == RACK_WIDE and now.channel.quantity is Quantity.AIR_PRESSURE
        if barometer and not now.silent and not math.isnan(now.value):
            return now.value
    raise RequestError(
        "--air-saturated: no barometer of the rack to ask; give --air-pressure-hpa, not reduced to sea level"
    )


def _measure_parser(commands: "Commands[argparse.ArgumentParser]") -> argparse.ArgumentParser:
    parser = commands.add_parser(
        "measure", help="write down what you measured by hand; it is compared with the probe"
    )
    parser.add_argument("vessel")
    parser.add_argument("quantity", help=f"{', '.join(Quantity)}, or {SPECIFIC_GRAVITY}")
    parser.add_argument("value", type=float, help="in the unit that `bellwatch status` shows")
    parser.add_argument("--method", required=True, help="such as refractometer, hydrometer, titration")
    parser.add_argument("--instrument", required=True, help="which one")
    parser.add_argument("--accuracy", type=float, help="of the instrument, plus or minus")
    parser.add_argument(
        "--scale", help="reference temperatures of a specific gravity, as printed on the instrument: 25/25"
    )
    parser.add_argument(
        "--temperature-c",
        type=float,
        help="of the sample, where a hydrometer swam in it (default: the scale's)",
    )
    parser.set_defaults(command=_measure)
    return parser


def _measure(options: argparse.Namespace) -> int:
    by_gravity = options.quantity == SPECIFIC_GRAVITY
    body: dict[str, Any] = {
        "vessel": options.vessel,
        "quantity": Quantity.SALINITY.value if by_gravity else options.quantity,
        SPECIFIC_GRAVITY if by_gravity else "value": options.value,
        "method": options.method,
        "instrument": options.instrument,
    }
    optional = {
        "accuracy": options.accuracy,
        "scale": options.scale,
        "temperature_c": options.temperature_c,
    }
    body |= {key: value for key, value in optional.items() if value is not None}
    settings = load_settings(options.settings)
    ask_daemon(settings.journal.path, "hand_measurement", body, options.who)
    with closing(Journal(settings.journal.path, writable=False)) as journal:
        for line in hand_check_lines(journal, options.vessel, body["quantity"]):
            print(line)
    return 0


def _list(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    zone = ZoneInfo(settings.rack.time_zone)
    with closing(Journal(settings.journal.path, writable=False)) as journal:
        probes = {(probe, quantity) for probe, quantity, _ in journal.inputs.sources().values()}
        made = calibrations_in(journal.inputs.actions(CALIBRATE), probes)
        engine = engine_of(journal)
    for calibration in sorted(made, key=lambda calibration: (calibration.key, calibration.at_ms)):
        print(calibration_line(calibration, zone))
    if not made:
        print("No calibration is written down yet.")
    for now in engine.calibrations() if engine else []:
        if now.due_ms is not None:
            due = datetime.fromtimestamp(now.due_ms / 1000, zone)
            print(f"{now.source.probe} {now.source.quantity}: due {due:%Y-%m-%d}")
    return 0
