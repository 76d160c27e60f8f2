"""calibrate, calibrations, measure and status, against the real watch and its journal."""

import pytest
from gsw import C_from_SP

from daemon.as_read import show_temperatures_in
from daemon.commands.cli import main
from drivers.readings import Reading
from tests.rigs.kept_watch import answering

START_MS = 1_786_700_000_000  # an invented summer day of 2026
SETTINGS = """
[rack]
name = "rack-1"
time_zone = "Europe/Lisbon"

[journal]
path = "{folder}/journal.sqlite"

[buses.line]
kind = "modbus-rtu"
port = "/dev/ttyEXAMPLE0"

[vessels.k1]
kind = "kreisel"
stage = "ephyra"

[probes.k1-multi]
bus = "line"
vessel = "k1"
unit_id = 1
calibrate_every_days = 30
registers = [
    {{ quantity = "temperature", address = 0, type = "float32", accuracy_c = 0.1 }},
    {{ quantity = "conductivity", address = 2, type = "float32", accuracy_ms_cm = 0.3 }},
    {{ quantity = "oxygen", address = 4, type = "float32" }},
]

[probes.barometer]
bus = "line"
unit_id = 2
registers = [{{ quantity = "air_pressure", address = 0, type = "float32" }}]
"""


def readings(until_s=600):
    values = {
        ("barometer", "air_pressure"): 1003.0,
        ("k1-multi", "temperature"): 15.0,
        ("k1-multi", "conductivity"): float(C_from_SP(34.8, 15.0, 0.0)),
        ("k1-multi", "oxygen"): 8.0,
    }
    return [
        Reading(probe, quantity, value + 0.001 * (step % 3), START_MS + 30_000 * step)
        for step in range(until_s // 30)
        for (probe, quantity), value in values.items()
    ]


@pytest.fixture
def rack(tmp_path):
    file = tmp_path / "bellwatch.toml"
    file.write_text(SETTINGS.format(folder=tmp_path))
    return file


@pytest.fixture
def ask(rack, capsys):
    """Run a command against the rack; return its exit status, what it printed and what it complained of."""

    def run(*words):
        status = main([*words, "--settings", str(rack)])
        said = capsys.readouterr()
        return status, said.out, said.err

    with answering(rack, readings()):
        yield run


CALIBRATE = ("calibrate", "k1-multi", "temperature", "--standard", "ice point", "--who", "kim")
MEASURE = ("measure", "k1", "salinity", "--method", "refractometer", "--instrument", "no. 2", "--who", "kim")
BY = ("--instrument", "no. 1", "--who", "kim")


def test_a_calibration_is_taken_and_listed_with_its_history(ask):
    assert ask(*CALIBRATE, "--point", "0.2=0")[0] == 0
    status, _, _ = ask(*CALIBRATE, "--point", "0.3=0", "--point", "25.2=25", "--note", "new bath")
    assert status == 0
    _, listed, _ = ask("calibrations")
    lines = [line for line in listed.splitlines() if line.startswith("k1-multi temperature: 2026")]
    assert "0.2 read for 0: slope 1, offset -0.2 °C; against ice point, by kim" in lines[0]
    assert "slope 1.004, offset -0.3012 °C; against ice point, by kim (new bath)" in lines[1]
    assert "k1-multi temperature: due 2026-09-13" in listed


@pytest.mark.parametrize("below", ["-0.3=0", "-.3=0"])
def test_a_thermometer_that_is_below_zero_in_ice_is_calibrated(ask, below):
    assert ask(*CALIBRATE, "--point", below)[0] == 0
    assert "-0.3 read for 0: slope 1, offset 0.3 °C" in ask("calibrations")[1]


def test_a_refused_calibration_is_told_and_not_listed(ask):
    status, _, error = ask(*CALIBRATE, "--point", "25=0")
    refusal = (
        "temperature 25 °C read for 0 °C: at most 5 °C apart would be drift; check the unit and the standard"
    )
    assert (status, error.splitlines()[-1]) == (2, refusal)
    assert "No calibration is written down yet." in ask("calibrations")[1]


def test_air_saturation_takes_the_pressure_from_the_racks_barometer(ask):
    """At 20 °C and 1003 hPa: 9.09 mg/L (Benson & Krause 1984) times 0.9897, between the table's pressures."""
    words = ("calibrate", "k1-multi", "oxygen", "--standard", "moist air", "--who", "kim")
    status, _, _ = ask(*words, "--air-saturated", "9.3", "--temperature", "20", "--salinity", "0")
    assert status == 0
    assert "9.3 read for 8.99" in ask("calibrations")[1]
    more = ("--air-saturated", "9.3", "--salinity", "0")
    status, _, error = ask(*words, *more)
    assert status == 2
    assert "--temperature" in error
    status, _, error = ask(*words, *more, "--temperature", "20", "--air-pressure-hpa", "752")  # in mmHg
    assert status == 2
    assert "--air-pressure-hpa 752: the rack's barometer shows 1003 hPa" in error
    assert ask(*words, *more, "--temperature", "20", "--air-pressure-hpa", "1010")[0] == 0


def test_a_hand_measurement_says_how_the_probe_compares(ask):
    status, said, _ = ask(*MEASURE, "34.5")
    assert (status, said) == (0, "k1/salinity: 34.50 by hand, k1-multi says 34.80: 0.30 high\n")


def test_who_measures_or_calibrates_is_one_of_the_people(rack, ask):
    missing = 'who: --who is missing; people = ["Ada", "Kim"] under [rack] says who may write'
    assert ask(*MEASURE[:-2], "34.5")[::2] == (2, f"{missing}\n")
    rack.write_text(rack.read_text().replace("[rack]\n", '[rack]\npeople = ["ada", "bo"]\n', 1))
    assert ask(*MEASURE, "34.5")[::2] == (2, "who: found kim; --who is one of ada, bo\n")
    assert ask(*CALIBRATE, "--point", "0.2=0")[::2] == (2, "who: found kim; --who is one of ada, bo\n")
    assert ask(*MEASURE[:-1], "bo", "34.5")[0] == ask(*CALIBRATE[:-1], "bo", "--point", "0.2=0")[0] == 0


def test_a_specific_gravity_needs_its_reference_temperatures(ask):
    words = (
        "measure",
        "k1",
        "specific_gravity",
        "1.0261",
        "--method",
        "hydrometer",
        "--instrument",
        "1",
        *BY,
    )
    status, _, error = ask(*words)
    assert status == 2
    assert "without its reference temperatures says nothing" in error
    status, said, _ = ask(*words, "--scale", "25/25")
    assert status == 0
    assert said.startswith("k1/salinity: 34.6")


def test_a_measurement_of_what_no_probe_measures_is_kept_all_the_same(ask):
    words = ("measure", "k1", "oxygen_saturation", "98", "--method", "titration", *BY)
    status, said, _ = ask(*words)
    assert status == 0
    assert said.startswith("k1/oxygen_saturation: 98.0 by hand")  # made from mg/L
    status, said, _ = ask(
        "measure", "rack", "temperature", "21", "--method", "glass", "--instrument", "w", *BY
    )
    assert (status, said) == (
        0,
        "rack/temperature: written down; no probe had a usable value in the last 15 min\n",
    )


def test_a_request_may_name_anything_without_upsetting_the_watch(ask):
    """The logbook's own word for what it is about is the log's word too."""
    assert ask("log", "k1", "note", "--note", "new lamp", "--who", "ada")[0] == 0
    assert ask("log", "k1", "note", "--who", "ada")[0] == 2, "a note of nothing"
    assert ask(*MEASURE, "34.5")[0] == 0


def test_status_shows_the_accuracy_where_it_is_known(ask):
    _, shown, _ = ask("status")
    assert "34.80 ± 0.3" in shown
    assert "15.00 ± 0.1" in shown


def test_status_of_a_vessel_shows_its_conductivity_and_how_sure_it_is(ask):
    _, shown, _ = ask("status", "k1")
    assert f"conductivity {float(C_from_SP(34.8, 15.0, 0.0)):.2f} ± 0.3 mS/cm" in shown
    assert "the probe sends" not in shown


def test_status_points_out_a_probe_that_walks_away(ask):
    for value in ("34.0", "33.6", "33.2"):
        ask(*MEASURE, value, "--accuracy", "0.2")
    _, shown, _ = ask("status")
    assert "▲ k1/salinity walks away from hand checks: 1.20 high over the last 3" in shown


def test_status_shows_an_overdue_calibration(rack, capsys):
    late = START_MS + 31 * 86_400_000
    with answering(rack, readings(), now_ms=late):
        main(["status", "--settings", str(rack)])
    shown = capsys.readouterr().out
    assert "▲ k1-multi conductivity: calibration due since 2026-09-13, never calibrated" in shown


def test_a_decimal_comma_is_told_what_would_be_right(rack, capsys):
    with pytest.raises(SystemExit):
        main([*MEASURE[:3], "33,1", *MEASURE[3:], "--settings", str(rack)])
    assert "found '33,1'; expected a number, such as 18.5" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["49.2", "49.2=", "=50", "a=b", "inf=1", "49.2=50=1"])
