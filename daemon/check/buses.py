"""Cross-checks of buses of all kinds, of the way to the broker, and of who could command over it."""

import os
from collections.abc import Iterator
from itertools import combinations

from daemon.buses.broker_link import secret_file
from daemon.buses.shape import BusSettings
from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.tables.words import shown, where


def bus_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with buses and with the probes that share one."""
    yield from _shared_ports(draft)
    for name, bus in draft.settings.buses.items():
        yield from _read_twice(draft, name)
        yield from bus.findings(name, draft.settings.probes_on(name))
        yield from _waits_too_long(draft, name, bus)
    yield from _shared_brokers(draft)
    yield from draft.settings.broker.link_findings("broker")
    mirror = draft.settings.mirror
    token, key = mirror.token_file if mirror else None, draft.settings.page.key
    for path, file in {"mirror.token_file": token, "page.key": key}.items():
        if file is not None and file.exists():
            yield from secret_file(path, file)


def _shared_ports(draft: Draft) -> Iterator[Finding]:
    first: dict[str, str] = {}
    for name, bus in draft.settings.buses.items():
        if bus.serial_port is None:
            continue
        if "://" in bus.serial_port:
            expected = 'the path of a serial port, such as "/dev/ttyUSB0"; a gateway is a bus of its own kind'
            yield Finding(where("buses", name, "port"), shown(bus.serial_port), expected)
            continue
        other = first.setdefault(os.path.realpath(bus.serial_port), name)  # two names may be one device
        if other != name:
            expected = f"another port, as buses.{other} has it; probes on one port share one bus"
            yield Finding(where("buses", name, "port"), shown(bus.serial_port), expected)


def _shared_brokers(draft: Draft) -> Iterator[Finding]:
    """Warn of what reads the same at one broker by way of two buses."""
    buses = draft.settings.buses
    for (first, one), (second, other) in combinations(draft.settings.probes.items(), 2):
        ways = [buses[probe.bus].reached_at if probe.bus in buses else None for probe in (one, other)]
        if one.bus != other.bus and ways[0] and ways[0] == ways[1] and one.reads() & other.reads():
            path, found = where("probes", second, other.address_key), getattr(other, other.address_key)
            expected = f"another one, as probes.{first} reads the same there by way of buses.{one.bus}"
            yield Finding(path, shown(found), expected)


def _waits_too_long(draft: Draft, name: str, bus: BusSettings) -> Iterator[Finding]:
    """Warn where one probe that does not answer takes so long that others miss their turn."""
    every_s = {probe: its.every_s for probe, its in draft.settings.probes_on(name).items()}
    timeout_ms = getattr(bus, "timeout_ms", 0)  # only where probes are asked
    quick = min(every_s, key=lambda probe: every_s[probe], default="")
    if len(every_s) > 1 and timeout_ms > every_s[quick] * 1000:
        expected = f"{shown(every_s[quick] * 1000)} or less, every_s of probes.{quick}: "
        expected += "a probe that does not answer costs the others so long, and so many readings"
        yield Finding(where("buses", name, "timeout_ms"), shown(timeout_ms), expected, is_warning=True)


def _read_twice(draft: Draft, bus: str) -> Iterator[Finding]:
    for (first, one), (second, other) in combinations(draft.settings.probes_on(bus).items(), 2):
        if one.reads() & other.reads():
            path, found = where("probes", second, other.address_key), getattr(other, other.address_key)
            yield Finding(path, shown(found), f"another one, as probes.{first} reads the same there")


def command_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what lets more people command the daemon than the installer may think."""
    commands, broker = draft.settings.commands, draft.settings.broker
    if not commands.enabled:
        return
    if broker.username is None:
        expected = "a broker with users and an access list; else anybody there may silence alarms"
        yield Finding("commands.enabled", "true, at a broker without users", expected, is_warning=True)
    if not commands.kinds:
        expected = "what may be asked, or enabled = false"
        yield Finding("commands.kinds", "an empty list", expected, is_warning=True)
