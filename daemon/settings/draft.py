"""The sound part of a settings file, and what cannot be known because other parts are broken.

The cross-checks run on a draft, so that one run reports everything that is wrong, and so that
nothing is reported that is only the shadow of a fault reported already.
"""

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from daemon.buses.shape import ProbeSettings
from daemon.errors import Finding
from daemon.settings.rack import Settings
from daemon.tables.faults import Fault, Keys, faults_of
from daemon.tables.types import own_key
from daemon.tables.words import shown, where
from rules.quantities import Quantity

# What stands in for tables that a file must have; no cross-check looks at them.
_STAND_INS: dict[str, Any] = {
    "rack": {"name": "rack", "time_zone": "UTC"},
    "journal": {"path": "journal.sqlite"},
}
# How many keys lead to what is left out when something inside it is broken.
_DEPTH = {"buses": 2, "probes": 2, "vessels": 2, "stages": 3, "supplies": 2}
_NAMED = ("buses", "probes", "vessels", "stages")


@dataclass(frozen=True, slots=True)
class Draft:
    """`settings` is the sound part. `declared` has the names of each section, those of broken tables too.

    `incomplete` are sections that may hold more than could be found, `faulty_stages` those of which
    limits are missing here, `doubtful_vessels` those that a broken probe is in, or may be in, since
    it names its vessel unreadably or wrongly.
    """

    settings: Settings
    declared: Mapping[str, frozenset[str]]
    incomplete: frozenset[str]
    faulty_stages: frozenset[str]
    doubtful_vessels: frozenset[str]

    def lacks(self, section: str, name: str) -> bool:
        """Whether the file certainly has no such bus, probe, vessel or stage."""
        return name not in self.declared[section] and section not in self.incomplete

    def is_whole(self, section: str) -> bool:
        """Whether every table of a section is sound."""
        found = getattr(self.settings, section)
        return section not in self.incomplete and len(self.declared[section]) == len(found)

    def knows_stage(self, stage: str) -> bool:
        """Whether all limits of a stage are known."""
        try:
            sound = self.faulty_stages.isdisjoint(self.settings.bases(stage))
        except KeyError:
            return False
        return sound and "stages" not in self.incomplete

    def knows_probes_of(self, vessel: str) -> bool:
        """Whether all probes of a vessel are known."""
        return "probes" not in self.incomplete and vessel not in self.doubtful_vessels

    def knows_probes_of_buses(self) -> bool:
        """Whether it is known of every probe which bus it is on."""
        pairs = [(probe, self.settings.buses.get(probe.bus)) for probe in self.settings.probes.values()]
        return self.is_whole("probes") and all(
            bus and isinstance(probe, bus.probe_table) for probe, bus in pairs
        )


def needs_a_vessel(probe: ProbeSettings) -> Quantity | None:
    """Return a quantity that the probe cannot measure for the whole rack, if there is one."""
    return next((quantity for quantity in probe.quantities if quantity is not Quantity.AIR_PRESSURE), None)


def draft_of(values: Mapping[str, Any]) -> tuple[Draft, list[Fault]]:
    """Return the sound part of `values`, and every fault of the rest."""
    try:
        settings, faults = Settings.model_validate(values), []
    except ValidationError as error:
        faults = [_as_written(fault, values) for fault in faults_of(error, Settings)]
        settings = Settings.model_validate(_without(values, [fault.keys for fault in faults]))
    draft = Draft(
        settings,
        declared={section: _names(values, section) for section in _NAMED},
        incomplete=_incomplete(values),
        faulty_stages=frozenset(str(f.keys[1]) for f in faults if f.keys[0] == "stages" and len(f.keys) > 1),
        doubtful_vessels=_doubtful_vessels(settings, values),
    )
    return draft, faults


def _as_written(fault: Fault, values: Mapping[str, Any]) -> Fault:
    """Name the key that the file has and what it says, where a number in another unit was turned already."""
    *outer, last = fault.keys
    table: Any = values
    for key in outer:
        listed = isinstance(table, list) and isinstance(key, int)
        table = table[key] if listed else table.get(key) if isinstance(table, dict) else None
    given = [] if not isinstance(table, dict) or last in table else [k for k in table if own_key(k) == last]
    if not given:
        return fault
    found, expected = shown(table[given[0]]), fault.finding.expected
    return Fault(fault.keys, Finding(where(*outer, given[0]), found, expected))


def _names(values: Mapping[str, Any], section: str) -> frozenset[str]:
    tables = values.get(section, {})
    return frozenset(tables) if isinstance(tables, dict) else frozenset()


def _incomplete(values: Mapping[str, Any]) -> frozenset[str]:
    """Return the sections that are no tables, or that an unknown table was perhaps meant to be."""
    unknown = [key for key in values if key not in Settings.model_fields]
    meant = [near for key in unknown for near in get_close_matches(key, _NAMED, 1)]
    return frozenset(meant) | {name for name in _NAMED if not isinstance(values.get(name, {}), dict)}


def _doubtful_vessels(settings: Settings, values: Mapping[str, Any]) -> frozenset[str]:
    """Return the vessels that broken probes are in; all of them if one does not name its vessel rightly."""
    vessels = _names(values, "vessels")
    doubtful: set[str] = set()
    for name in _names(values, "probes"):
        given, probe = values["probes"][name], settings.probes.get(name)
        vessel = given.get("vessel") if isinstance(given, dict) else None
        vessel = vessel if isinstance(vessel, str) else ""
        if probe is None or (vessel not in vessels and (vessel or needs_a_vessel(probe))):
            doubtful |= {vessel} if vessel in vessels else vessels
    return frozenset(doubtful)


def _without(values: Mapping[str, Any], broken: list[Keys]) -> dict[str, Any]:
    """Return a copy of `values` without what the keys of `broken` lead to.

    A bus, probe or vessel goes as a whole, of a stage only the quantity, of the rest the section.
    """
    sound = copy.deepcopy(dict(values))
    for keys in broken:
        *outer, last = [str(key) for key in keys[: _DEPTH.get(str(keys[0]), 1)]]
        table = sound
        for key in outer:
            table = table.get(key, {})
        table.pop(last, None)
    return _STAND_INS | sound
