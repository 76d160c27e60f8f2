"""The settings file as the rest of the daemon sees it: merged limits, overrides, secrets."""

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import ValidationError

from daemon.buses.modbus_rtu import ModbusBus, ModbusProbe
from daemon.buses.mqtt import MqttBus, MqttProbe
from daemon.check.load import Settings, load_settings
from daemon.errors import SettingsError
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES, WITHOUT_LIMITS
from rules.rack.tolerance import Band
from tests.rigs.places import EXAMPLE

SECRET = "medusa-hunts-by-night"


def settings(stages: dict) -> Settings:
    return Settings.model_validate(
        {"rack": {"name": "r", "time_zone": "UTC"}, "journal": {"path": "j"}, "stages": stages}
    )


@pytest.fixture
def with_password(tmp_path: Path) -> Path:
    """The example file, with a password file for its broker."""
    (tmp_path / "password").write_text(SECRET + "\n")
    (tmp_path / "password").chmod(0o600)
    login = f'host = "localhost"\nusername = "bellwatch"\npassword_file = "{tmp_path / "password"}"'
    path = tmp_path / "bellwatch.toml"
    path.write_text(EXAMPLE.read_text().replace('host = "localhost"', login, 1))
    return path


def test_the_example_file_loads():
    rack = load_settings(EXAMPLE)
    assert rack.rack.name == "north-rack"
    assert isinstance(rack.buses["wet-side"], ModbusBus)
    assert isinstance(rack.buses["wireless"], MqttBus)
    multi = rack.probes["k1-multi"]
    assert isinstance(multi, ModbusProbe)
    assert multi.quantities == (Quantity.TEMPERATURE, Quantity.CONDUCTIVITY, Quantity.OXYGEN)
    barometer = rack.probes["barometer"]
    assert isinstance(barometer, MqttProbe)
    assert (barometer.vessel, barometer.fields[0].scale) == (None, 10)


def test_a_limit_that_is_set_leaves_the_other_built_in_ones():
    built_in = DEFAULT_TOLERANCES["ephyra"][Quantity.TEMPERATURE]
    merged = settings({"ephyra": {"temperature": {"advisory_high_c": 17.5}}})
    assert merged.tolerance_of("ephyra", Quantity.TEMPERATURE) == replace(
        built_in,
        advisory=Band(built_in.advisory.low, 17.5),
        given=("stages.ephyra.temperature.advisory_high",),
    )
    assert merged.tolerance_of("ephyra", Quantity.SALINITY) == DEFAULT_TOLERANCES["ephyra"][Quantity.SALINITY]
    assert (
        merged.tolerance_of("adult", Quantity.TEMPERATURE)
        == DEFAULT_TOLERANCES["adult"][Quantity.TEMPERATURE]
    )


def test_every_limit_and_duration_of_a_table_arrives():
    table = {
        "target_mg_l": 8.0,
        "advisory_low_mg_l": 6.0,
        "advisory_high_mg_l": 9.0,
        "critical_low_mg_l": 5.0,
        "critical_high_mg_l": 9.5,
        "max_rise_mg_l_per_hour": 2.0,
        "max_fall_mg_l_per_hour": 0.8,
        "deadband_mg_l": 0.1,
        "rate_window_s": 600,
        "on_delay_s": 90.5,
        "critical_on_delay_s": 0,
        "off_delay_s": 91,
    }
    tolerance = settings({"ephyra": {"oxygen": table}}).tolerance_of("ephyra", Quantity.OXYGEN)
    assert tolerance == replace(
        WITHOUT_LIMITS[Quantity.OXYGEN],
        target=8.0,
        advisory=Band(6.0, 9.0),
        critical=Band(5.0, 9.5),
        max_rise_per_hour=2.0,
        max_fall_per_hour=0.8,
        deadband=0.1,
        rate_window_ms=600_000,
        on_delay_ms=90_500,
        critical_on_delay_ms=0,
        off_delay_ms=91_000,
        given=tolerance.given,
    )
    assert len(tolerance.given) == len(table)


