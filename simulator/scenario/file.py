"""Loading a scenario file: every fault of the file in one line of its own."""

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_type_hints

from simulator.encoding.registers import FUNCTION_CODES, RegisterField
from simulator.errors import ScenarioError
from simulator.scenario.faults import KINDS
from simulator.scenario.scenario import RACK_QUANTITIES, Event, Measure, Probe, Scenario
from simulator.scenario.tables import read_value

RACK_SECTIONS = ("room", "loops", "vessels", "buses", "probes")
SECTIONS = ("scenario", *RACK_SECTIONS, "events")
_SECTION_OF = {"vessel": "vessels", "loop": "loops", "probe": "probes", "bus": "buses"}
_EVENT_KEYS = set(Event.__slots__) - {"kind", "at_min", "lasts_min"}


def load_scenario(path: Path) -> Scenario:
    """The scenario in a TOML file; ScenarioError lists all that is wrong with it, file name first."""
    try:
        return build_scenario(_tables_of(path))
    except ScenarioError as error:
        raise ScenarioError([f"{path}: {finding}" for finding in error.findings]) from error


def build_scenario(tables: dict[str, Any]) -> Scenario:
    """The scenario that TOML tables describe."""
    findings = [
        f"unknown section '{key}'; known are {', '.join(SECTIONS)}" for key in tables.keys() - SECTIONS
    ]
    read = {}
    for name, hint in get_type_hints(Scenario).items():
        section = "scenario" if name == "course" else name
        given = tables.get(section, [] if name == "events" else {})
        read[name] = read_value(hint, given, section, {}, findings)
    if not findings:
        scenario = Scenario(**read)
        findings = list(check(scenario))
    if findings:
        raise ScenarioError(findings)
    return scenario


def _tables_of(path: Path) -> dict[str, Any]:
    """A file's tables; `rack_of` names another file whose rack it takes, entries of its own in front."""
    tables = _parsed(path)
    if "rack_of" not in tables:
        return tables
    other = tables.pop("rack_of")
    if not isinstance(other, str) or Path(other).name != other:
        raise ScenarioError([f"rack_of: is {other!r}; expected the name of a file in the same folder"])
    rack = _parsed(path.with_name(other))
    return tables | {key: rack.get(key, {}) | tables.get(key, {}) for key in RACK_SECTIONS}


