"""Scenario files: the shipped ones hold, and each kind of fault gets one clear line."""

import tomllib

import pytest

from simulator.errors import ScenarioError
from simulator.scenario.faults import KINDS
from simulator.scenario.file import build_scenario, load_scenario
from tests.rigs.places import DEMO_SETTINGS
from tests.rigs.simulated import SCENARIOS, load_named
from tests.rigs.small_rack import small_rack, small_tables

SHIPPED = sorted(path.stem for path in SCENARIOS.glob("*.toml"))


@pytest.mark.parametrize("name", SHIPPED)
def test_every_scenario_that_is_shipped_holds_and_says_that_it_is_invented(name):
    scenario = load_named(name)
    assert "invented" in scenario.course.title
    assert "our own invention" in (SCENARIOS / f"{name}.toml").read_text()


def test_every_kind_of_event_has_a_scenario():
    used = {event.kind for name in SHIPPED for event in load_named(name).events}
    assert used == set(KINDS)


def test_the_demo_night_matches_the_demo_settings_probe_for_probe():
    scenario = load_named("chiller_night")
    settings = tomllib.loads(DEMO_SETTINGS.read_text())
    assert settings["probes"].keys() == scenario.probes.keys()
    assert {name: v["stage"] for name, v in settings["vessels"].items()} == {
        name: vessel.stage for name, vessel in scenario.vessels.items()
    }
    for name, told in settings["probes"].items():
        probe = scenario.probes[name]
        assert (told["bus"], told.get("vessel"), told["every_s"]) == (probe.bus, probe.vessel, probe.every_s)
        assert (told.get("unit_id"), told.get("topic"), told.get("format")) == (
            probe.unit_id,
            probe.topic,
            probe.format,
        )
        entries = told.get("registers") or told.get("fields")
        for entry, measure in zip(entries, probe.measures, strict=True):
            defaults = {"scale": 1.0, "offset": 0.0, "word_order": "big", "byte_order": "big"}
            for key, value in (defaults | entry).items():
                assert getattr(measure, key) == value, f"{name} {key}"


PROBE = {
    "bus": "wire",
    "vessel": "tank",
    "unit_id": 9,
    "measures": [{"quantity": "temperature", "address": 0}],
}
TOPIC = {"bus": "air", "vessel": "tank", "topic": "t", "format": "json"}


def probe(**keys):
    return {"probes": {"q": PROBE | keys}}


def measure(**keys):
    return probe(measures=[{"quantity": "temperature", "address": 0} | keys])


