"""`bellwatch calibrations`: what was calibrated, how the probes wear, when each is due; certificates."""

import argparse
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from daemon.as_read import shown, shown_unit
from daemon.check.load import load_settings
from daemon.commands.options import add_settings
from daemon.errors import JournalError
from daemon.journal.dating import Dating
from daemon.journal.fold import engine_of, nothing_judged
from daemon.journal.journal import reading
from daemon.journal.logbook import CALIBRATE, calibrations_in
from daemon.words import length_of_time, shown_line, shown_point
from rules.care.calibration import Calibration, Line, Point
from rules.care.drift import error_found
from rules.care.probe_care import CalibrationNow
from rules.care.wear import DAY_MS, worn
from rules.errors import none_such


def calibrations_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibrations`."""
    parser.add_argument("probe", nargs="?", help="only this one")
    parser.add_argument("--certificate", action="store_true", help="each as a certificate, in full")
    add_settings(parser)
    parser.set_defaults(command=_list)


def _list(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    zone = ZoneInfo(settings.rack.time_zone)
    path = settings.journal.path
    with reading(path) as journal:
        dating, engine = journal.state.dating(), engine_of(journal)
        if engine is None and journal.inputs.last_seq():
            raise nothing_judged(journal)
        unreadable = sum(it.kind != CALIBRATE for it in journal.inputs.actions(CALIBRATE))
        made = [
            replace(it, at_ms=dating.utc_ms(it.at_ms))
            for it in calibrations_in(journal)
            if options.probe in (None, it.probe)
        ]
    made.sort(key=lambda calibration: calibration.key)  # of each the oldest first, also where a clock was set
    before: dict[str, Calibration] = {}
    for calibration in made:
        if options.certificate:
            print("\n".join(_certificate(settings.rack.name, calibration, before.get(calibration.key), zone)))
        else:
            print(_calibration_line(calibration, zone))
        before[calibration.key] = calibration
    if not made and options.probe not in (None, *settings.probes):
        raise JournalError(f"probe: {none_such(options.probe, list(settings.probes))}")
    if not made and not unreadable:
        print("No calibration is written down yet.")
    for now in engine.calibrations() if engine else []:
        if options.probe in (None, now.source.probe):
            for line in _health(now, dating, zone):
                print(f"{now.source.probe} {now.source.quantity}: {line}")
    if unreadable:
        raise JournalError(f"journal {path}: damaged: {unreadable} more cannot be read")
    return 0


def _health(now: CalibrationNow, dating: Dating, zone: tzinfo) -> Iterator[str]:
    """Say how a probe's quantity wears, whether it is to be replaced, and when it is due."""
    if now.newest is not None and now.wear.over_ms:
        value, quantity = now.newest.points[-1].true, now.source.quantity
        drifted = shown(now.wear.error_at(value, 100 * DAY_MS), quantity, difference=True)
        pace = f"{drifted:.2g} {shown_unit(quantity)}".rstrip()
        over = length_of_time(now.wear.over_ms / 1000)
        yield f"drifts by {pace} in 100 d at {shown(value, quantity):g}, seen over {over}"
    if now.newest is not None and worn(now.newest):
        yield f"its slope is {now.newest.line.slope:.3g}: replace the sensor"
    if now.due_ms is not None:
        yield f"due {datetime.fromtimestamp(dating.utc_ms(now.due_ms) / 1000, zone):%Y-%m-%d}"


def _certificate(rack: str, made: Calibration, before: Calibration | None, zone: tzinfo) -> Iterator[str]:
    """Write down one calibration in full."""
    its, unit = made.quantity, shown_unit(made.quantity)
    yield f"Calibration of {made.probe}, {made.quantity}, rack {rack}"
    yield f"  when, by whom   {datetime.fromtimestamp(made.at_ms / 1000, zone):%Y-%m-%d %H:%M %Z}, {made.who}"
    yield f"  against         {made.standard}"
    for name, points in (("as found", made.as_found), ("as left", made.points)):
        for point in points:
            yield f"  {name:15} {_pair(shown_point(point, its), unit)}"
    if made.cleaned is not None:
        before_it, after_it = shown(made.cleaned.before, its), shown(made.cleaned.after, its)
        water = shown(made.cleaned.meanwhile, its, difference=True)
        yield f"  wiped           {before_it:g} before, {after_it:g} after, the water {water:+g}"
    if made.replaced:
        yield "  since the last  a new probe"
    elif before is not None:
        gain, zero = error_found(before, made)
        zero = shown_line(Line(gain, zero), its).offset
        yield f"  since the last  gain {gain:.5g}, zero {zero:+.4g} {unit}".rstrip()
    yield f"  it moves        the {made.moves}"
    line = shown_line(made.line, its)
    yield f"  line            value = {line.slope:.6g} * sent {line.offset:+.5g} {unit}".rstrip()
    for point in made.points:
        sure = shown(made.uncertainty_at(point.true), its, difference=True)
        yield f"  sure at {shown(point.true, its):<8g}{_sure(sure, unit)}"
    yield f"  note            {made.note or '-'}"


def _pair(point: Point, unit: str) -> str:
    return f"sent {point.read:g} (raw), true {point.true:g} {_sure(point.uncertainty, unit)}"


def _sure(uncertainty: float, unit: str) -> str:
    """Write an uncertainty; nobody who states none is sure to the last digit."""
    return f"± {uncertainty:.2g} {unit}".rstrip() if uncertainty else f"{unit} (accuracy not stated)".lstrip()


def _calibration_line(made: Calibration, zone: tzinfo) -> str:
    when = datetime.fromtimestamp(made.at_ms / 1000, zone)
    pairs = [shown_point(point, made.quantity) for point in made.points]
    its = shown_line(made.line, made.quantity)
    points = ", ".join(f"{point.read:g} read for {point.true:g}" for point in pairs)
    line = f"slope {its.slope:.4g}, offset {its.offset:.4g} {shown_unit(made.quantity)}".rstrip()
    note = (", of a new probe" if made.replaced else "") + (f" ({made.note})" if made.note else "")
    return (
        f"{made.probe} {made.quantity}: {when:%Y-%m-%d %H:%M} {points}: {line}; "
        f"against {made.standard}, by {made.who}{note}"
    )
