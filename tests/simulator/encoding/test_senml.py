"""SenML packs against the rules of RFC 8428 (read from memory) by a resolver of the test's own."""

import json

import pytest

from simulator.encoding.senml import UNITS, Record, pack

REGISTERED = {"Cel", "S/m", "mg/l", "/100", "hPa"}  # IANA SenML units and secondary units


def resolved(message):
    """Records with full name, absolute time in s, unit and value, base fields applied in order."""
    base = {"bn": "", "bt": 0.0}
    found = []
    for entry in json.loads(message):
        base |= {key: entry[key] for key in base if key in entry}
        found.append(
            (base["bn"] + entry.get("n", ""), base["bt"] + entry.get("t", 0), entry.get("u"), entry["v"])
        )
    return found


def test_names_times_units_and_values_resolve():
    records = [
        Record("kreisel-4:temperature", "temperature", 14.97),
        Record("kreisel-4:c", "conductivity", 3.9587),
    ]
    message = pack(records, 1_786_734_000_250)
    assert resolved(message) == [
        ("kreisel-4:temperature", 1_786_734_000.25, "Cel", 14.97),
        ("kreisel-4:c", 1_786_734_000.25, "S/m", 3.9587),
    ]
    assert json.loads(message)[0]["bn"] == "kreisel-4:"


def test_names_without_a_common_base_stay_whole():
    message = pack([Record("a:t", "temperature", 1.0), Record("b:s", "salinity", 32.0)], 1_786_734_000_000)
    assert [name for name, *_ in resolved(message)] == ["a:t", "b:s"]
    assert "bn" not in json.loads(message)[0]


def test_units_are_registered_and_salinity_has_none():
    assert {unit for unit, _ in UNITS.values() if unit} == REGISTERED
    assert UNITS["salinity"][0] is None
    assert "u" not in json.loads(pack([Record("s", "salinity", 32.0)], 1_786_734_000_000))[0]


@pytest.mark.parametrize("quantity", UNITS)
def test_every_quantity_can_be_packed(quantity):
    assert resolved(pack([Record("x", quantity, 0.0)], 1_786_734_000_000))[0][3] == 0.0


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_json_cannot_say_is_refused(value):
    with pytest.raises(ValueError, match="not JSON compliant"):
        pack([Record("x", "temperature", value)], 1_786_734_000_000)