def test_a_point_is_two_numbers(rack, text, capsys):
    with pytest.raises(SystemExit):
        main([*CALIBRATE, "--point", text, "--settings", str(rack)])
    assert "expected two numbers, such as 49.2=50.0" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("--adjusted", "--found", "15.5=15", "--point", "15=15"), "--adjusted"),
        (("--adjusted", "--point", "15=15"), "--adjusted"),
        (("--found", "15.5=15"), "--found: also give"),
        (("--moves", "offset", "--point", "10=10.5", "--point", "30=31"), "--moves"),
        (("--point", "0=0", "--point", "15=15", "--point", "30=30"), "one point, or two"),
        (("--in", "ice", "--in", "ice"), "one point, or two"),
    ],
)
def test_what_a_calibration_would_not_heed_is_refused(ask, words, named):
    """What was found would be dropped, and the record before corrected by what was left."""
    status, _, error = ask(*CALIBRATE, *words)
    assert (status, error.startswith(named)) == (2, True)
    assert "No calibration is written down yet." in ask("calibrations")[1]


@pytest.mark.parametrize("words", [("--scale", "25/25"), ("--temperature", "15")])
def test_a_salinity_takes_nothing_that_a_specific_gravity_is_read_by(ask, words):
    status, _, error = ask(*MEASURE, "1.026", *words)
    assert (status, error.startswith(words[0]), "specific_gravity" in error) == (2, True, True)


