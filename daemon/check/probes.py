"""Cross-checks within one probe of any kind: what it measures, and when it counts as silent."""

from collections.abc import Iterator

from daemon.errors import Finding
from daemon.settings.draft import Draft
from daemon.tables.words import quoted, shown, where


def probe_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong within each probe."""
    for name, probe in draft.settings.probes.items():
        if probe.silent_after_s < 2 * probe.every_s:
            expected = f"{shown(2 * probe.every_s)} or more, two polls, so that a single lost one is no alarm"
            yield Finding(where("probes", name, "silent_after_s"), shown(probe.silent_after_s), expected)
        for index, quantity in enumerate(probe.quantities):
            if quantity in probe.quantities[:index]:
                path, found = where("probes", name, probe.entries_key, index, "quantity"), quoted(quantity)
                yield Finding(path, f"{found} a second time", "each quantity once in a probe")
        yield from probe.findings(name)
