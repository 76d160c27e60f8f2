"""`bellwatch probe`: the ports, who answers on a bus, one reading with its bytes, a live look at a probe."""

import argparse
import time
from collections.abc import Iterator, Mapping

from daemon.as_read import show_temperatures_in
from daemon.buses.ports import serial_ports
from daemon.buses.shape import ProbeSettings, Sent
from daemon.check.load import load_settings
from daemon.commands.going_live.live import Live, advised
from daemon.commands.going_live.scan import ANSWERS, SCANNED_AT_FIRST, who_answers
from daemon.commands.options import add_settings, duration_s
from daemon.errors import RequestError
from daemon.journal.sole_writer import holder_of
from daemon.settings.rack import Settings
from daemon.tables.words import one_of
from daemon.view.rack import rack_now
from daemon.view.rack_now import ChannelNow, RackNow
from daemon.view.reader import JournalView
from daemon.words import amount, number
from drivers.errors import DriverError
from drivers.readings import Reading, Trouble
from rules.care.misread import Around, is_plausible, read_otherwise
from rules.care.stability import WINDOW, settled
from rules.quantities import Quantity, unit_of

STILL: Mapping[Quantity, float] = {
    Quantity.TEMPERATURE: 0.2,
    Quantity.CONDUCTIVITY: 0.5,
    Quantity.SALINITY: 0.5,
    Quantity.OXYGEN: 0.2,
    Quantity.OXYGEN_SATURATION: 2.0,
    Quantity.AIR_PRESSURE: 1.0,
}
"""What a probe without a stated accuracy may be off by, for "stands still" (project judgement)."""
_USUAL = Around(15.0, 33.0, 1013.25)
"""Water in which mg/L and % are told apart where nothing better is known (common practice, no source)."""
_STOP = "stop it first (sudo systemctl stop bellwatch), or read what it reads: bellwatch status"