def event(**keys):
    return {"events": [{"kind": "chiller_fails", "vessel": "tank", "at_min": 1} | keys]}


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"scenario": {"lasts_h": -1}}, "scenario.lasts_h: is -1; expected a number from 0.01 to 9600"),
        ({"scenario": {"step_s": 61}}, "scenario.step_s: is 61; expected a number from 1 to 60"),
        ({"scenario": {"lasts_h": float("nan")}}, "scenario.lasts_h: is nan; expected a number"),
        ({"scenario": {"seed": True}}, "scenario.seed: is True; expected a whole number"),
        (
            {"scenario": {"start": "now"}},
            "scenario.start: is 'now'; expected a date and time with its offset",
        ),
        ({"room": {"mean": 20}}, "room: unknown key 'mean'; did you mean 'mean_c'?"),
        ({"vessels": {"tank": {"kind": "tank"}}}, "vessels.tank: 'volume_l' is missing from 0.05 to 100000"),
        ({"vessels": {"tank": 3}}, "vessels.tank: is 3; expected a table of keys"),
        (
            {"buses": {"wire": {"kind": "rs485"}}},
            "buses.wire.kind: is 'rs485'; expected a text out of modbus-rtu, mqtt",
        ),
        (probe(bus="wir"), "probes.q.bus: no such bus 'wir'; known are wire, air"),
        (probe(vessel="pond"), "probes.q.vessel: no such vessel 'pond'; known are tank"),
        (probe(unit_id=248), "probes.q.unit_id: is 248; expected a whole number from 1 to 247"),
        (probe(unit_id=5), "probes.q.unit_id: 5 on wire belongs to p"),
        (probe(measures=[]), "probes.q.measures: is empty"),
        (measure(scale=0), "probes.q.measures[1].scale: is 0"),
        (measure(quantity="air_pressure"), "probes.q.measures[1]: air_pressure needs a probe with no vessel"),
        (measure(type="float16"), "probes.q.measures[1].type: is 'float16'; expected a text out of int16"),
        (measure(address=65535), "probes.q.measures[1]: register 65536 is not free for it"),
        (
            {"probes": {"q": TOPIC | {"measures": [{"quantity": "temperature"}]}}},
            "'pointer' must be a JSON pointer",
        ),
        (event(), "events[1]: vessel 'tank' has no chiller of its own that could fail"),
        (event(kind="chiler_fails"), "events[1].kind: no such kind 'chiler_fails'; known are chiller_fails"),
        (event(vessel="pond"), "events[1].vessel: no such vessel 'pond'"),
        (event(size=3.0), "events[1]: chiller_fails has no use for 'size'"),
        (event(kind="heat_wave"), "events[1]: heat_wave needs 'rise_c'"),
        (event(kind="probe_silent"), "events[1]: probe_silent needs exactly one of probe"),
        (
            {"events": [{"kind": "probe_stuck", "probe": "p", "quantity": "oxygen", "at_min": 1}]},
            "does not measure oxygen",
        ),
        ({"extra": {"a": 1}}, "unknown section 'extra'; known are scenario, room"),
    ],
)
def test_a_fault_of_the_file_is_told_in_a_line(changes, says):
    tables = small_tables(**{k: v for k, v in changes.items() if k != "extra"})
    tables |= {k: v for k, v in changes.items() if k == "extra"}
    with pytest.raises(ScenarioError) as refused:
        build_scenario(tables)
    assert any(says in finding for finding in refused.value.findings), refused.value.findings


def test_faults_are_told_together_each_once():
    tables = small_tables(scenario={"lasts_h": -1, "step_s": 0}, room={"mean": 1})
    with pytest.raises(ScenarioError) as refused:
        build_scenario(tables)
    assert len(refused.value.findings) == 3
    assert all("\n" not in finding for finding in refused.value.findings)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[scenario", "bad.toml is not TOML"),
        (b"\xff\xfe", "bad.toml is not UTF-8"),
        ('rack_of = "../other.toml"', "expected the name of a file in the same folder"),
        ('rack_of = "absent.toml"', "cannot be read: absent.toml: No such file"),
        ("", "scenario: 'title' is missing"),
    ],
)
def test_a_file_that_cannot_be_used_is_named(tmp_path, text, says):
    path = tmp_path / "bad.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ScenarioError, match=r"bad\.toml: ") as refused:
        load_scenario(path)
    assert says in str(refused.value)


def test_an_absent_file_is_told(tmp_path):
    with pytest.raises(ScenarioError, match="cannot be read"):
        load_scenario(tmp_path / "none.toml")


def test_a_scenario_takes_another_files_rack_and_lays_its_own_over_it():
    night, air = load_named("chiller_night"), load_named("air_stops")
    assert air.probes == night.probes
    assert air.vessels["kreisel-4"] == night.vessels["kreisel-4"]
    assert air.vessels["kreisel-5"].respiration_mg_per_h > night.vessels["kreisel-5"].respiration_mg_per_h
    assert [event.kind for event in air.events] == ["air_stops"]


def test_local_time_and_utc():
    scenario = load_named("chiller_night")
    assert scenario.start_ms == 1_786_734_000_000  # 2026-08-14T19:00:00Z
    assert scenario.utc_offset_h == 2.0
    assert small_rack().utc_offset_h == 0.0