@pytest.mark.parametrize(
    ("quantity", "value", "say", "unit"),
    [
        ("salinity", "1.026", "specific_gravity with the --scale of the instrument", "ppt"),
        ("temperature", "78", "--unit F", "C"),
        ("temperature", "288", "--unit K", "C"),
        ("conductivity", "53000", "--unit uS/cm", "mS/cm"),
        ("oxygen", "98", "oxygen_saturation", "mg/L"),
        ("oxygen", "0.98", "oxygen_saturation --unit /", "mg/L"),
        ("oxygen_saturation", "0.98", "--unit /", "%"),
        ("oxygen_saturation", "7.2", "oxygen", "%"),
        ("air_pressure", "101.3", "--unit kPa", "hPa"),
    ],
)
def test_a_number_that_can_only_be_another_is_asked_back_and_taken_with_its_unit(
    ask, quantity, value, say, unit
):
    words = ("measure", "k1", quantity, value, "--method", "kit", "--instrument", "no. 3", "--who", "kim")
    status, _, error = ask(*words)
    said = f"{quantity} {float(value):g}: hardly in {unit}; say {say}, or --unit {unit} if it is so\n"
    assert (status, error) == (2, said)
    status, _, error = ask(*words, "--unit", unit)
    possible = "would be possible; is it in another unit?"  # what no water at all can be stays refused
    assert status == 0 or possible in error


@pytest.mark.parametrize("value", ["1.5", "0.02"])
def test_a_number_that_may_be_what_it_says_is_taken(ask, value):
    words = ("--method", "kit", "--instrument", "no. 3", "--who", "kim")
    assert ask("measure", "k1", "salinity", value, *words)[0] == 0


def test_a_standard_in_the_other_unit_is_asked_back(ask):
    """Both in °F agree to a degree, so that nothing else would look wrong; at 0 °C it is an ice point."""
    status, _, error = ask(*CALIBRATE, "--point", "78=77")
    assert (status, error) == (2, "temperature 77: hardly in C; say --unit F, or --unit C if it is so\n")
    assert ask(*CALIBRATE, "--point", "78=77", "--unit", "F")[0] == 0
    assert ask(*CALIBRATE, "--point", "0.1=0")[0] == 0


def test_on_a_rack_in_fahrenheit_what_can_only_be_celsius_is_asked_back(rack, ask):
    rack.write_text(rack.read_text().replace("[journal]", 'temperatures_in = "F"\n[journal]', 1))
    words = ("--method", "kit", "--instrument", "no. 3", "--who", "kim")
    status, _, error = ask("measure", "k1", "temperature", "25", *words)
    assert (status, error) == (2, "temperature 25: hardly in F; say --unit C, or --unit F if it is so\n")
    assert ask(*CALIBRATE, "--point", "32.36=32")[0] == 0
    status, _, error = ask(*CALIBRATE, "--point", "90=77")
    assert (status, "temperature 90 °F read for 77 °F: at most 9 °F apart" in error) == (2, True)
    show_temperatures_in("C")


def test_a_standard_that_would_blind_the_chart_is_refused(ask):
    point = ("k1-multi", "oxygen", "--point", "7.9=7.7", "--standard", "air", "--standard-accuracy")
    status, _, said = ask("calibrate", *point, "50")
    assert status == 2
    assert "--standard-accuracy: ± 50 mg/L" in said
    assert ask("calibrate", *point, "0.1")[0] == 0


def test_two_points_so_near_that_their_errors_are_the_slope_are_refused(ask):
    """A tenth apart, half of it an error: the slope would be halved, and 40 mS/cm shown as 45."""
    cell = ("calibrate", "k1-multi", "conductivity", "--standard", "two", "--who", "kim", "--point", "50=50")
    status, _, error = ask(*cell, "--point", "50.2=50.1")
    refusal = "two points so near tell no slope; standards 3 mS/cm apart would, or give one\n"
    assert (status, error) == (2, refusal)
    assert ask(*cell, "--point", "46.9=47")[0] == 0
