"""A rack of one still vessel, as tables that a test changes before the simulator reads them."""

import copy
from datetime import datetime

from simulator.scenario.file import build_scenario

TABLES = {
    "scenario": {
        "title": "test",
        "start": datetime.fromisoformat("2026-08-14T12:00:00+00:00"),
        "lasts_h": 6,
        "seed": 1,
    },
    "room": {
        "mean_c": 20.0,
        "swing_c": 0.0,
        "wander_c": 0.0,
        "pressure_wander_hpa": 0.0,
        "humidity_percent": 50,
    },
    "loops": {},
    "vessels": {
        "tank": {
            "kind": "tank",
            "stage": "polyp",
            "volume_l": 40.0,
            "surface_m2": 0.1,
            "cover": 0.0,
            "ua_w_per_k": 10.0,
            "kla_per_h": 2.0,
            "kla_still_per_h": 0.2,
            "temperature_c": 12.0,
            "salinity": 32.0,
        }
    },
    "buses": {"wire": {"kind": "modbus-rtu"}, "air": {"kind": "mqtt"}},
    "probes": {
        "p": {
            "bus": "wire",
            "vessel": "tank",
            "unit_id": 5,
            "every_s": 30,
            "measures": [{"quantity": "temperature", "address": 0, "type": "float64"}],
        }
    },
    "events": [],
}


def small_tables(**sections):
    """The tables with each named section laid over: tables key by key, lists replaced."""
    tables = copy.deepcopy(TABLES)
    for name, section in sections.items():
        tables[name] = section if isinstance(section, list) else tables[name] | section
    return tables


def small_rack(vessel=None, **sections):
    """The scenario of one vessel, its keys changed by `vessel`, its sections by the others."""
    tables = small_tables(**sections)
    tables["vessels"]["tank"] |= vessel or {}
    return build_scenario(tables)
