"""`bellwatch calibrate` and `calibrations`: what a probe read in standards, and what was made of it."""

import argparse
import math
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from daemon.check.load import load_settings
from daemon.commands.options import add_settings, journal_path
from daemon.commands.rack.care_words import calibration_line
from daemon.commands.rack.request import add_request, ask_and_say
from daemon.errors import RequestError
from daemon.journal.calibrations import CALIBRATE, calibrations_in
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.tables.values import number
from rules.care.calibration import air_saturated, quantity_named
from rules.errors import RulesError
from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE


def calibrate_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibrate`."""
    parser.description = (
        "What the probe reported in one or two standards, and what is true there. It is applied "
        "to what the probe reports from now on; nothing that was logged is changed."
    )
    parser.add_argument("probe")
    parser.add_argument("quantity", help=", ".join(Quantity))
    parser.add_argument("--point", type=_pair, action="append", default=[], metavar="READ=TRUE")
    parser.add_argument("--standard", required=True, help="against what: ice point, a bottle and its lot")
    parser.add_argument("--note", default="", help="in words")
    parser.add_argument(
        "--air-saturated", type=number, metavar="READ", help="oxygen: read at balance with the air"
    )
    parser.add_argument("--temperature-c", type=number, help="there, in °C")
    parser.add_argument("--salinity", type=number, default=0.0, help="there; 0 for fresh water or moist air")
    parser.add_argument(
        "--air-pressure-hpa",
        type=number,
        help="there, not reduced to sea level (default: the rack's barometer)",
    )
    parser.add_argument(
        "--cleaned",
        type=_pair,
        metavar="BEFORE=AFTER",
        help="read in the vessel before wiping the probe and after",
    )
    parser.add_argument(
        "--meanwhile", type=number, default=0.0, help="by how much the water itself changed during the wiping"
    )
    add_request(parser)
    parser.set_defaults(command=_calibrate)


def calibrations_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibrations`."""
    add_settings(parser)
    parser.set_defaults(command=_list)


def _pair(text: str) -> tuple[float, float]:
    """Read two numbers such as 49.2=50.0."""
    first, mark, second = text.partition("=")
    try:
        numbers = number(first), number(second)
    except ValueError:
        numbers = (math.nan, math.nan)
    if not mark or not all(map(math.isfinite, numbers)):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected two numbers, such as 49.2=50.0")
    return numbers


def _calibrate(options: argparse.Namespace) -> int:
    points = [{"read": read, "true": true} for read, true in options.point]
    if options.air_saturated is not None:
        points.append(_air_saturated(options))
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
    done = f"{options.probe} {options.quantity}: calibrated by {options.who}"
    return ask_and_say(options, CALIBRATE, body, done)


def _air_saturated(options: argparse.Namespace) -> dict[str, float]:
    if options.temperature_c is None:
        raise RequestError("--air-saturated: also give --temperature-c, that of the water or moist air")
    pressure = options.air_pressure_hpa
    if pressure is None:
        pressure = _barometer_hpa(journal_path(options.settings))
    try:
        quantity = quantity_named(options.quantity)
        point = air_saturated(
            quantity, options.air_saturated, options.temperature_c, options.salinity, pressure
        )
    except RulesError as refused:
        raise RequestError(str(refused)) from None
    return {"read": point.read, "true": point.true}


def _barometer_hpa(path: Path) -> float:
    with closing(Journal(path, writable=False)) as journal:
        engine = engine_of(journal)
    for now in engine.channels() if engine else []:
        barometer = now.channel.vessel == RACK_WIDE and now.channel.quantity is Quantity.AIR_PRESSURE
        if barometer and not now.silent and not math.isnan(now.value):
            return now.value
    raise RequestError(
        "--air-saturated: no barometer of the rack to ask; give --air-pressure-hpa, not reduced to sea level"
    )


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
