"""`bellwatch calibrate` and `calibrations`: what a probe read in standards, and what was made of it."""

import argparse
import math
from contextlib import closing
from dataclasses import asdict
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from daemon.check.load import load_settings
from daemon.commands.options import add_settings, journal_path
from daemon.commands.rack.request import add_request, ask
from daemon.errors import RequestError
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.journal.logbook import CALIBRATE, calibrations_in
from daemon.tables.values import number
from rules.care.calibration import Calibration, air_saturated, quantity_named
from rules.errors import RulesError
from rules.quantities import Quantity, unit_of
from rules.rack.plan import RACK_WIDE


def calibrate_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibrate`."""
    add = parser.add_argument
    parser.description = (
        "What the probe reported in one or two standards, and what is true there. It is applied "
        "to what the probe reports from now on; nothing that was logged is changed."
    )
    add("probe")
    add("quantity", help=", ".join(Quantity))
    add("--point", type=_pair, action="append", default=[], metavar="READ=TRUE")
    add("--standard", required=True, help="against what: ice point, a bottle and its lot")
    add("--note", default="", help="in words")
    add("--air-saturated", type=number, metavar="READ", help="oxygen: read at balance with the air")
    add("--temperature-c", type=number, help="there, in °C")
    add("--salinity", type=number, default=0.0, help="there; 0 for fresh water or moist air")
    add(
        "--air-pressure-hpa",
        type=number,
        help="there, not reduced to sea level (default: the rack's barometer)",
    )
    add(
        "--cleaned",
        type=_pair,
        metavar="BEFORE=AFTER",
        help="read in the vessel before wiping the probe and after",
    )
    add(
        "--meanwhile", type=number, default=0.0, help="by how much the water itself changed during the wiping"
    )
    add_request(parser, _calibrate)


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
    said = {key: getattr(options, key) for key in ("probe", "quantity", "standard", "note")}
    body: dict[str, Any] = {**said, "points": points}
    if options.cleaned is not None:
        before, after = options.cleaned
        body["cleaned"] = {"before": before, "after": after, "meanwhile": options.meanwhile}
    ask(options, CALIBRATE, body)
    print(f"{options.probe} {options.quantity}: calibrated by {options.who}")
    return 0


def _air_saturated(options: argparse.Namespace) -> dict[str, float]:
    if options.temperature_c is None:
        raise RequestError("--air-saturated: also give --temperature-c, that of the water or moist air")
    hpa = options.air_pressure_hpa
    if hpa is None:
        hpa = _barometer_hpa(journal_path(options.settings))
    try:
        quantity, temperature_c = quantity_named(options.quantity), options.temperature_c
        return asdict(air_saturated(quantity, options.air_saturated, temperature_c, options.salinity, hpa))
    except RulesError as refused:
        raise RequestError(str(refused)) from None


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
        made = calibrations_in(journal)
        engine = engine_of(journal)
    for calibration in sorted(made, key=lambda calibration: (calibration.key, calibration.at_ms)):
        print(_calibration_line(calibration, zone))
    if not made:
        print("No calibration is written down yet.")
    for now in engine.calibrations() if engine else []:
        if now.due_ms is not None:
            due = datetime.fromtimestamp(now.due_ms / 1000, zone)
            print(f"{now.source.probe} {now.source.quantity}: due {due:%Y-%m-%d}")
    return 0


def _calibration_line(made: Calibration, zone: tzinfo) -> str:
    when = datetime.fromtimestamp(made.at_ms / 1000, zone)
    points = ", ".join(f"{point.read:g} read for {point.true:g}" for point in made.points)
    line = f"slope {made.line.slope:.4g}, offset {made.line.offset:.4g} {unit_of(made.quantity)}".rstrip()
    note = f" ({made.note})" if made.note else ""
    return (
        f"{made.probe} {made.quantity}: {when:%Y-%m-%d %H:%M} {points}: {line}; "
        f"against {made.standard}, by {made.who}{note}"
    )
