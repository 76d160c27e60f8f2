"""Whatever says why a danger is unwatched names the probe at fault, and what is wrong with it; invented."""

import pytest

from daemon.commands.cli import main
from drivers.readings import Reading
from tests.rigs.minute_rack import MINUTE_MS, rack_in

DRY_MS_CM = 0.02


def hours_with_a_dry_cell(folder, celsius):
    """An hour in the water, then two in which the cell of k1 is dry and its thermometer reads this."""
    with rack_in(folder) as rack:
        rack.minutes(60)
        for minute in range(120):
            rack.now_ms += MINUTE_MS
            flicker = minute % 3 * 0.002
            sent = {"temperature": celsius, "conductivity": DRY_MS_CM, "oxygen": 8.0}
            readings = [Reading("k1-multi", it, value + flicker, rack.now_ms) for it, value in sent.items()]
            rack.watch.take(readings, rack.now_ms)
    return folder


@pytest.fixture(scope="module")
def dead(tmp_path_factory):
    """Nothing but the cell has changed."""
    return hours_with_a_dry_cell(tmp_path_factory.mktemp("dead"), 15.0)


@pytest.fixture(scope="module")
def lifted(tmp_path_factory):
    """The thermometer shows the room, too."""
    return hours_with_a_dry_cell(tmp_path_factory.mktemp("lifted"), 21.0)


def asked(folder, capsys, *command):
    settings = () if command[0] == "replay" else ("--settings", str(folder / "bellwatch.toml"))
    main([*command, *settings])
    return " ".join(capsys.readouterr().out.split())


def screens(folder, capsys):
    """Status, why of what is made of the cell and of the cell, and a replay."""
    asks = ("status",), ("why", "k1/salinity"), ("why", "k1/conductivity")
    return [asked(folder, capsys, *it) for it in (*asks, ("replay", str(folder / "journal.sqlite")))]


def test_a_cell_that_is_dead_is_named_and_said_to_be_what_its_alarm_says(dead, capsys):
    status, of_salinity, of_cell, replay = said = screens(dead, capsys)
    at_fault = "k1/conductivity is not believed: no water can be so"
    assert f"salinity unknown: {at_fault}" in status
    assert "conductivity 0.02 mS/cm not believed: no water can be so" in status
    assert f"k1/salinity, from conductivity by k1-multi: {at_fault} " in of_salinity
    assert f"missing: {at_fault} " in of_salinity
    assert "0.02 mS/cm fail: no water can be so" in of_cell
    assert f"k1 salinity unwatched: {at_fault}; " in replay
    assert "impossible value" in status, "so says the alarm"
    assert not any("in air" in it or "it needs" in it for it in said)


def test_a_probe_that_lies_on_the_bench_is_said_to_be_in_air(lifted, capsys):
    status, of_salinity, of_cell, replay = said = screens(lifted, capsys)
    at_fault = "k1/conductivity is not believed: the probe is in air"
    assert f"salinity unknown: {at_fault}" in status
    assert f"missing: {at_fault} " in of_salinity
    assert "fail: the probe is in air" in of_cell
    assert f"k1 salinity unwatched: {at_fault}; " in replay
    assert not any("no water can be so" in it or "it needs" in it for it in said)
