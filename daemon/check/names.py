"""Cross-checks: do the tables of the file name each other rightly, and is there a rack at all?"""

from collections.abc import Iterator
from dataclasses import replace
from difflib import get_close_matches
from itertools import pairwise
from typing import get_args

from daemon.buses.kinds import kinds_for
from daemon.errors import Finding
from daemon.settings.draft import Draft, needs_a_vessel
from daemon.tables.words import one_of, quoted, where
from rules.rack.lineages import LineageName
from rules.rack.plan import RACK_WIDE
from rules.rack.stages import DEFAULT_TOLERANCES

_LOOKALIKE = 0.8
_LINEAGES = " or ".join(quoted(name) for name in get_args(LineageName))


def name_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with the names that buses, probes, vessels and stages call each other by."""
    yield from _empty_rack(draft)
    yield from _probes(draft)
    yield from _vessels(draft)
    yield from _stages(draft)
    yield from _supplies(draft)
    yield from _shelves(draft)
    yield from _idle(draft)


def _empty_rack(draft: Draft) -> Iterator[Finding]:
    for section, example in (("vessels", "VESSEL"), ("probes", "PROBE")):
        if not draft.declared[section] and section not in draft.incomplete:
            yield Finding(section, "none", f"at least one [{section}.{example}] table")


def _unknown(draft: Draft, section: str, name: str, path: str, what: str) -> Iterator[Finding]:
    if draft.lacks(section, name):
        yield Finding(path, quoted(name), one_of(what, sorted(draft.declared[section]), name))


def _probes(draft: Draft) -> Iterator[Finding]:
    for name, probe in draft.settings.probes.items():
        path, bus = where("probes", name, "bus"), draft.settings.buses.get(probe.bus)
        if bus is None:
            yield from _unknown(draft, "buses", probe.bus, path, "a bus of this file")
        elif not isinstance(probe, bus.probe_table):
            found = f'{quoted(probe.bus)} of kind "{bus.kind}"'
            yield Finding(path, found, f"a bus of kind {kinds_for(probe)}, as the probe has {probe.known_by}")
        path = where("probes", name, "vessel")
        if probe.vessel is not None:
            yield from _unknown(draft, "vessels", probe.vessel, path, "a vessel of this file")
        elif (quantity := needs_a_vessel(probe)) is not None:
            expected = f"the vessel whose {quantity} it is; only air_pressure can do without"
            yield Finding(path, "nothing", expected)


def _vessels(draft: Draft) -> Iterator[Finding]:
    for name, vessel in draft.settings.vessels.items():
        stages = draft.settings.stage_names(name)
        if name == RACK_WIDE:
            expected = "another name; this one stands for the rack"
            yield Finding(where("vessels", name), f'the name "{RACK_WIDE}"', expected)
        named = [("stage", vessel.stage)]
        named += [(f"plan[{index}].stage", step.stage) for index, step in enumerate(vessel.plan)]
        for key, stage in named:
            if stage not in stages and draft.lacks("stages", stage):
                expected = one_of("a built-in stage or one of this file", stages, stage)
                yield Finding(f"{where('vessels', name)}.{key}", quoted(stage), expected)
        for index, (earlier, later) in enumerate(pairwise(vessel.plan), 1):
            if later.start <= earlier.start:
                path = f"{where('vessels', name)}.plan[{index}].start"
                expected = f"a time after {earlier.start.isoformat()}, when the move before it begins"
                yield Finding(path, later.start.isoformat(), expected)


def lineage_findings(draft: Draft) -> Iterator[Finding]:
    """Ask once which moon jellyfish lives here; yield what is called brackish and has no such strain."""
    vessels, rack = draft.settings.vessels, draft.settings.rack
    if rack.lineage is None and any(vessel.lineage is None for vessel in vessels.values()):
        expected = f"{_LINEAGES}, since they tolerate different water; unknown is one column for all"
        yield Finding("rack.lineage", "nothing", expected, is_warning=True)
    tables = {"rack": rack, **{where("vessels", name): it for name, it in vessels.items()}}
    for path, table in tables.items():
        if table.baltic and table.lineage != "aurita":
            found = f'true, with lineage = "{table.lineage}"' if table.lineage else "true, without a lineage"
            yield Finding(f"{path}.baltic", found, 'lineage = "aurita" beside it')


def _supplies(draft: Draft) -> Iterator[Finding]:
    for name, supply in draft.settings.supplies.items():
        for index, vessel in enumerate(supply.vessels):
            path = f"{where('supplies', name)}.vessels[{index}]"
            yield from _unknown(draft, "vessels", vessel, path, "a vessel of this file")


def _shelves(draft: Draft) -> Iterator[Finding]:
    """Warn only: for a drawing of the rack the watch over it must not fail to start."""
    named: list[str] = []
    for row, shelf in enumerate(draft.settings.page.shelves):
        for column, vessel in enumerate(shelf):
            path = f"page.shelves[{row}][{column}]"
            for finding in _unknown(draft, "vessels", vessel, path, "a vessel of this file"):
                yield replace(finding, is_warning=True)
            if vessel in named:
                yield Finding(path, f"{quoted(vessel)} again", "each vessel in one place", is_warning=True)
            named.append(vessel)


def _stages(draft: Draft) -> Iterator[Finding]:
    known = draft.settings.stage_names()
    used = {vessel.stage for vessel in draft.settings.vessels.values()}
    for name, stage in draft.settings.stages.items():
        base = stage.based_on
        path = where("stages", name, "based_on")
        if base is not None and base not in known and draft.lacks("stages", base):
            yield Finding(path, quoted(base), one_of("a built-in stage or one of this file", known, base))
        elif base is not None and _leads_back(name, draft):
            yield Finding(path, f"{quoted(base)}, which is based on {name} itself", "a stage that is not")
        elif base is None and name not in used and name not in DEFAULT_TOLERANCES:
            for built_in in get_close_matches(name, DEFAULT_TOLERANCES, 1, _LOOKALIKE):
                found = f"the new stage {quoted(name)}, which no vessel is in"
                expected = f"{quoted(built_in)}, if the built-in stage was meant"
                yield Finding(where("stages", name), found, expected, is_warning=True)


def _leads_back(stage: str, draft: Draft) -> bool:
    """Whether following `based_on` from a stage comes back to it."""
    following: str | None = stage
    for _ in draft.settings.stages:
        table = draft.settings.stages.get(following or "")
        following = table.based_on if table is not None else None
        if following == stage:
            return True
    return False


def _idle(draft: Draft) -> Iterator[Finding]:
    """Yield buses and vessels that no probe is at, unless a misnamed one may belong there."""
    probes = draft.settings.probes.values()
    if not draft.declared["probes"]:
        return
    for name in draft.settings.buses if draft.knows_probes_of_buses() else ():
        if name not in {probe.bus for probe in probes}:
            expected = f"a probe with bus = {quoted(name)}, or no such bus"
            yield Finding(where("buses", name), "no probe on it", expected, is_warning=True)
    for name in draft.settings.vessels:
        if draft.knows_probes_of(name) and name not in {probe.vessel for probe in probes}:
            expected = f"a probe with vessel = {quoted(name)}; without one nothing here raises an alarm"
            yield Finding(where("vessels", name), "no probe in it", expected, is_warning=True)
