"""What is due when, without waiting for it."""

import time

from simulator.clock import ScaledTime
from simulator.live import Timetable
from simulator.scenario.faults import Change
from simulator.scenario.scenario import Event


def change(time_ms):
    return Change(time_ms, "begins", Event(kind="air_stops", at_min=0))


def test_probes_publish_at_their_own_periods():
    table = Timetable(1000, {"slow": 30_000, "fast": 10_000}, [], 10**9)
    assert sorted(table.due_probes(1000)) == ["fast", "slow"]
    assert table.next_ms() == 11_000
    assert table.due_probes(10_999) == []
    assert table.due_probes(11_000) == ["fast"]
    assert table.due_probes(21_000) == ["fast"]
    assert sorted(table.due_probes(31_000)) == ["fast", "slow"]


def test_a_missed_turn_publishes_once_and_keeps_the_rhythm():
    table = Timetable(0, {"p": 10_000}, [], 10**9)
    assert table.due_probes(0) == ["p"]
    assert table.due_probes(57_000) == ["p"]
    assert table.due_probes(57_000) == []
    assert table.next_ms() == 60_000


def test_changes_and_the_end_come_once():
    table = Timetable(0, {}, [change(100), change(200)], 300)
    assert table.next_ms() == 100
    assert [found.time_ms for found in table.due_changes(150)] == [100]
    assert table.due_changes(150) == []
    assert not table.is_over_now(299)
    assert [found.time_ms for found in table.due_changes(400)] == [200]
    assert table.next_ms() == 300
    assert table.is_over_now(400)
    assert not table.is_over_now(500)
    assert table.next_ms() is None


def test_scaled_time_is_a_line_through_its_epoch():
    clock = ScaledTime(start_ms=1_000_000, scale=240.0, epoch_monotonic_s=time.monotonic() - 10)
    assert 1_000_000 + 10 * 240_000 <= clock.now_ms() < 1_000_000 + 20 * 240_000
    assert clock.wall_s_until(1_000_000) == 0.0
    ahead = clock.wall_s_until(clock.now_ms() + 240_000)
    assert 0.0 < ahead <= 1.001
