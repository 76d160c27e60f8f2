"""Records of alarms in the settings file: what is wrong with them, and the table for the wall."""

import io

from daemon.check.check import check_command, findings_in
from daemon.settings.file import read_values
from tests.rigs.places import EXAMPLE


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
