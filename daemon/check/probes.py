"""Cross-checks within one probe of any kind: its silence, what it measures, how well, and what to undo."""

from collections.abc import Iterator

from daemon.buses.measurement import Measurement, accuracy_key
from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.tables.words import quoted, shown, where
from rules.quantities import Quantity


def probe_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong within each probe, and keys that do not go with a quantity or with each other."""
    for name, probe in draft.settings.probes.items():
        if probe.silent_after_s < 2 * probe.every_s:
            expected = f"{shown(2 * probe.every_s)} or more, two polls, so that a single lost one is no alarm"
            yield Finding(where("probes", name, "silent_after_s"), shown(probe.silent_after_s), expected)
        for index, quantity in enumerate(probe.quantities):
            if quantity in probe.quantities[:index]:
                path, found = where("probes", name, probe.entries_key, index, "quantity"), quoted(quantity)
                yield Finding(path, f"{found} a second time", "each quantity once in a probe")
        yield from probe.findings(name)
        temperature = Quantity.TEMPERATURE in probe.quantities or _has_thermometer(draft, probe.vessel)
        for index, measurement in enumerate(probe.measurements):
            keys = ("probes", name, probe.entries_key, index)
            yield from _accuracy(keys, measurement)
            yield from _compensation(keys, measurement, temperature)


def _has_thermometer(draft: Draft, vessel: str | None) -> bool:
    """Whether some probe of the vessel measures temperature, or may do so for all we know."""
    if vessel is None or not draft.knows_probes_of(vessel):
        return True
    return any(
        probe.vessel == vessel and Quantity.TEMPERATURE in probe.quantities
        for probe in draft.settings.probes.values()
    )


def _accuracy(keys: tuple[str | int, ...], measurement: Measurement) -> Iterator[Finding]:
    right = accuracy_key(measurement.quantity)
    for key in map(accuracy_key, Quantity):
        if key != right and (stated := getattr(measurement, key)) is not None:
            expected = f"{right}, the accuracy of {measurement.quantity}, in its unit"
            yield Finding(where(*keys, key), shown(stated), expected)


def _compensation(
    keys: tuple[str | int, ...], measurement: Measurement, temperature: bool
) -> Iterator[Finding]:
    compensation, percent = measurement.compensation, measurement.percent_per_kelvin
    if compensation != "none" and measurement.quantity is not Quantity.CONDUCTIVITY:
        expected = f"no such key, as {measurement.quantity} is not compensated to 25 °C; conductivity is"
        yield Finding(where(*keys, "compensation"), quoted(compensation), expected)
    elif compensation != "none" and not temperature:
        found = f"{quoted(compensation)}, but no temperature in this vessel to undo it with"
        yield Finding(where(*keys, "compensation"), found, "a probe of temperature in the same vessel")
    if (compensation == "linear") == (percent is None):
        expected = "the probe's own coefficient, such as 2.0 (% per kelvin)"
        expected = expected if percent is None else 'no such key without compensation = "linear"'
        yield Finding(where(*keys, "percent_per_kelvin"), shown(percent), expected)
