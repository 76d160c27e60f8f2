"""`bellwatch calibrate`: what a probe read in standards, live or typed in, and what is made of it."""

import argparse
import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from daemon.as_read import own, shown, shown_unit
from daemon.commands.options import a_number, duration_s, journal_path, people_of, show_units_of
from daemon.commands.rack.capture import settled_reading, went_in
from daemon.commands.rack.request import add_request, ask, writer
from daemon.commands.rack.typed_in import add_unit, quantity_in
from daemon.errors import RequestError
from daemon.journal.fold import engine_of
from daemon.journal.journal import reading
from daemon.journal.logbook import CALIBRATE
from daemon.journal.sole_writer import holder_of
from daemon.tables.values import number
from daemon.words import shown_line, shown_point, typed_in
from rules.care.calibration import (
    AS_REPORTED,
    MAX_CORRECTION,
    Line,
    Moves,
    Point,
    calibration_of,
    key_of,
)
from rules.care.hand_checks import allowed_error, refuse_blind
from rules.care.misread import IN_STANDARDS
from rules.care.standards import Around, Standard, check_standard, point_in
from rules.errors import RulesError, none_such
from rules.judging.watched import ChannelNow
from rules.quantities import Quantity, with_unit
from rules.rack.plan import RACK_WIDE, Source
from rules.water.specific_conductance import Compensation

_APART = 10.0
"""Two standards are apart by so many times what the probe may be off (project judgement)."""

_BELOW_ZERO = re.compile(r"-\.?\d[^=]*(=.*)?")
"""What argparse is to take for a value and for no option: a thermometer in ice may send -0.3=0."""

_USUAL_C = 20.0
"""Every standard is known at it: it stands for the temperature of one that the probe is not in yet."""