@pytest.mark.parametrize(
    ("quantity", "key"),
    [
        ("temperature", "advisory_low_c"),
        ("conductivity", "advisory_low_ms_cm"),
        ("salinity", "advisory_low"),
        ("oxygen", "advisory_low_mg_l"),
        ("oxygen_saturation", "advisory_low_percent"),
        ("air_pressure", "advisory_low_hpa"),
    ],
)
def test_each_quantity_has_its_unit_in_its_keys(quantity: str, key: str):
    tolerance = settings({"polyp-x": {quantity: {key: 16.25}}}).tolerance_of("polyp-x", Quantity(quantity))
    assert tolerance is not None
    assert tolerance.advisory.low == 16.25
    with pytest.raises(ValidationError):
        settings({"polyp-x": {quantity: {key + "_f": 16.25}}})


def test_none_switches_off_a_limit_a_rate_or_a_whole_quantity():
    merged = settings(
        {
            "adult": {
                "salinity": "none",
                "temperature": {"advisory_high_c": "none", "max_rise_c_per_hour": "none"},
            }
        }
    )
    temperature = merged.tolerance_of("adult", Quantity.TEMPERATURE)
    assert temperature is not None
    assert temperature.advisory == Band(12.0, None)
    assert (temperature.max_rise_per_hour, temperature.max_fall_per_hour) == (None, 1.0)
    assert merged.tolerance_of("adult", Quantity.SALINITY) is None


def test_a_stage_does_not_care_for_a_quantity_that_has_no_limit():
    assert settings({}).tolerance_of("adult", Quantity.OXYGEN) is None
    only_delays = settings({"adult": {"oxygen": {"on_delay_s": 10}}})
    assert only_delays.tolerance_of("adult", Quantity.OXYGEN) is None


def test_a_stage_of_the_users_own_is_based_on_others():
    merged = settings(
        {
            "polyp-warm": {"based_on": "polyp-mine", "temperature": {"target_c": 20}},
            "polyp-mine": {"based_on": "polyp", "temperature": {"target_c": 19, "advisory_high_c": 22}},
        }
    )
    built_in = DEFAULT_TOLERANCES["polyp"]
    temperature = merged.tolerance_of("polyp-warm", Quantity.TEMPERATURE)
    assert temperature == replace(
        built_in[Quantity.TEMPERATURE],
        target=20,
        advisory=Band(15, 22),
        given=(
            "stages.polyp-warm.temperature.target",
            "stages.polyp-mine.temperature.advisory_high",
            "stages.polyp-mine.temperature.target",
        ),
    )
    assert merged.tolerance_of("polyp-warm", Quantity.SALINITY) == built_in[Quantity.SALINITY]
    assert merged.stage_names()[-2:] == ["polyp-warm", "polyp-mine"]


def test_limits_of_an_unknown_or_circular_stage_are_refused():
    circular = settings({"a": {"based_on": "b"}, "b": {"based_on": "a"}})
    for stage in ("a", "medusa"):
        with pytest.raises(KeyError):
            circular.tolerance_of(stage, Quantity.TEMPERATURE)


@pytest.mark.parametrize(("every_s", "silent_after_s"), [(30, 120), (40, 120), (60, 180)])
def test_a_probe_is_silent_after_three_polls_and_never_before_two_minutes(
    every_s: float, silent_after_s: float
):
    registers = [{"quantity": "temperature", "address": 0, "type": "int16"}]
    probe = ModbusProbe.model_validate({"bus": "b", "unit_id": 1, "every_s": every_s, "registers": registers})
    assert probe.silent_after_s == silent_after_s


def test_settings_do_not_change():
    rack = load_settings(EXAMPLE)
    with pytest.raises(ValidationError):
        rack.broker.port = 1  # type: ignore[misc]


