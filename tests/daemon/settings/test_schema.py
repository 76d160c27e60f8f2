"""The JSON Schema of the settings file agrees with the check, and explains every key."""

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import ValidationError

from daemon.check.load import Settings
from daemon.settings.schema import settings_schema
from daemon.tables.types import SPECIFIC_GRAVITIES
from tests.rigs.examples import examples
from tests.rigs.places import EXAMPLE

VALIDATOR = Draft202012Validator(settings_schema())


def example() -> dict[str, Any]:
    return tomllib.loads(EXAMPLE.read_text())


def changed(path: str, value: object) -> dict[str, Any]:
    """The example with one key, given by its path, set to a value."""
    values = example()
    node: Any = values
    *outer, last = [int(key) if key.isdigit() else key for key in path.split("/")]
    for key in outer:
        node = node[key]
    node[last] = value
    return values


def test_it_is_a_json_schema():
    Draft202012Validator.check_schema(settings_schema())
    json.dumps(settings_schema())


def test_the_example_file_fits_and_names_it():
    assert [error.message for error in VALIDATOR.iter_errors(example())] == []
    assert EXAMPLE.read_text().startswith("#:schema ")


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("brokr", {}),
        ("rack/nmae", "x"),
        ("rack/name", "North Rack"),
        ("broker/port", 70_000),
        ("broker/port", "1883"),
        ("broker/tls", 1),
        ("broker/password", "x"),
        ("broker/topic_root", "a/#"),
        ("buses/wet-side/kind", "rtu"),
        ("buses/wet-side/baud", 9601),
        ("buses/wet-side/stop_bits", 3),
        ("probes/k1-multi/unit_id", 256),
        ("probes/k1-multi/registers", []),
        ("probes/k1-multi/registers/0/quantity", "ph"),
        ("probes/k1-multi/registers/0/scale", 0),
        ("probes/k1-multi/registers/0/type", "float16"),
        ("probes/tray-1-salt/topic", "a/+x"),
        ("probes/tray-1-salt/fields/0/pointer", "water"),
        ("vessels/k1/kind", "bucket"),
        ("stages/ephyra/temperature/advisory_high", 18),
        ("stages/ephyra/temperature/max_rise_c_per_hour", 0),
        ("stages/ephyra/temperature/deadband_c", -0.1),
        ("stages/ephyra/temperature/advisory_high_c", "off"),
        ("stages/planula/salinity", "off"),
        ("stages/ephyra/ph", {}),
        ("journal/path", ""),
        ("journal/commit_every_s", 0),
    ],
)
def test_an_editor_marks_what_the_check_refuses(path: str, value: object):
    values = changed(path, value)
    assert not VALIDATOR.is_valid(values)
    with pytest.raises(ValidationError):
        Settings.model_validate(values)


def _paths(node: Any, path: tuple = ()) -> list[tuple]:
    inside = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [inner for key, value in inside for inner in ((*path, key), *_paths(value, (*path, key)))]


@settings(max_examples=examples(75), deadline=None)
@given(
    st.sampled_from(_paths(example())),
    st.booleans()
    | st.integers(-2, 70_000)
    | st.floats(-100, 1000)
    | st.sampled_from(["none", "UTC", "k1", "input", "/", "a b", "", "9600", "senml"]),
)
def test_what_the_check_accepts_an_editor_accepts(path: tuple, value: object):
    """The other way round it need not be: a schema cannot know time zones."""
    values = changed("/".join(map(str, path)), value)
    try:
        Settings.model_validate(values)
    except ValidationError:
        return
    assert VALIDATOR.is_valid(values)


def test_every_key_is_described_and_every_limit_has_its_unit():
    definitions = settings_schema()["$defs"]
    units = {
        "TemperatureLimits": ("°C", "F"),
        "ConductivityLimits": ("mS/cm", "uS/cm", "S/m"),
        "SalinityLimits": ("practical salinity, no unit", "ppt", *SPECIFIC_GRAVITIES.values()),
        "OxygenLimits": ("mg/L", "ppm"),
        "OxygenSaturationLimits": ("%",),
        "AirPressureLimits": ("hPa", "kPa", "mmHg"),
    }
    for name, definition in definitions.items():
        assert "description" in definition, name
        for key, entry in definition.get("properties", {}).items():
            is_explained = "description" in entry or "const" in entry or "oneOf" in entry
            assert is_explained, f"{name}.{key}"
            if name in units and key.endswith("_s"):
                assert entry["description"].endswith("[s]")
            elif name in units:
                per_hour = " per hour" if key.endswith("_per_hour") else ""
                ends = tuple(f"[{unit}{per_hour}]" for unit in units[name])
                assert entry["description"].endswith(ends)


def test_it_offers_nothing_that_toml_does_not_have():
    text = json.dumps(settings_schema())
    assert '"null"' not in text
    assert "null" not in text
