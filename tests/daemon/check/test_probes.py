"""`bellwatch check` on accuracies, compensation and limits that are tighter than the probes."""

import pytest

from daemon.check.check import findings_in
from daemon.settings.file import tomllib
from tests.daemon.check.test_check import GOOD

LINE = '{ quantity = "conductivity", address = 2, type = "float32" }'
THERMOMETER = '{ quantity = "temperature", address = 0, type = "float32" }'


def lines(settings, about):
    return [str(finding) for finding in findings_in(tomllib.loads(settings)) if about in finding.path]


def with_cell(keys, settings=GOOD):
    assert LINE in settings
    return settings.replace(LINE, LINE.replace(" }", f", {keys} }}"))


def with_thermometer(keys, settings=GOOD):
    assert THERMOMETER in settings
    return settings.replace(THERMOMETER, THERMOMETER.replace(" }", f", {keys} }}"))


IN_MS_CM = "expected accuracy_ms_cm, the accuracy of conductivity, in its unit"
COEFFICIENT = "expected the probe's own coefficient, such as 2.0 (% per kelvin)"


def with_limits(limits, settings):
    """Other limits for the ephyra's temperature in place of those of the file."""
    tables = tomllib.loads(settings)["stages"]["ephyra"]
    assert set(tables) == {"temperature"}
    before, _, after = settings.partition("[stages.ephyra.temperature]")
    return before + "[stages.ephyra.temperature]\n" + limits + "\n" + after[after.index("\n[") :]


@pytest.mark.parametrize(
    ("keys", "key", "line"),
    [
        ("accuracy_c = 0.1", "accuracy_c", f"found 0.1; {IN_MS_CM}"),
        ("accuracy = 0.1", "accuracy", f"found 0.1; {IN_MS_CM}"),
        ("accuracy_ms_cm = 0", "accuracy_ms_cm", "found 0; expected more than 0"),
        ('compensation = "linear"', "percent_per_kelvin", f"found nothing; {COEFFICIENT}"),
        (
            "percent_per_kelvin = 2.0",
            "percent_per_kelvin",
            'found 2; expected no such key without compensation = "linear"',
        ),
        (
            'compensation = "linear", percent_per_kelvin = 20.0',
            "percent_per_kelvin",
            "found 20; expected 5 or less",
        ),
        (
            'compensation = "nlf"',
            "compensation",
            'found "nlf"; expected "none", "linear" or "iso-7888"',
        ),
    ],
)
def test_each_mistake_has_its_line(keys, key, line):
    assert lines(with_cell(keys), "k1-multi") == [f"probes.k1-multi.registers[1].{key}: {line}"]


def test_compensation_is_for_conductivity():
    (line,) = lines(with_thermometer('compensation = "iso-7888"'), "k1-multi")
    assert line.endswith("no such key, as temperature is not compensated to 25 °C; conductivity is")


def test_compensation_needs_a_temperature_in_the_vessel():
    alone = with_cell('compensation = "iso-7888"').replace(f"    {THERMOMETER},\n", "", 1)
    assert any("no temperature in this vessel to undo it with" in line for line in lines(alone, "k1-multi"))


@pytest.mark.parametrize(
    "keys", ['compensation = "none"', 'compensation = "iso-7888"', "accuracy_ms_cm = 0.2"]
)
def test_what_is_right_has_no_line(keys):
    assert lines(with_cell(keys), "k1-multi") == []


def test_without_stated_accuracy_nothing_is_too_tight():
    assert not [line for line in lines(GOOD, "") if "good for" in line]


def test_a_good_probe_resolves_the_built_in_limits():
    assert not [line for line in lines(with_thermometer("accuracy_c = 0.02"), "stages") if "good for" in line]


def test_limits_tighter_than_the_probe_are_pointed_out():
    settings = with_limits("rate_window_s = 900", with_thermometer("accuracy_c = 0.5"))
    found = [line for line in lines(settings, "stages.ephyra") if "good for" in line]
    assert found[0] == (
        "warning: stages.ephyra.temperature.deadband_c: found 0.2; expected 0.5 °C or more: "
        "probe k1-multi is good for ± 0.5 °C here"
    )
    assert any("max_rise_c_per_hour" in line and "within the rate window" in line for line in found)


def test_a_band_narrower_than_the_probe_is_pointed_out():
    band = "advisory_low_c = 14.8\nadvisory_high_c = 15.2\ntarget_c = 15.0"
    settings = with_limits(band, with_thermometer("accuracy_c = 0.3"))
    found = [line for line in lines(settings, "stages.ephyra") if "a band of" in line]
    assert found == [
        "warning: stages.ephyra.temperature.advisory_high_c: found 15.2, a band of ± 0.2 °C; "
        "expected ± 0.3 °C or more: probe k1-multi is good for ± 0.3 °C here"
    ]


def test_salinity_is_judged_by_the_cell_and_the_thermometer_together():
    settings = with_cell("accuracy_ms_cm = 1.0", with_thermometer("accuracy_c = 0.2"))
    found = [line for line in lines(settings, "salinity") if "good for" in line]
    assert any("stages.ephyra.salinity.deadband: found 0.3" in line and "± 0.92" in line for line in found)
