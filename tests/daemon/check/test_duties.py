"""What is left to people on a rack is said by its check, and what nobody covers."""

import pytest

from daemon.check.duties import duty_lines
from daemon.check.load import load_settings
from daemon.oncall.check import duty_lines as oncall_lines
from daemon.oncall.check import examine
from tests.faults.table import faults
from tests.rigs.daemon_run import write_settings
from tests.rigs.oncall_run import write_oncall
from tests.rigs.places import EXAMPLE

AT_THE_RACK = {
    "hand check": "`bellwatch measure` once a week",
    "check after cleaning": "after each cleaning, calibration or change of a lone probe",
    "daily look": "each morning: `bellwatch status`",
    "monthly look": "once a month: the machine's supply and temperature",
    "power drill": "before use and once a year: pull the plug",
    "second look": "a second person reads it, and replays it",
}
ON_CALL = {
    "daily look": "who is on call",
    "daily sign": "no message waits",
    "weekly greeting": "once a week: `bellwatch oncall greet NAME`",
    "drill": "once a month: `bellwatch drill`",
}
PAGE = '[page]\nurl = "https://bell.example"\n'


def test_the_example_says_what_is_left_to_people():
    measure, after, reminded, oncall, backup, *_ = duty_lines(load_settings(EXAMPLE))
    assert "lone probe" in after
    assert "k1 temperature, salinity, oxygen saturation" in measure
    assert "dish-1 temperature" in measure
    assert reminded.startswith(
        "duty without cover, nobody is reminded to calibrate until two visits tell how it drifts: k2-multi, "
    )
    assert "k1-multi" not in reminded
    assert "[broker] oncall = true" in oncall
    assert backup.startswith("duty of people, `bellwatch backup`")


def test_a_quantity_with_two_probes_and_a_probe_with_reminders_need_nobody(tmp_path):
    second = """
[probes.k1-second]
bus = "line"
vessel = "k1"
unit_id = 2
calibrate_every_days = 60
registers = [{ quantity = "temperature", address = 0, type = "int16", scale = 0.01 }]

[mirror]
url = "http://127.0.0.1:8086"
bucket = "b"
"""
    path = write_settings(tmp_path, tmp_path / "serial", 1883, silent_after_s=1.0, more=second)
    path.write_text(path.read_text().replace("heartbeat_s = 1", "oncall = true"))
    of_one_line, line, *every_rack = duty_lines(load_settings(path))
    assert of_one_line.endswith("as one supply may move all probes of a line: k1 temperature")
    assert "until two visits tell how it drifts: k1-ct;" in line
    assert len(every_rack) == 4
    assert not any("`bellwatch measure`" in it for it in every_rack)


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
@pytest.mark.parametrize("row", [row for row in faults() if row.duty], ids=lambda row: row.key)
def test_whatever_only_people_find_is_said_by_a_check(row, tmp_path):
    """Each row of the second column: by `bellwatch check`, or by `bellwatch oncall --check`."""
    settings, routes, _ = examine(_with_page(write_oncall(tmp_path, 1883, 9)))
    said = {
        "rack": list(duty_lines(load_settings(EXAMPLE))),
        "on call": list(oncall_lines(settings, routes)),
    }
    words = {"rack": AT_THE_RACK.get(row.duty), "on call": ON_CALL.get(row.duty)}
    assert any(words.values()), f"no check is asked for: {row.duty}"
    for where, its in words.items():
        assert its is None or any(its in line for line in said[where]), (where, its)


def _with_page(path):
    path.write_text(path.read_text() + PAGE)
    return path