def calibrate_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `calibrate`."""
    add = parser.add_argument
    parser._negative_number_matcher = _BELOW_ZERO  # private; there is no other way
    parser.description = (
        "Put the probe into one or two standards (--in): it is read live until it stands still. Or type in "
        "what it reported there and what is true (--point, --shown). It is applied to what the probe "
        "reports from now on; nothing that was logged is changed."
    )
    add("probe")
    add("quantity", help=", ".join(Quantity))
    add("--in", dest="standards", action="append", default=[], choices=list(Standard), help="a standard")
    add("--within", type=duration_s, default=900.0, help="how long to wait until it is stable: 15m")
    add("--adjusted", action="store_true", help="the probe itself is adjusted: read as found and as left")
    add("--point", type=_pair, action="append", default=[], metavar="READ=TRUE", help="read: as it sends")
    add("--shown", type=_pair, action="append", default=[], metavar="SHOWN=TRUE", help="as screens show it")
    add("--found", type=_pair, action="append", default=[], metavar="READ=TRUE", help="before adjusting it")
    add("--replaced", action="store_true", help="it is a new probe: the one before tells nothing of it")
    add("--withdrawn", action="store_true", help="the newest calibration was a mistake: it never was")
    add("--moves", choices=[Moves.OFFSET, Moves.SLOPE], help="what one point moves (default: by quantity)")
    add("--standard", default="", help="against what: ice point, a bottle and its lot")
    add("--standard-accuracy", type=a_number, help="of the standard, plus or minus")
    add("--note", default="", help="in words")
    add("--air-saturated", type=a_number, metavar="READ", help="oxygen: read at balance with the air")
    add("--temperature", type=a_number, help="there, as shown (default: as the probe itself shows it)")
    add("--salinity", type=a_number, help="there; 0: fresh water, moist air; of seawater: that on its bottle")
    hpa = "there, not reduced to sea level (default: the rack's barometer)"
    add("--air-pressure-hpa", type=a_number, help=hpa)
    wiped = "read in the vessel before wiping the probe and after"
    add("--cleaned", type=_pair, metavar="BEFORE=AFTER", help=wiped)
    moved = "by how much the water itself changed during the wiping"
    add("--meanwhile", type=a_number, default=0.0, help=moved)
    add_unit(parser)
    add_request(parser, _calibrate)


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
    show_units_of(options.settings)
    options.who = writer(options.who, people_of(options.settings))
    path, quantity = journal_path(options.settings), quantity_in(options)
    _refuse_unheeded(options, quantity)
    if options.withdrawn:
        return _withdraw(options, quantity, path)
    rig = _rig(path, options.probe, quantity)
    work = _Work(options, quantity, path, rig)
    found, points = work.as_found(), work.points()
    _refuse_near(points, rig.source)
    said = {key: getattr(options, key) for key in ("probe", "quantity", "note")}
    standard = options.standard or ", ".join(options.standards)
    body: dict[str, Any] = {**said, "standard": standard, "points": list(map(_plain, points))}
    if found:
        body["found"] = list(map(_plain, found))
    if options.moves is not None:
        body["moves"] = options.moves
    if options.replaced:
        body["replaced"] = True
    elif rig.line != AS_REPORTED and len(points) == 1:
        body["base"] = asdict(rig.line)
    if options.cleaned is not None:
        before, after = work.own(options.cleaned)
        meanwhile = typed_in(options.meanwhile, quantity, options.unit, difference=True)
        body["cleaned"] = {"before": before, "after": after, "meanwhile": meanwhile}
    ask(options, CALIBRATE, body)
    print(f"{options.probe} {options.quantity}: calibrated by {options.who}")
    made = calibration_of(body, 0, options.who)
    read = ", ".join(_in_words(shown_point(point, quantity)) for point in points)
    print(f"{read}, as the probe sends it (raw). It moves the {made.moves}:")
    print(_what_changes(rig, made.line, _sent_now(path, rig.source)))
    return 0


def _withdraw(options: argparse.Namespace, quantity: Quantity, path: Path) -> int:
    """Take the newest calibration back, and say what holds again."""
    was = _rig(path, options.probe, quantity)
    body = {"probe": options.probe, "quantity": options.quantity, "note": options.note, "withdrawn": True}
    ask(options, CALIBRATE, body)
    print(f"{options.probe} {options.quantity}: the newest calibration is taken back by {options.who}:")
    now = _rig(path, options.probe, quantity)
    print(_what_changes(was, now.line, _sent_now(path, now.source)))
    return 0


def _refuse_unheeded(options: argparse.Namespace, quantity: Quantity) -> None:
    """Raise RequestError for what would be left out, or taken for granted, without a word."""
    if options.adjusted and (options.found or not options.standards):
        raise RequestError("--adjusted: reads the probe live, with --in; typed in it is --found and --point")
    if options.replaced and (options.adjusted or options.found or options.cleaned):
        raise RequestError("--replaced: of a new probe nothing is found or wiped; first calibrate the old")
    count = len(options.standards) + len(options.point) + len(options.shown)
    if options.found and not count and options.air_saturated is None:
        raise RequestError(
            "--found: also give what it reads now it is adjusted, --point; if it is not, that alone"
        )
    typed_air = options.air_saturated is not None
    others = options.found or options.cleaned or options.replaced or options.moves or options.standard
    if options.withdrawn and (count or typed_air or others):
        raise RequestError("--withdrawn: goes alone; calibrate anew once it is taken back")
    if count + typed_air > 2 or len(set(options.standards)) < len(options.standards):
        raise RequestError("one point, or two in standards apart; more of them make no line")
    if options.moves and count + typed_air > 1:
        raise RequestError("--moves: two points make slope and offset; give one, or leave it out")
    if Standard.SEAWATER in options.standards and options.salinity is None:
        raise RequestError(f"{Standard.SEAWATER}: give the --salinity on its bottle")
    in_water = typed_air or Standard.WATER_IN_AIR in options.standards
    if in_water and quantity is Quantity.OXYGEN and options.salinity is None:
        raise RequestError(f"{Standard.WATER_IN_AIR}: give its --salinity, 0 for fresh water and moist air")


def _refuse_near(points: list[Point], source: Source) -> None:
    """Raise RequestError where two points are so near that the probe's own errors would be the slope."""
    least = _APART * allowed_error(source)
    if len(points) == 2 and abs(points[0].true - points[1].true) < least:
        apart = with_unit(source.quantity, least, difference=True)
        raise RequestError(f"two points so near tell no slope; standards {apart} apart would, or give one")


