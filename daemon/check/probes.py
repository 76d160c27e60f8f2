"""Cross-checks within one probe: what it measures, where that is kept, and when it counts as silent."""

from collections.abc import Iterator

from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.settings.measurements import RegisterSettings
from daemon.settings.rack import ModbusProbe, MqttProbe, ProbeSettings
from daemon.settings.words import quoted, shown, where
from drivers.modbus import ADDRESSES, Register


def probe_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong within each probe."""
    for name, probe in draft.settings.probes.items():
        yield from _silence(name, probe)
        yield from _repeated_quantities(name, probe)
        if isinstance(probe, ModbusProbe):
            yield from _registers(name, probe)
        else:
            yield from _payload_fields(name, probe)


def words_of(register: RegisterSettings) -> range:
    """Return the 16 bit registers that a value fills, as addresses on the wire."""
    return range(register.address, register.address + Register(register.quantity, 3, 0, register.type).count)


def _silence(name: str, probe: ProbeSettings) -> Iterator[Finding]:
    if probe.silent_after_s < 2 * probe.every_s:
        yield Finding(
            where("probes", name, "silent_after_s"),
            shown(probe.silent_after_s),
            f"{shown(2 * probe.every_s)} or more, two polls, so that a single lost one is no alarm",
        )


def _repeated_quantities(name: str, probe: ProbeSettings) -> Iterator[Finding]:
    entries = "registers" if isinstance(probe, ModbusProbe) else "fields"
    for index, quantity in enumerate(probe.quantities):
        if quantity in probe.quantities[:index]:
            yield Finding(
                where("probes", name, entries, index, "quantity"),
                f"{quoted(quantity)} a second time",
                "each quantity once in a probe",
            )


def _registers(name: str, probe: ModbusProbe) -> Iterator[Finding]:
    for index, register in enumerate(probe.registers):
        words = words_of(register)
        path = where("probes", name, "registers", index, "address")
        if words.stop > ADDRESSES:
            yield Finding(
                path, shown(register.address), f"{ADDRESSES - len(words)} or less for a {register.type}"
            )
        for before, other in enumerate(probe.registers[:index]):
            taken = words_of(other)
            if other.function == register.function and set(taken) & set(words):
                yield Finding(
                    path,
                    shown(register.address),
                    f"registers apart from those of registers[{before}], {taken[0]} to {taken[-1]}",
                )


def _payload_fields(name: str, probe: MqttProbe) -> Iterator[Finding]:
    """Yield fields that do not say where their value is, or say it in the way of another format."""
    wanted = {"plain": None, "json": "pointer", "senml": "senml_name"}[probe.format]
    for index, field in enumerate(probe.fields):
        for key, value in (("pointer", field.pointer), ("senml_name", field.senml_name)):
            path = where("probes", name, "fields", index, key)
            if key == wanted and value is None:
                yield Finding(path, "nothing", f'where the value is, as the format is "{probe.format}"')
            if key != wanted and value is not None:
                yield Finding(path, shown(value), f'no such key, as the format is "{probe.format}"')
    if probe.format == "plain" and len(probe.fields) > 1:
        yield Finding(
            where("probes", name, "fields"), f"{len(probe.fields)} entries", 'one, as the format is "plain"'
        )
