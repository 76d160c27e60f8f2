"""What is to do today: what stands, also held, what is planned, and the probes that are due."""

import dataclasses

import pytest

from daemon.view.rack import rack_now
from daemon.view.rack_now import CalibrationNow
from daemon.view.reader import JournalView
from daemon.view.today import to_do
from tests.rigs.minute_rack import rack_in

DAY_MS = 86_400_000
PLAN = """
[[vessels.k1.plan]]
start = 2026-08-15T08:00:00+02:00
stage = "juvenile"
over_h = 1
"""


@pytest.fixture
def rack(tmp_path):
    with rack_in(tmp_path, PLAN) as made:
        made.minutes(30)
        yield made


def today(rack, *calibrations):
    """What is to do; `calibrations` are those of k1-multi."""
    now = rack_now(JournalView(rack.settings), rack.now_ms + 5000)
    probes = tuple(
        dataclasses.replace(it, calibrations=calibrations if it.name == "k1-multi" else ())
        for it in now.probes
    )
    return list(to_do(dataclasses.replace(now, probes=probes), ()))


def test_a_planned_move_of_the_next_day_is_to_do(rack):
    assert today(rack) == ["Kreisel 1, top left: juvenile from 08:00, by plan"]


def test_probes_that_are_due_within_a_week_or_overdue_are_to_do(rack):
    salinity, oxygen, later = (
        CalibrationNow(quantity, None, rack.now_ms + days * DAY_MS, overdue=days < 0)
        for quantity, days in (("conductivity", 6), ("oxygen", -2), ("temperature", 8))
    )
    assert today(rack, salinity, oxygen, later)[1:] == [
        "k1-multi oxygen: calibration due since 2026-08-13, never calibrated",
        "k1-multi conductivity: calibration due on 2026-08-21",
    ]


def test_what_somebody_shelved_stands_in_it_while_it_lasts(rack):
    rack.minutes(15, k2=26.0)
    rack.ask("shelve", alarm="k2/temperature/high_high", for_s=1800, why="new chiller", yes_critical=True)
    shelved = next(line for line in today(rack) if "Temperature high-high" in line)
    assert shelved.startswith("■ k2: Temperature high-high, 26.00 °C now, limit 24.00 °C, since")
    assert "by ada: new chiller" in shelved
