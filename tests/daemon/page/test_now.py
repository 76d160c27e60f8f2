"""The page *Now* as plain data: what needs somebody stands in it, also what somebody keeps from people."""

import re

import pytest

from daemon.page.memory import Memory
from daemon.page.now import now_of
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from tests.rigs.minute_rack import rack_in

HOT = "k1/temperature/high_high"


@pytest.fixture
def rack(tmp_path):
    with rack_in(tmp_path) as made:
        made.minutes(30)
        made.minutes(15, k1=24.0)
        yield made


def shown(rack):
    now = rack_now(JournalView(rack.settings), rack.now_ms + 5000)
    return now_of(now, rack.settings, Memory())


@pytest.mark.parametrize(
    ("kind", "how_long", "says"),
    [
        ("shelve", {"for_s": 1800}, r"shelved until \d\d:\d\d by ada: new chiller"),
        ("take_out_of_service", {}, "out of service by ada: new chiller"),
    ],
)
def test_a_critical_alarm_that_somebody_keeps_from_people_is_told_while_its_condition_lasts(
    rack, kind, how_long, says
):
    rack.ask(kind, alarm=HOT, why="new chiller", yes_critical=True, **how_long)
    (need,) = (it for it in shown(rack).needs if it.alarm == HOT)
    assert (need.priority, need.where, need.calls) == ("critical", "Kreisel 1, top left", False)
    assert "24.00 °C now, limit 23.00 °C" in need.text
    assert re.fullmatch(says, need.who)
    rack.minutes(40, k1=15.0)
    assert all(it.alarm != HOT for it in shown(rack).needs), "the water is right again"
