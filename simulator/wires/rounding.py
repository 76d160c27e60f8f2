"""What is left of a value after its wire: register or text, as a master would have it."""

from collections.abc import Callable

from simulator.scenario.file import register_field
from simulator.scenario.scenario import Measure, Scenario


def wire_number(measure: Measure, value: float) -> str:
    """The number that a text payload carries for a value: (value - offset) / scale with fixed decimals."""
    return f"{(value - measure.offset) / measure.scale:.{measure.decimals}f}"


def seen_on_wire(scenario: Scenario) -> dict[tuple[str, str], Callable[[float], float]]:
    """By (probe, quantity): from the probe's value to the value that its master has after decoding."""
    return {
        (name, measure.quantity): _seen(measure, scenario.buses[probe.bus].kind)
        for name, probe in scenario.probes.items()
        for measure in probe.measures
    }


def _seen(measure: Measure, bus_kind: str) -> Callable[[float], float]:
    if bus_kind == "modbus-rtu":
        return register_field(measure).seen
    return lambda value: float(wire_number(measure, value)) * measure.scale + measure.offset
