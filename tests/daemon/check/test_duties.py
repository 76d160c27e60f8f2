"""What is left to people on a rack is said by its check, and what nobody covers."""

from daemon.check.duties import duty_lines
from daemon.check.load import load_settings
from tests.rigs.daemon_run import write_settings
from tests.rigs.places import EXAMPLE


def test_the_example_says_what_is_left_to_people():
    measure, reminded, oncall, backup = duty_lines(load_settings(EXAMPLE))
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
    (line,) = duty_lines(load_settings(path))
    assert "until two visits tell how it drifts: k1-ct;" in line
