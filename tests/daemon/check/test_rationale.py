"""Records of alarms in the settings file: what is wrong with them, and the table for the wall."""

import io

from daemon.check.check import check_command, findings_in
from daemon.settings.file import read_values
from daemon.settings.rack import Settings
from rules.care.rationale import record_of
from tests.rigs.places import EXAMPLE

T = "temperature"


def found(values, **records):
    """What is said of the records of a sound file."""
    return [
        str(finding) for finding in findings_in({**values, "records": records}) if "records" in finding.path
    ]


def test_a_record_must_go_with_the_limit_of_its_alarm():
    values = read_values(EXAMPLE)
    stage = values["vessels"]["k1"]["stage"]
    alarm = f"{stage}/temperature/high_high"
    assert found(values) == []
    (late,) = found(values, **{alarm: {"respond_min": 600}})
    assert alarm in late
    assert "critical by its limit, high by its record (loss, 600 min)" in late
    (slow,) = found(values, **{alarm: {"respond_min": 1.5}})
    assert "raised after 60 s, of 1.5 min to act" in slow
    wrong = found(values, **{"temperature/hihg": {"check": "x"}, "nobody/temperature/high": {"check": "x"}})
    assert len(wrong) == 2
    assert "temperature/high" in wrong[0]


def test_who_writes_down_what_to_check_changes_no_time_to_act():
    """Seen: by a check of their own for all stages ephyrae had an hour, not half of one."""
    keys = {"heading_out": "All", "temperature/high_high": "Breaker 4", "ephyra/temperature/high_high": "Me"}
    values = read_values(EXAMPLE) | {"records": {key: {"check": check} for key, check in keys.items()}}
    own = Settings.model_validate(values).own_records()
    for stage in ("ephyra", "juvenile", "adult", "of ours"):
        for quantity, condition in ((T, "high_high"), (T, "heading_out"), ("salinity", "heading_out")):
            usual, ours = (record_of(stage, quantity, condition, its) for its in ({}, own))
            assert ours.respond_min == usual.respond_min
            mine = "Me" if stage == "ephyra" else "Breaker 4"
            assert ours.check == (mine if condition == "high_high" else "All")


def test_the_wall_shows_why_each_alarm_exists_in_the_nurserys_words(tmp_path):
    file, out = tmp_path / "rack.toml", io.StringIO()
    file.write_text(EXAMPLE.read_text() + '\n[records."temperature/high_high"]\ncheck = "Breaker 4"\n')
    assert check_command(file, False, out, out, wall=True) == 0
    shown = out.getvalue()
    entry = shown[shown.index("temperature high-high above") :]
    assert "act within 60 min\n    if nobody acts: Animals are lost" in entry
    assert "first: Breaker 4\n" in entry
    assert "May be shelved by who answers for the animals" in entry
    assert shown.count("act within") > 20
    assert max(map(len, shown.splitlines())) <= 140


def test_a_new_barometer_that_reads_right_is_calibrated_not_replaced_again():
    """Seen: one that read 40 hPa less than the one before was doubted, and nothing said what ends that."""
    doubted = record_of("", "air_pressure", "probe_fault", {})
    assert "Calibrate it if it reads right" in doubted.action
    assert "not of sea level" in doubted.check