def probe_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `probe`."""
    parser.set_defaults(command=_list)
    ways = parser.add_subparsers(required=True, metavar="list|scan|read|follow")
    add_settings(
        ways.add_parser("list", help="the serial ports by their stable names, and the buses on them")
    )
    scan = ways.add_parser("scan", help="who answers on a bus; not while the watch runs")
    scan.add_argument("bus")
    scan.add_argument("--from", dest="first", metavar="ADDRESS", help="default: the first that there can be")
    scan.add_argument("--to", dest="last", metavar="ADDRESS", help="default: the 32nd that there can be")
    ways.add_parser("read", help="one reading with its bytes, and what makes sense of them")
    follow = ways.add_parser("follow", help="readings as they come, and whether they stand still")
    follow.add_argument("--for", dest="for_s", type=duration_s, default=600.0, help="how long (default: 10m)")
    for way, command in (("list", _list), ("scan", _scan), ("read", _read), ("follow", _follow)):
        its = ways.choices[way]
        if way in ("read", "follow"):
            its.add_argument("probe")
        if way != "list":
            add_settings(its)
        its.set_defaults(command=command)


def _settings(options: argparse.Namespace) -> tuple[Settings, bool]:
    """Return the settings, and whether a watch is running by them."""
    settings = load_settings(options.settings)
    show_temperatures_in(settings.rack.temperatures_in)
    holder = holder_of(settings.journal.path)
    return settings, holder is not None and holder.holds


def _list(options: argparse.Namespace) -> int:
    buses = load_settings(options.settings).buses if options.settings.exists() else {}
    used = {bus.serial_port: name for name, bus in buses.items()}
    for port in serial_ports():
        bus = used.get(port.name) or used.get(port.device)
        of = f"bus {bus}" if bus else "free"
        may = "" if port.may_open else "; no right to it: sudo usermod -aG dialout $USER, then log in anew"
        print("  ".join(part for part in (port.name, port.device, port.what, of + may) if part))
    if not serial_ports():
        print("no serial port on this machine; is the adapter plugged in? dmesg | tail shows what came of it")
    return 0


def _scan(options: argparse.Namespace) -> int:
    settings, watched = _settings(options)
    bus = settings.buses.get(options.bus)
    if bus is None:
        raise RequestError(
            f"bus: found {options.bus}; expected {one_of('a bus', settings.buses, options.bus)}"
        )
    if (to_scan := bus.to_scan(options.bus)) is None:
        raise RequestError(
            f"{options.bus}: {bus.called} has no addresses to go through; its probes are heard without: "
            "bellwatch probe read PROBE"
        )
    quick, probes = to_scan
    chosen = _between(list(probes), options.first, options.last)
    if watched:
        raise RequestError(f"{options.bus}: the watch is using it, and nothing disturbs it; {_STOP}")
    answered = 0
    for address, what in who_answers(options.bus, quick, {it: probes[it] for it in chosen}):
        print(f"{address}: {what}", flush=True)
        answered += what == ANSWERS
    advice = "" if answered else "; check power, wiring (A and B swapped?), baud and parity"
    print(f"{answered} of {len(chosen)} addresses answered, {chosen[0]} to {chosen[-1]}{advice}")
    return 0 if answered else 1


def _between(addresses: list[str], first: str | None, last: str | None) -> list[str]:
    first, last = first or addresses[0], last or addresses[SCANNED_AT_FIRST - 1]
    if {first, last} <= set(addresses) and addresses.index(first) <= addresses.index(last):
        return addresses[addresses.index(first) : addresses.index(last) + 1]
    raise RequestError(
        f"--from, --to: found {first} to {last}; expected within {addresses[0]} to {addresses[-1]}"
    )


def _read(options: argparse.Namespace) -> int:
    settings, watched = _settings(options)
    name, probe = options.probe, _probe(settings, options.probe)
    if watched:
        by_the_watch = [*_by_the_watch(settings, name)]
        print(
            *by_the_watch or [f"{name}: the watch does not read it yet; sudo systemctl restart bellwatch"],
            sep="\n",
        )
        return 0 if by_the_watch else 1
    asked = probe.as_sent()
    came, patience_s = dict[str, float](), 5 + 1.2 * probe.every_s
    try:
        with Live.of(settings, {name: asked}) as live:
            for said in live.said(patience_s):
                if isinstance(said, Trouble) and said.kind not in ("slow", "late"):
                    raise RequestError(advised(said))
                if isinstance(said, Reading):
                    came[said.quantity] = said.value
                if all(asked.sent(index, came) for index in range(len(probe.measurements))):
                    break
    except DriverError as error:
        raise RequestError(str(error)) from error
    for index, measurement in enumerate(probe.measurements):
        sent = asked.sent(index, came)
        lines = (
            [f"{measurement.quantity}: nothing within {patience_s:.0f} s"]
            if sent is None
            else _lines(measurement.quantity, sent)
        )
        print(*lines, sep="\n")
    return 0 if came else 1


def _probe(settings: Settings, name: str) -> ProbeSettings:
    if name not in settings.probes:
        raise RequestError(f"probe: found {name}; expected {one_of('a probe', settings.probes, name)}")
    return settings.probes[name]


def _lines(quantity: Quantity, sent: Sent) -> Iterator[str]:
    """Say what was sent, whether it makes sense as it is set, and if not what would."""
    unit = unit_of(quantity)
    how = f" ({sent.how})" if sent.how else ""
    sense = is_plausible(quantity, sent.value)
    verdict = "makes sense" if sense else "makes no sense: no water or air is so"
    yield f"{quantity}: raw {sent.raw}; as set{how} {sent.value:.6g} {unit}".rstrip() + f": {verdict}"
    others = [] if sense else [(it.as_what, it.value) for it in read_otherwise(quantity, sent.value, _USUAL)]
    found = [it for it in others if not (it[0].startswith("with") and sent.others)]
    found += [(f"as {way}", value) for way, value in sent.others if is_plausible(quantity, value)]
    for way, value in found:
        yield f"    {'also' if sense else 'it would make sense'} {way}: {value:.6g} {unit}".rstrip()
    if not (sense or found):
        yield "    nor otherwise: is it in water, is the address its manual's, or this its sign of a fault?"


def _by_the_watch(settings: Settings, name: str) -> Iterator[str]:
    for channel in _channels(rack_now(JournalView(settings), int(time.time() * 1000))):
        if channel.probe == name:
            value = "no value" if channel.value is None else number(channel.value, channel.quantity)
            age = "" if channel.age_s is None else f", {channel.age_s:.0f} s ago"
            yield f"{channel.name}: {value}{age}, as the watch reads it"


def _channels(rack: RackNow) -> list[ChannelNow]:
    return [*rack.rack_wide, *(it for vessel in rack.vessels for it in vessel.channels)]


def _follow(options: argparse.Namespace) -> int:
    settings, watched = _settings(options)
    probe, values = _probe(settings, options.probe), dict[str, list[float]]()
    for quantity, value in _watched(settings, options) if watched else _alone(settings, options):
        of_it = values.setdefault(quantity, [])
        of_it[:] = [*of_it, value][-WINDOW:]
        its = Quantity(quantity)
        print(f"{its}: {amount(value, its)}  {_stability(probe, its, of_it)}", flush=True)
    if not values:
        print(f"nothing of {options.probe} within {options.for_s:.0f} s")
    return 0 if values else 1


def _stability(probe: ProbeSettings, quantity: Quantity, values: list[float]) -> str:
    stated = next(it.stated_accuracy for it in probe.measurements if it.quantity == quantity)
    newest = settled(values)
    if newest is None:
        return f"{len(values)} of {WINDOW} readings"
    still = newest.within(stated or STILL[quantity])
    return "stands still" if still else f"moves by {number(newest.moved, quantity, difference=True)}"


def _alone(settings: Settings, options: argparse.Namespace) -> Iterator[tuple[str, float]]:
    probe = settings.probes[options.probe]
    with Live.of(settings, {options.probe: probe}) as live:
        for said in live.said(options.for_s):
            if isinstance(said, Reading) and said.quantity in probe.quantities:
                yield said.quantity, said.value
            elif isinstance(said, Trouble):
                print(advised(said), flush=True)


def _watched(settings: Settings, options: argparse.Namespace) -> Iterator[tuple[str, float]]:
    """Give what the running watch has read of the probe, as it comes."""
    view, seen, until = JournalView(settings), dict[str, float](), time.monotonic() + options.for_s
    while time.monotonic() < until:
        now_ms = int(time.time() * 1000)
        for its in _channels(rack_now(view, now_ms)):
            read_ms = now_ms - 1000 * (its.age_s or 0)
            is_new = its.probe == options.probe and read_ms > seen.get(its.name, 0) + 500
            if is_new and its.value is not None:
                seen[its.name] = read_ms
                yield its.quantity, its.value
        time.sleep(1.0)