def _parsed(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ScenarioError([f"cannot be read: {path.name}: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise ScenarioError([f"{path.name} is not UTF-8 text: {error.reason}"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError([f"{path.name} is not TOML: {error}"]) from error


def check(scenario: Scenario) -> Iterator[str]:
    """What does not fit together: names that do not exist, wires that cannot carry a probe."""
    if scenario.course.start.utcoffset() is None:
        yield "scenario.start: has no offset from UTC; write it as 2026-08-14T21:00:00+02:00"
    if not scenario.vessels:
        yield "vessels: there is none; describe at least one as [vessels.NAME]"
    for name, vessel in scenario.vessels.items():
        if vessel.coil is not None:
            yield from _known("loop", vessel.coil.loop, f"vessels.{name}.coil.loop", scenario.loops)
    for name, probe in scenario.probes.items():
        yield from _check_probe(scenario, f"probes.{name}", probe)
    yield from _check_units(scenario)
    for number, event in enumerate(scenario.events, start=1):
        yield from _check_event(scenario, f"events[{number}]", event)


def _check_probe(scenario: Scenario, where: str, probe: Probe) -> Iterator[str]:
    if not probe.measures:
        yield f"{where}.measures: is empty; a probe measures at least one quantity"
    if probe.vessel is not None:
        yield from _known("vessel", probe.vessel, f"{where}.vessel", scenario.vessels)
    for here, measure in _measures(where, probe):
        of_air = measure.quantity in RACK_QUANTITIES
        if of_air != (probe.vessel is None):
            yield f"{here}: {measure.quantity} needs a probe with {'no vessel' if of_air else 'a vessel'}"
        if measure.scale == 0:
            yield f"{here}.scale: is 0; a value divides by it"
    yield from _known("bus", probe.bus, f"{where}.bus", scenario.buses)
    if probe.bus in scenario.buses:
        on_modbus = scenario.buses[probe.bus].kind == "modbus-rtu"
        yield from _check_registers(where, probe) if on_modbus else _check_topic(where, probe)


def _measures(where: str, probe: Probe) -> Iterator[tuple[str, Measure]]:
    return ((f"{where}.measures[{number}]", measure) for number, measure in enumerate(probe.measures, 1))


def _check_registers(where: str, probe: Probe) -> Iterator[str]:
    if probe.unit_id is None:
        yield f"{where}: 'unit_id' is missing; 1 to 247 on a Modbus bus"
    taken: dict[tuple[int, int], str] = {}
    for here, measure in _measures(where, probe):
        if measure.address is None:
            yield f"{here}: 'address' is missing; the first register's number"
            continue
        field = register_field(measure)
        for address in range(field.address, field.address + field.word_count):
            other = taken.setdefault((field.function, address), measure.quantity)
            if other != measure.quantity or address > 65535:
                yield f"{here}: register {address} is not free for it"


def _check_topic(where: str, probe: Probe) -> Iterator[str]:
    needed = {"topic": probe.topic, "format": probe.format}
    yield from (f"{where}: '{key}' is missing on an MQTT bus" for key, value in needed.items() if not value)
    if probe.format == "plain" and len(probe.measures) != 1:
        yield f"{where}: a plain payload carries one quantity, not {len(probe.measures)}"
    for here, measure in _measures(where, probe):
        if probe.format == "json" and not (measure.pointer or "").startswith("/"):
            yield f"{here}: 'pointer' must be a JSON pointer such as /water/c"
        if probe.format == "senml" and not measure.senml_name:
            yield f"{here}: 'senml_name' is missing, such as kreisel:oxygen"


def _check_units(scenario: Scenario) -> Iterator[str]:
    seen: dict[tuple[str, int], str] = {}
    for name, probe in scenario.probes.items():
        if probe.unit_id is not None:
            other = seen.setdefault((probe.bus, probe.unit_id), name)
            if other != name:
                yield f"probes.{name}.unit_id: {probe.unit_id} on {probe.bus} belongs to {other}"


def _check_event(scenario: Scenario, where: str, event: Event) -> Iterator[str]:
    kind = KINDS.get(event.kind)
    if kind is None:
        yield f"{where}.kind: no such kind '{event.kind}'; known are {', '.join(KINDS)}"
        return
    stated = {key for key in _EVENT_KEYS if getattr(event, key) is not None}
    yield from (f"{where}: {event.kind} needs '{key}'" for key in kind.needs if getattr(event, key) is None)
    for key in sorted(stated - set(kind.targets) - set(kind.needs) - set(kind.may)):
        yield f"{where}: {event.kind} has no use for '{key}'"
    targets = [key for key in kind.targets if key in stated]
    if kind.targets and len(targets) != 1 and not (kind.target_optional and not targets):
        yield f"{where}: {event.kind} needs exactly one of {', '.join(kind.targets)}"
    yield from _check_targets(scenario, where, event, targets)


def _check_targets(scenario: Scenario, where: str, event: Event, targets: list[str]) -> list[str]:
    strangers = [
        line
        for key in targets
        for line in _known(key, getattr(event, key), f"{where}.{key}", getattr(scenario, _SECTION_OF[key]))
    ]
    return strangers or _check_equipment(scenario, where, event)


def _check_equipment(scenario: Scenario, where: str, event: Event) -> list[str]:
    vessel = scenario.vessels.get(event.vessel or "")
    if event.kind == "chiller_fails" and vessel is not None and vessel.chiller is None:
        return [f"{where}: vessel '{event.vessel}' has no chiller of its own that could fail"]
    if event.kind == "top_off_stuck_open" and vessel is not None and vessel.top_off is None:
        return [f"{where}: vessel '{event.vessel}' has no top-off that could stick"]
    probe = scenario.probes.get(event.probe or "")
    if probe is not None and event.quantity not in (None, *(measure.quantity for measure in probe.measures)):
        return [f"{where}: probe '{event.probe}' does not measure {event.quantity}"]
    return []


def register_field(measure: Measure) -> RegisterField:
    """The register of a measure on a Modbus bus; its address has been checked to be there."""
    assert measure.address is not None, "checked when the scenario was loaded"
    return RegisterField(
        FUNCTION_CODES[measure.function],
        **{key: getattr(measure, key) for key in RegisterField.__slots__ if key != "function"},
    )


def _known(what: str, name: str, where: str, known: Mapping[str, object]) -> list[str]:
    """Nothing where a name is known, else the line that says so."""
    names = ", ".join(known) or "none"
    return [] if name in known else [f"{where}: no such {what} '{name}'; known are {names}"]