def test_the_environment_goes_over_the_file(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("BELLWATCH_BROKER__HOST", "broker.example")
    monkeypatch.setenv("BELLWATCH_BROKER__PORT", "8883")
    monkeypatch.setenv("BELLWATCH_BROKER__TLS", "true")
    monkeypatch.setenv("BELLWATCH_RACK__NAME", '"7"')
    monkeypatch.setenv("BELLWATCH_BUSES__WET-SIDE__PORT", "/dev/ttyUSB0")
    monkeypatch.setenv("BELLWATCH_STAGES__EPHYRA__TEMPERATURE__ADVISORY_HIGH_C", "17.25")
    monkeypatch.setenv("BELLWATCH_PROBES__BAROMETER__FIELDS", '[{quantity = "air_pressure", scale = 0.01}]')
    rack = load_settings(EXAMPLE)
    assert (rack.broker.host, rack.broker.port, rack.broker.tls, rack.rack.name) == (
        "broker.example", 8883, True, "7",
    )  # fmt: skip
    assert rack.buses["wet-side"].port == "/dev/ttyUSB0"
    assert rack.broker.topic_root == "bellwatch"
    temperature = rack.tolerance_of("ephyra", Quantity.TEMPERATURE)
    assert temperature is not None
    assert temperature.advisory == Band(7.0, 17.25)
    barometer = rack.probes["barometer"]
    assert isinstance(barometer, MqttProbe)
    assert barometer.fields[0].scale == 0.01


def test_a_wrong_variable_is_named_as_the_path(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("BELLWATCH_BROKER__PORT", "many")
    with pytest.raises(SettingsError) as refused:
        load_settings(EXAMPLE)
    assert str(refused.value) == 'BELLWATCH_BROKER__PORT: found "many"; expected a whole number'


def test_a_section_given_as_a_word_is_refused(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("BELLWATCH_BROKER", "broker.example")
    with pytest.raises(SettingsError) as refused:
        load_settings(EXAMPLE)
    assert str(refused.value) == 'BELLWATCH_BROKER: found "broker.example"; expected a table'


def test_an_unfit_file_is_refused_with_all_its_findings(tmp_path: Path):
    path = tmp_path / "bellwatch.toml"
    path.write_text(
        EXAMPLE.read_text().replace("baud = 9600", "baud = 9601").replace("unit_id = 12", "unit_id = 256")
    )
    with pytest.raises(SettingsError) as refused:
        load_settings(path)
    assert [finding.path for finding in refused.value.findings] == [
        "buses.wet-side.baud",
        "probes.k2-multi.unit_id",
    ]


def test_a_warning_alone_does_not_refuse_a_file(tmp_path: Path):
    path = tmp_path / "bellwatch.toml"
    path.write_text(EXAMPLE.read_text() + "\n[stages.ephira]\n")
    assert "ephira" in load_settings(path).stages


def test_the_password_is_read_when_needed(with_password: Path):
    rack = load_settings(with_password)
    password = rack.broker.password()
    assert password is not None
    assert password.get_secret_value() == SECRET
    (with_password.parent / "password").write_text("changed")
    changed = rack.broker.password()
    assert changed is not None
    assert changed.get_secret_value() == "changed"
    assert load_settings(EXAMPLE).broker.password() is None


def test_a_password_that_cannot_be_read_is_refused_in_one_line(with_password: Path):
    rack = load_settings(with_password)
    file = with_password.parent / "password"
    expected = "expected a file that holds the password alone and that the daemon's user may read"
    file.write_bytes(b"\xff")
    with pytest.raises(SettingsError) as refused:
        rack.broker.password()
    assert str(refused.value) == f"password_file: found a file that cannot be read (not UTF-8); {expected}"
    file.unlink()
    with pytest.raises(SettingsError) as refused:
        rack.broker.password()
    assert "(no such file or directory)" in str(refused.value)


def test_the_password_is_never_shown(with_password: Path):
    rack = load_settings(with_password)
    password = rack.broker.password()
    for text in (repr(rack), str(rack), rack.model_dump_json(), repr(password), str(password)):
        assert SECRET not in text


def test_a_password_in_the_file_is_refused_without_being_shown(tmp_path: Path):
    values = tomllib.loads(EXAMPLE.read_text())
    values["broker"] |= {"password": SECRET, "port": [SECRET]}
    with pytest.raises(ValidationError) as refused:
        Settings.model_validate(values)
    assert SECRET not in str(refused.value)
