"""Cross-checks of buses of all kinds, of the way to the broker, and of who could command over it."""

import os
from collections.abc import Iterator
from itertools import combinations

from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.tables.words import shown, where


def bus_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with buses and with the probes that share one."""
    yield from _shared_ports(draft)
    for name, bus in draft.settings.buses.items():
        yield from _read_twice(draft, name)
        yield from bus.findings(name, draft.settings.probes_on(name))
    yield from draft.settings.broker.link_findings("broker")


def _shared_ports(draft: Draft) -> Iterator[Finding]:
    first: dict[str, str] = {}
    for name, bus in draft.settings.buses.items():
        if bus.serial_port is None:
            continue
        other = first.setdefault(os.path.realpath(bus.serial_port), name)  # two names may be one device
        if other != name:
            expected = f"another port, as buses.{other} has it; probes on one port share one bus"
            yield Finding(where("buses", name, "port"), shown(bus.serial_port), expected)


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
