"""What injects each row: a function named CLASS_NAME, given a folder of its own or the shared rack."""

from tests.faults import (
    inject_answers,
    inject_backup,
    inject_between,
    inject_buses,
    inject_calling,
    inject_doors,
    inject_ends,
    inject_joints,
    inject_journal,
    inject_line,
    inject_looks,
    inject_network,
    inject_pair,
    inject_passing,
    inject_probe,
    inject_rack,
    inject_sizes,
    inject_team,
)
from tests.faults.whole_rack import WholeRack

ALONE = (
    inject_probe,
    inject_calling,
    inject_doors,
    inject_team,
    inject_rack,
    inject_network,
    inject_pair,
    inject_joints,
    inject_between,
    inject_answers,
    inject_buses,
    inject_backup,
    inject_sizes,
    inject_looks,
    inject_passing,
    inject_ends,
    inject_journal,
)
SLOW = (
    "racks_floods", "clock_never_set", "clock_set_forward", "clock_far_future", "disk_backup_broken",
    "file_limits_crossed", "file_limits_off", "file_stage_unknown", "file_probe_forgotten",
    "file_settings_monster", "probe_drift_alone", "person_check_forgotten",
)  # fmt: skip
"""Rows without a process that take more than some seconds."""
PATIENT_SILENT_S = 30.0
EVERY_RUN = (
    "probe_silent", "cable_cut", "adapter_deaf", "bus_exception", "clock_rack_ahead", "machine_power",
    "disk_journal_deleted", "file_routes_unreadable", "process_twice", "broker_forgets", "network_repeated",
    "racks_nonsense", "oncall_killed", "route_refuses", "person_asleep",
)  # fmt: skip
"""One row with real parts of each class, in every run of the tests."""


def injection_of(row):
    """Return the function of a row and whether it wants the shared rack; None where nothing is built yet."""
    for module in ALONE:
        if found := _own(module, row.key):
            return found, False
    return (found, True) if (found := _own(inject_line, row.key)) else None


def _own(module, name):
    found = getattr(module, name, None)
    return found if found is not None and found.__module__ == module.__name__ else None


class SharedRacks:
    """Racks on whose line many rows are tried one after the other, as long as they are well before each.

    Between two of them others keep this process busy, which plays the probes: that costs answers.
    """

    def __init__(self, new_folder):
        self._new_folder = new_folder
        self._racks = {}

    def come(self, function):
        """Return what came of a row on the rack that it wants."""
        silent_s = PATIENT_SILENT_S if getattr(function, "patient", False) else None
        rack = self._racks.pop(silent_s, None)
        if rack is not None and not rack.is_as_new:
            rack.close()
            rack = None
        if rack is None:
            rack = WholeRack(self._new_folder(), **({"silent_s": silent_s} if silent_s else {}))
        try:
            came = function(rack)
        except BaseException:
            rack.close()
            raise
        self._racks[silent_s] = rack
        return came

    def close(self):
        for rack in self._racks.values():
            rack.close()
