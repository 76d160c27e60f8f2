"""Units by name: in a probe's entry, and in the key of a limit."""

import tomllib

import pytest

from daemon.check.check import findings_in
from daemon.settings.draft import draft_of
from rules.quantities import UNITS, Quantity, from_unit, unit_of

RACK = """
rack = {{ name = "north", time_zone = "UTC" }}
journal = {{ path = "j.sqlite" }}
buses.line = {{ kind = "modbus-rtu", port = "/dev/ttyEXAMPLE0" }}
vessels.k1 = {{ kind = "kreisel", stage = "ephyra" }}
probes.p = {{ bus = "line", vessel = "k1", unit_id = 1, registers = [{entry}] }}
stages.ephyra = {{ {limits} }}
"""


def draft(entry='{ quantity = "temperature", address = 0, type = "int16" }', limits=""):
    return draft_of(tomllib.loads(RACK.format(entry=entry, limits=limits)))


@pytest.mark.parametrize(
    ("quantity", "unit", "given", "own"),
    [
        ("temperature", "F", 59.0, 15.0),
        ("temperature", "K", 288.15, 15.0),
        ("conductivity", "uS/cm", 42_914.0, 42.914),
        ("conductivity", "S/m", 4.2914, 42.914),
        ("air_pressure", "mmHg", 760.0, 1013.25),  # the standard atmosphere (from memory)
        ("air_pressure", "kPa", 101.325, 1013.25),
        ("oxygen", "ppm", 8.1, 8.1),
        ("salinity", "ppt", 33.0, 33.0),
    ],
)
def test_what_a_probe_gives_becomes_the_quantitys_own_unit(quantity, unit, given, own):
    assert from_unit(Quantity(quantity), unit, given) == pytest.approx(own, rel=1e-12)
    entry = f'{{ quantity = "{quantity}", address = 0, type = "int16", scale = 0.1, unit = "{unit}" }}'
    found, faults = draft(entry)
    assert faults == []
    (register,) = found.settings.probes["p"].measurements
    assert 10.0 * given * register.scale + register.offset == pytest.approx(own, rel=1e-12)


def test_the_quantitys_own_unit_changes_no_bit():
    for quantity, units in UNITS.items():
        own = next(iter(units))
        assert units[own] == (1.0, 0.0)
        assert own == unit_of(quantity).removeprefix("°")
        assert from_unit(quantity, own, 0.1 + 0.2) == 0.1 + 0.2


def test_a_unit_that_the_quantity_has_not_is_refused_with_those_it_has():
    _, (fault,) = draft('{ quantity = "temperature", address = 0, type = "int16", unit = "psi" }')
    assert fault.finding.path == "probes.p.registers[0].unit"
    assert (fault.finding.found, fault.finding.expected) == ('"psi"', '"C" or "K" or "F"')


def test_a_limit_converts_as_a_value_and_a_difference_as_a_difference():
    keys = "advisory_high_f = 68.0, deadband_f = 0.9, max_rise_f_per_hour = 1.8, max_disagreement_f = 2.7"
    found, faults = draft(limits=f"temperature = {{ {keys}, target_f = 59 }}")
    assert faults == []
    its = found.settings.tolerance_of("ephyra", Quantity.TEMPERATURE)
    got = (its.advisory.high, its.deadband, its.max_rise_per_hour, its.max_disagreement, its.target)
    assert got == pytest.approx((20.0, 0.5, 1.0, 1.5, 15.0))
    assert its.origin("advisory_high") == "stages.ephyra.temperature.advisory_high"


def test_a_limit_in_another_unit_may_be_off_and_must_be_a_number():
    found, faults = draft(limits='temperature = { critical_high_f = "none" }')
    assert (faults, found.settings.tolerance_of("ephyra", Quantity.TEMPERATURE).critical.high) == ([], None)
    _, (fault,) = draft(limits='temperature = { critical_high_f = "warm" }')
    assert "a number" in fault.finding.expected


