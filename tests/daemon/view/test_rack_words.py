"""Words that are the same on every screen: a moment of the night in which the clocks go back."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.view.rack import rack_now
from daemon.view.rack_words import held, moment
from daemon.view.reader import JournalView
from tests.rigs.minute_rack import rack_in

COPENHAGEN = ZoneInfo("Europe/Copenhagen")


@pytest.mark.parametrize(
    ("hour", "minute", "says"),
    [(23, 30, "01:30"), (0, 30, "02:30 CEST"), (1, 30, "02:30 CET"), (2, 30, "03:30")],
)
def test_an_hour_that_comes_twice_says_which_it_is(hour, minute, says):
    """Clocks go back at 01:00 UTC on the last Sunday of October (Directive 2000/84/EC), here 2026-10-25."""
    day = 24 if hour == 23 else 25
    at_ms = round(datetime(2026, 10, day, hour, minute, tzinfo=UTC).timestamp() * 1000)
    assert moment(at_ms, at_ms, COPENHAGEN) == says


def test_an_hour_that_is_left_out_is_no_riddle():
    at_ms = round(datetime(2026, 3, 29, 1, 30, tzinfo=UTC).timestamp() * 1000)
    assert moment(at_ms, at_ms, COPENHAGEN) == "03:30"


def test_what_maintenance_keeps_quiet_says_when_it_is_over(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(30)
        rack.minutes(10, k2=19.5, k3=None)
        rack.ask("begin_maintenance", target="vessel/k2", for_s=3600, why="new cable")
        rack.ask("begin_maintenance", target="vessel/k3", for_s=3600, why="new cable")
        rack.minutes(10, k2=19.5)
        found = rack_now(JournalView(rack.settings), rack.now_ms)
    said = {it.name: held(it, found.made_ms, COPENHAGEN) for it in found.alarms if it.held_by}
    by = "suppressed by design until 03:40 by ada: new cable"
    assert said["k2/temperature/high"] == by
    assert said["k3/temperature/silent"] == f"{by}; over meanwhile"
