"""Cross-checks within one probe of any kind: what it measures, and when it counts as silent."""

from collections.abc import Iterator

from daemon.buses.shape import ProbeSettings
from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.tables.words import quoted, shown, where


def probe_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong within each probe."""
    for name, probe in draft.settings.probes.items():
        yield from _silence(name, probe)
        yield from _repeated_quantities(name, probe)
        yield from probe.findings(name)


def _silence(name: str, probe: ProbeSettings) -> Iterator[Finding]:
    if probe.silent_after_s < 2 * probe.every_s:
        yield Finding(
            where("probes", name, "silent_after_s"),
            shown(probe.silent_after_s),
            f"{shown(2 * probe.every_s)} or more, two polls, so that a single lost one is no alarm",
        )


def _repeated_quantities(name: str, probe: ProbeSettings) -> Iterator[Finding]:
    for index, quantity in enumerate(probe.quantities):
        if quantity in probe.quantities[:index]:
            yield Finding(
                where("probes", name, probe.entries_key, index, "quantity"),
                f"{quoted(quantity)} a second time",
                "each quantity once in a probe",
            )