def test_a_limit_in_two_units_is_refused():
    _, (fault,) = draft(limits="temperature = { target_c = 15, target_f = 60 }")
    assert str(fault.finding) == (
        "stages.ephyra.temperature.target_f: found target_c beside it; expected one of the two"
    )


@pytest.mark.parametrize(
    ("key", "salinity"), [("20_20", 32.90), ("25_25", 33.19), ("60f_60f", 32.59), ("20_4", 35.28)]
)
def test_a_specific_gravity_means_what_its_scale_says(key, salinity):
    """1.025 by EOS-80 (UNESCO 44); values as in the density reference test: 2.7 apart."""
    found, faults = draft(limits=f"salinity = {{ target_sg_{key} = 1.025 }}")
    assert faults == []
    its = found.settings.tolerance_of("ephyra", Quantity.SALINITY)
    assert its.target == pytest.approx(salinity, abs=0.006)


def test_a_specific_gravity_without_its_scale_is_refused_as_is_one_of_no_sea_water():
    _, (fault,) = draft(limits="salinity = { target_sg = 1.025 }")
    assert (fault.finding.path, fault.finding.found) == ("stages.ephyra.salinity.target_sg", "an unknown key")
    _, (fault,) = draft(limits="salinity = { target_sg_25_25 = 1.25 }")
    assert fault.finding.expected.startswith("a specific gravity 25/25 of sea water in target_sg_25_25")


IN_F = RACK.replace('time_zone = "UTC"', 'time_zone = "UTC", temperatures_in = "F"')


@pytest.mark.parametrize(
    ("entry", "limits", "said"),
    [
        (
            "",
            "temperature = { advisory_high_f = 95 }",
            "stages.ephyra.temperature.advisory_high_f: found 95; expected at most critical_high_f, which is "
            "73.4 (built-in)",
        ),
        (
            "",
            "temperature = { advisory_low_f = 54, advisory_high_f = 68, deadband_f = 9 }",
            "stages.ephyra.temperature.deadband_f: found 9; expected at most 7, half of the advisory band",
        ),
        (
            "",
            "temperature = { deadband_f = -1 }",
            "stages.ephyra.temperature.deadband_f: found -1; expected 0 or more",
        ),
        (
            "",
            'salinity = { max_rise_ppt_per_hour = "fast" }',
            'stages.ephyra.salinity.max_rise_ppt_per_hour: found "fast"; expected a number, or "none" to '
            "switch it off",
        ),
        (
            "",
            "salinity = { advisory_low_sg_25_25 = 1.029 }",
            "stages.ephyra.salinity.advisory_low_sg_25_25: found 1.029; expected below advisory_high, which "
            "is 34 (built-in)",
        ),
        (
            ", accuracy_f = -1",
            "",
            "probes.p.registers[0].accuracy_f: found -1; expected more than 0",
        ),
        (
            ", accuracy_f = 0.9",
            "temperature = { deadband_c = 0.2 }",
            "warning: stages.ephyra.temperature.deadband_c: found 0.2; expected 0.9 °F or more: probe p is "
            "good for ± 0.9 °F here",
        ),
        (
            ", accuracy_f = 0.9",
            "",
            "warning: stages.ephyra.temperature.deadband_f: found 0.36; expected 0.9 °F or more: probe p is "
            "good for ± 0.9 °F here",
        ),
    ],
)
def test_a_fault_speaks_the_key_and_the_unit_of_the_file(entry, limits, said):
    entry = f'{{ quantity = "temperature", address = 0, type = "int16"{entry} }}'
    found = findings_in(tomllib.loads(IN_F.format(entry=entry, limits=limits)))
    assert said in [str(finding) for finding in found]


def test_an_accuracy_in_another_unit_is_a_difference():
    entry = '{ quantity = "temperature", address = 0, type = "int16", accuracy_f = 0.9 }'
    found, faults = draft(entry)
    assert faults == []
    assert found.settings.probes["p"].measurements[0].stated_accuracy == pytest.approx(0.5)
