"""Cross-checks between the probes of a bus, between buses, and on the way to a broker."""

import os
import stat
from collections.abc import Hashable, Iterator
from pathlib import Path

from daemon.check.probes import words_of
from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.settings.rack import BrokerLink, ModbusBus, ModbusProbe, ProbeSettings
from daemon.settings.words import quoted, shown, where
from drivers.modbus import ADDRESSES, READ_HOLDING, READ_INPUT, Register, encode_read, plan_reads
from drivers.rtu_wire import BITS_PER_CHARACTER, silence_s


def bus_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with buses and with the probes that share one."""
    yield from _shared_ports(draft)
    for name, bus in draft.settings.buses.items():
        probes = {key: probe for key, probe in draft.settings.probes.items() if probe.bus == name}
        yield from _shared_addresses(probes)
        if isinstance(bus, ModbusBus):
            yield from _crowded(name, bus, probes)
        else:
            yield from _link(("buses", name), bus)
    yield from _link(("broker",), draft.settings.broker)


def _shared_ports(draft: Draft) -> Iterator[Finding]:
    first: dict[str, str] = {}
    for name, bus in draft.settings.buses.items():
        if not isinstance(bus, ModbusBus):
            continue
        device = os.path.realpath(bus.port)  # two names of one device are one port
        if device in first:
            yield Finding(
                where("buses", name, "port"),
                shown(bus.port),
                f"another port, as buses.{first[device]} has it; probes on one port share one bus",
            )
        first.setdefault(device, name)


def _shared_addresses(probes: dict[str, ProbeSettings]) -> Iterator[Finding]:
    """Yield probes that would read the very same place, and warn of a unit with more than one probe."""
    for index, (name, probe) in enumerate(probes.items()):
        for other_name, other in list(probes.items())[:index]:
            if type(probe) is not type(other):
                continue
            key = "unit_id" if isinstance(probe, ModbusProbe) else "topic"
            path, found = where("probes", name, key), shown(getattr(probe, key))
            if _places(probe) & _places(other):
                yield Finding(path, found, f"another one, as probes.{other_name} reads the same there")
            elif isinstance(probe, ModbusProbe) and getattr(probe, key) == getattr(other, key):
                expected = (
                    f"another one than that of probes.{other_name}, unless both are channels of one device"
                )
                yield Finding(path, found, expected, is_warning=True)


def _places(probe: ProbeSettings) -> set[Hashable]:
    if isinstance(probe, ModbusProbe):
        return {(probe.unit_id, r.function, word) for r in probe.registers for word in words_of(r)}
    return {(probe.topic, field.pointer, field.senml_name) for field in probe.fields}


def _crowded(name: str, bus: ModbusBus, probes: dict[str, ProbeSettings]) -> Iterator[Finding]:
    """Warn if the probes' polls need more of the line's time than there is."""
    modbus = [probe for probe in probes.values() if isinstance(probe, ModbusProbe)]
    share = sum(_poll_s(bus.baud, probe) / probe.every_s for probe in modbus)
    if share > 1:
        yield Finding(
            where("buses", name, "baud"),
            f"{bus.baud}, at which the polls take {share:.1f} times as long as there is",
            "a faster line, a longer every_s, or fewer probes on it",
            is_warning=True,
        )


def _poll_s(baud: int, probe: ModbusProbe) -> float:
    """Return how long requests, answers and the silences between them take, the probe answering at once."""
    registers = [
        Register(r.quantity, READ_HOLDING if r.function == "holding" else READ_INPUT, r.address, r.type)
        for r in probe.registers
        if words_of(r).stop <= ADDRESSES
    ]
    reads = plan_reads(registers)
    characters = sum(len(encode_read(probe.unit_id, read)) + read.answer_bytes for read in reads)
    return characters * BITS_PER_CHARACTER / baud + 2 * len(reads) * silence_s(baud)


def _link(keys: tuple[str, ...], link: BrokerLink) -> Iterator[Finding]:
    if link.password_file is not None:
        if link.username is None:
            yield Finding(where(*keys, "username"), "nothing", "the user name that the password is for")
        yield from _secret_file(where(*keys, "password_file"), link.password_file)
    if link.ca_file is not None:
        path = where(*keys, "ca_file")
        if not link.tls:
            yield Finding(
                path, shown(str(link.ca_file)), "tls = true beside it; without it nothing is encrypted"
            )
        if _mode(link.ca_file) is None:
            yield Finding(
                path, f"no file {quoted(str(link.ca_file))}", "the broker's CA certificate", is_warning=True
            )


def _secret_file(path: str, file: Path) -> Iterator[Finding]:
    """Warn of a password file that is missing or open to everybody; its name is not shown, since somebody
    may have put the password there."""
    mode = _mode(file)
    if mode is None:
        yield Finding(path, "no file of that name", "a file that holds the password alone", is_warning=True)
    elif mode & stat.S_IRWXO:
        found = f"a file that everybody may open (mode {stat.S_IMODE(mode):04o})"
        yield Finding(path, found, "mode 0600 or 0640", is_warning=True)


def _mode(file: Path) -> int | None:
    """Return the mode of a regular file; None if there is none."""
    try:
        mode = file.stat().st_mode
    except OSError:
        return None
    return mode if stat.S_ISREG(mode) else None