@dataclass(frozen=True, slots=True)
class _Rig:
    """The probe as the journal knows it: its source, the line in force, what the rack shows now.

    `held` is whether its vessel is under maintenance, so that nobody is called for what it meets.
    """

    source: Source
    line: Line
    channels: list[ChannelNow]
    held: bool

    def shows(self, quantity: Quantity, *, of_rack: bool = False) -> float:
        """Return what the probe shows of another quantity, or the rack's; NaN where it shows none."""
        for now in self.channels:
            its = now.channel
            here = its.vessel == RACK_WIDE if of_rack else its.source.probe == self.source.probe
            if here and its.quantity is quantity and its.measured and not now.silent:
                return now.value
        return math.nan


def _rig(path: Path, probe: str, quantity: Quantity) -> _Rig:
    with reading(path) as journal:
        engine = engine_of(journal)
        standing = [] if engine is None else engine.calibrations()
        by_key = {key_of(its.source.probe, its.source.quantity): its for its in standing}
        its = by_key.get(key_of(probe, quantity))
        if engine is None or its is None:
            raise RequestError(none_such(key_of(probe, quantity), list(by_key)))
        line = AS_REPORTED if its.newest is None else its.newest.line
        held = f"vessel/{its.source.vessel}" in engine.maintenance()
        return _Rig(its.source, line, engine.channels(), held)


def _sent_now(path: Path, source: Source) -> float | None:
    with reading(path) as journal:
        return journal.inputs.newest_value(source.id)


@dataclass(frozen=True, slots=True)
class _Work:
    """What somebody asks for, and how its numbers become points of what the probe sends."""

    options: argparse.Namespace
    quantity: Quantity
    path: Path
    rig: _Rig

    def own(self, pair: tuple[float, float]) -> tuple[float, float]:
        """Return two values in the quantity's own unit."""
        read, true = pair
        own_true = typed_in(true, self.quantity, self.options.unit, possible=IN_STANDARDS)
        return typed_in(read, self.quantity, self.options.unit), own_true

    def as_found(self) -> list[Point]:
        """Return what was read before anybody adjusted the probe."""
        if self.options.adjusted:
            found = self._live("as found")
            went_in("Adjust the probe")
            return found
        return [Point(*self.own(pair), self._sure() or 0.0) for pair in self.options.found]

    def points(self) -> list[Point]:
        """Return the points of the calibration."""
        options, sure = self.options, self._sure() or 0.0
        points = self._live("as left" if options.adjusted else "")
        points += [Point(*self.own(pair), sure) for pair in options.point]
        for seen, true in map(self.own, options.shown):
            if self.rig.source.compensation is not Compensation.NONE:
                raise RequestError("--shown: the probe sends it at 25 °C, screens show another; use --point")
            points.append(Point(self.rig.line.read_at(seen), true, sure))
        if options.air_saturated is not None:
            if options.temperature is None:
                raise RequestError("--air-saturated: also give --temperature, that of the water or moist air")
            read = typed_in(options.air_saturated, self.quantity, options.unit)
            points.append(self._in(Standard.WATER_IN_AIR, read))
        return points

    def _live(self, when: str) -> list[Point]:
        """Read the probe in each standard in turn."""
        points, vessel, holder = [], self.rig.source.vessel, holder_of(self.path)
        for standard in self.options.standards:
            with _refused():
                check_standard(standard, self.quantity)
            self._in(standard, 0.0, there=False)
        if self.options.standards and not (holder and holder.holds):
            raise RequestError("no watch runs that reads the probe; start `bellwatch run`, or give --point")
        if self.options.standards and not self.rig.held:
            print(f"Its alarms go out meanwhile: `bellwatch maintain vessel/{vessel}` holds them back.")
        for standard in self.options.standards:
            went_in(f"Put {self.options.probe} into {standard}{' ' + when if when else ''}")
            got = settled_reading(self.path, self.rig.source, self.options.within, print)
            point = self._in(standard, got.mean)
            points.append(replace(point, uncertainty=math.hypot(point.uncertainty, got.uncertainty)))
            was = shown(self.rig.line.value_of(got.mean), self.quantity)
            print(f"  true there: {_in_words(shown_point(points[-1], self.quantity))}; shown was {was:.5g}")
        return points

    def _in(self, standard: str, read: float, *, there: bool = True) -> Point:
        """Return the point of a reading in a standard; not `there` yet, to see at once what cannot be."""
        options, here = self.options, _rig(self.path, self.options.probe, self.quantity)
        at_c = options.temperature
        if here.source.compensation is not Compensation.NONE:
            at_c = 25.0  # the probe says itself what it would be there
        elif at_c is None:
            at_c = here.shows(Quantity.TEMPERATURE) if there else _USUAL_C
        else:
            at_c = own(at_c, Quantity.TEMPERATURE)
        hpa = self._air_hpa(standard, here)
        salinity = math.nan if options.salinity is None else options.salinity
        with _refused():
            return point_in(standard, self.quantity, read, Around(at_c, hpa, salinity, self._sure()))

    def _air_hpa(self, standard: str, rig: _Rig) -> float:
        """Return the air pressure; RequestError where the standard needs it and nobody knows it for sure."""
        given, seen = self.options.air_pressure_hpa, rig.shows(Quantity.AIR_PRESSURE, of_rack=True)
        if standard not in (Standard.WATER_IN_AIR, Standard.MOIST_AIR):
            return seen
        if given is None and math.isnan(seen):
            raise RequestError(
                f"{standard}: no barometer of the rack to ask; give --air-pressure-hpa, not of sea level"
            )
        if given is not None and abs(given - seen) > MAX_CORRECTION[Quantity.AIR_PRESSURE]:
            raise RequestError(
                f"--air-pressure-hpa {given:g}: the rack's barometer shows {seen:.5g} hPa; give what is there"
                " in hPa, or leave it out"
            )
        return seen if given is None else float(given)

    def _sure(self) -> float | None:
        given = self.options.standard_accuracy
        if given is None:
            return None
        sure = typed_in(given, self.quantity, self.options.unit, difference=True)
        with _refused():
            refuse_blind(self.quantity, sure, "--standard-accuracy")
        return sure


@contextmanager
def _refused() -> Iterator[None]:
    """Tell the person who asked what the rules refuse."""
    try:
        yield
    except RulesError as refused:
        raise RequestError(str(refused)) from None


def _plain(point: Point) -> dict[str, float]:
    plain = asdict(point)
    return plain if point.uncertainty else {key: plain[key] for key in ("read", "true")}


def _in_words(point: Point) -> str:
    sure = f" ± {point.uncertainty:.2g}" if point.uncertainty else ""
    return f"{point.read:.5g} read for {point.true:.5g}{sure}"


def _what_changes(rig: _Rig, line: Line, raw: float | None) -> str:
    """Say what the line was and is, and what it makes of what the probe sends now."""
    quantity, lines = rig.source.quantity, (rig.line, line)
    unit, both = shown_unit(quantity), [shown_line(its, quantity) for its in lines]
    was, now = (f"slope {its.slope:.4g}, offset {its.offset:.4g} {unit}".rstrip() for its in both)
    if raw is None:
        return f"{now} (was {was})"
    values = raw, rig.line.value_of(raw), line.value_of(raw)
    sent, so_far, from_now = (f"{shown(value, quantity):.5g}" for value in values)
    return f"{now} (was {was}); it sends {sent}, shown as {so_far} so far and {from_now} now"
