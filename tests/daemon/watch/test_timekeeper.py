"""Time without a battery clock: the axis never runs back, and what time it really was is learnt later."""

import threading
import time
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.broker.messages import messages_of
from daemon.journal.dating import Dating, Stretch
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.watch.timekeeper import TimeKeeper
from daemon.watch.wall_clock import SystemWallClock, kernel_says_synchronised
from drivers.readings import Reading
from rules.calling.records import Voice
from tests.rigs.bench import Bench, contents, refolded_events
from tests.rigs.bench import events_in as events_of

pytestmark = pytest.mark.usefixtures("quiet_logs")

HOUR_MS = 3_600_000
NOON_MS = int(datetime(2026, 8, 14, 12, tzinfo=UTC).timestamp() * 1000)


class Wall:
    """A system clock that a test sets: it shows `utc_ms()` of now plus `set_ahead_ms`."""

    def __init__(self, utc_ms, synchronised, boot="boot-1"):
        self._zero_ms = utc_ms - time.monotonic() * 1000
        self.synchronised = synchronised
        self.boot = boot
        self.set_ahead_ms = 0

    def utc_ms(self):
        return round(self._zero_ms + time.monotonic() * 1000) + self.set_ahead_ms

    def is_synchronised(self):
        return self.synchronised

    def boot_id(self):
        return self.boot


def close(one, other):
    return abs(one - other) < 1_000


def journal_at(tmp_path, newest_ms=0):
    journal = Journal(tmp_path / "journal.sqlite", writable=True)
    if newest_ms:
        source = journal.inputs.source_id("k1-ct", "temperature", "k1")
        with journal.transaction():
            journal.inputs.append_readings([(newest_ms, source, newest_ms, 15.0)])
    return journal


def test_a_synchronised_start_is_utc(tmp_path):
    keeper = TimeKeeper(journal_at(tmp_path), Wall(NOON_MS, synchronised=True))
    assert close(keeper.clock.now_ms(), NOON_MS)
    assert keeper.dating.newest.synchronised
    assert keeper.dating.utc_ms(NOON_MS) == NOON_MS + keeper.dating.newest.ahead_ms
    assert keeper.dating.newest.ahead_ms == 0


def test_a_pi_that_believes_it_is_yesterday_goes_on_from_its_newest_entry(tmp_path):
    journal = journal_at(tmp_path, NOON_MS)
    keeper = TimeKeeper(journal, Wall(NOON_MS - 24 * HOUR_MS, synchronised=False))
    assert 0 < keeper.clock.now_ms() - NOON_MS < 1_000
    assert keeper.dating.unsynchronised_from_ms() == NOON_MS + 1
    assert keeper.dating.at(NOON_MS).synchronised, "what was dated before stays so"


@pytest.mark.parametrize("jump_ms", [3 * HOUR_MS, -3 * HOUR_MS])
def test_once_synchronised_everything_since_the_start_is_dated_anew(tmp_path, jump_ms):
    journal = journal_at(tmp_path, NOON_MS)
    wall = Wall(NOON_MS + 5_000, synchronised=False)
    keeper = TimeKeeper(journal, wall)
    learnt = []
    keeper.check(lambda stretch, now_ms: learnt.append((stretch, now_ms)))
    assert learnt == []
    wall.synchronised, wall.set_ahead_ms = True, jump_ms
    before_ms = keeper.clock.now_ms()
    keeper.check(lambda stretch, now_ms: learnt.append((stretch, now_ms)))
    ((stretch, now_ms),) = learnt
    assert now_ms - before_ms < 1_000, "the axis does not jump"
    assert close(stretch.ahead_ms, jump_ms)
    assert stretch.from_ms == keeper.dating.newest.from_ms
    assert stretch.synchronised
    assert close(keeper.dating.utc_ms(NOON_MS + 6_000), NOON_MS + 6_000 + jump_ms)
    assert keeper.dating.utc_ms(NOON_MS) == NOON_MS, "the run before is not touched"
    keeper.check(lambda *_: pytest.fail("there is nothing new to learn"))


@pytest.mark.parametrize("jump_ms", [2 * HOUR_MS, -2 * HOUR_MS])
def test_a_clock_that_is_set_later_dates_only_what_follows(tmp_path, jump_ms):
    wall = Wall(NOON_MS, synchronised=True)
    keeper = TimeKeeper(journal_at(tmp_path), wall)
    wall.set_ahead_ms = jump_ms
    learnt = []
    keeper.check(lambda stretch, now_ms: learnt.append(stretch))
    (stretch,) = learnt
    assert keeper.dating.utc_ms(stretch.from_ms - 1) == stretch.from_ms - 1
    assert close(keeper.dating.utc_ms(stretch.from_ms), stretch.from_ms + jump_ms)


def test_a_restart_within_a_boot_goes_on_with_the_same_axis_whatever_the_system_believes(tmp_path):
    journal = journal_at(tmp_path)
    first = TimeKeeper(journal, Wall(NOON_MS, synchronised=True))
    again = TimeKeeper(journal, Wall(NOON_MS + 9 * HOUR_MS, synchronised=True))
    assert abs(again.clock.now_ms() - first.clock.now_ms()) < 50
    learnt = []
    again.check(lambda stretch, _: learnt.append(stretch))
    assert close(learnt[0].ahead_ms, 9 * HOUR_MS)


def test_a_new_boot_keeps_the_true_length_of_the_time_in_between(tmp_path):
    """The axis was three hours behind UTC; after a minute's power cut it goes on a minute later."""
    bench = Bench(tmp_path, NOON_MS)
    keeper = TimeKeeper(bench.journal, Wall(NOON_MS, synchronised=False))
    bench.watch.redate(Stretch(keeper.dating.newest.from_ms, 3 * HOUR_MS, True), NOON_MS)
    bench.watch.take([Reading("k1-ct", "temperature", 15.0, NOON_MS + 1_000)], NOON_MS + 1_000)
    again = TimeKeeper(bench.journal, Wall(NOON_MS + 61_000 + 3 * HOUR_MS, synchronised=True, boot="boot-2"))
    assert close(again.clock.now_ms(), NOON_MS + 61_000)
    assert close(again.dating.newest.ahead_ms, 3 * HOUR_MS)
    bench.power_cut()


@pytest.mark.parametrize("jump_ms", [3 * HOUR_MS, -3 * HOUR_MS])
def test_no_jump_raises_or_hides_an_alarm_and_people_read_the_right_time(tmp_path, jump_ms):
    bench = Bench(tmp_path, NOON_MS)
    bench.watch.take([Reading("k1-ct", "temperature", 22.0, NOON_MS)], NOON_MS)
    stretch = Stretch(NOON_MS, jump_ms, True)
    bench.watch.redate(stretch, NOON_MS + 1_000)
    readings = [Reading("k1-ct", "temperature", 22.0 + k / 100, NOON_MS + k * 1_000) for k in range(1, 4)]
    bench.take(readings)
    (event,) = events_of(bench.path)
    assert (event["condition"], event["since_ms"]) == ("high", NOON_MS), "the delay ran on through the jump"
    bench.watch.take([], NOON_MS + 9_000)
    assert [e["condition"] for e in events_of(bench.path)] == ["high", "silent"], "silence is counted as ever"
    journal = Journal(bench.path, writable=False)
    dating = journal.state.dating()
    found = bench.watch.engine
    assert engine_of(journal).alarms() == found.alarms()
    journal.close()
    assert [e["at_ms"] for e in refolded_events(bench.path)] == [event["at_ms"]]
    kinds = [(row[2], row[3]) for row in contents(bench.path)["action"]]
    assert kinds == [("configure", "settings"), ("redate", "clock")]
    alarm = found.alarms()[0]
    assert dating.utc_ms(alarm.since_ms) == NOON_MS + jump_ms
    bench.power_cut()


def test_messages_carry_utc(tmp_path):
    bench = Bench(tmp_path, NOON_MS)
    dating = Dating([Stretch(NOON_MS, 3 * HOUR_MS, True)])
    said = []
    bench.watch._words = lambda event: said.append(dating.dated(event)) or []
    bench.take([Reading("k1-ct", "temperature", 22.0, NOON_MS + k * 1_000) for k in range(3)])
    message, *_ = messages_of(said[0], Voice("id"), "bellwatch/bench", ZoneInfo("UTC"))
    assert '"since": "2026-08-14T15:00:00' in message.payload
    bench.power_cut()


stretches = st.lists(
    st.builds(Stretch, st.integers(0, 10**6), st.integers(-(10**6), 10**6), st.booleans()), max_size=6
)


@given(stretches, st.integers(-(10**6), 2 * 10**6))
def test_dating_follows_the_newest_stretch_that_has_begun(given_stretches, at_ms):
    dating = Dating(given_stretches)
    begun = [s for s in given_stretches if s.from_ms <= at_ms]
    if begun:
        newest = max(s.from_ms for s in begun)
        assert dating.utc_ms(at_ms) - at_ms in {s.ahead_ms for s in begun if s.from_ms == newest}
    else:
        assert dating.utc_ms(at_ms) == at_ms


@given(stretches, st.integers(0, 10**7))
def test_from_utc_to_the_axis_and_back(given_stretches, utc_ms):
    dating = Dating(given_stretches)
    at_ms = dating.axis_ms(utc_ms)
    if any(utc_ms - s.ahead_ms >= s.from_ms for s in given_stretches):
        newest = dating.newest
        if utc_ms - newest.ahead_ms >= newest.from_ms:
            assert dating.utc_ms(at_ms) == utc_ms


def test_probes_that_date_themselves_are_brought_to_the_axis(tmp_path):
    wall = Wall(NOON_MS, synchronised=False)
    keeper = TimeKeeper(journal_at(tmp_path), wall)
    wall.synchronised, wall.set_ahead_ms = True, 3 * HOUR_MS
    keeper.check(lambda *_: None)
    assert close(keeper.utc_clock().now_ms(), NOON_MS + 3 * HOUR_MS)
    assert close(keeper.dating.axis_ms(keeper.utc_clock().now_ms()), keeper.clock.now_ms())


def test_waiting_by_utc_ends_by_the_axis(tmp_path):
    wall = Wall(NOON_MS, synchronised=True)
    keeper = TimeKeeper(journal_at(tmp_path), wall)
    clock, began = keeper.utc_clock(), time.monotonic()
    assert clock.wait(threading.Event(), clock.now_ms() + 50) is False
    assert 0.045 < time.monotonic() - began < 5


def test_the_kernel_is_asked_the_way_timedatectl_asks_it():
    """adjtimex(2): the clock is synchronised when STA_UNSYNC is not set; chrony's and systemd's own rule."""
    assert kernel_says_synchronised() in (True, False, None)
    assert SystemWallClock(trusted=True).is_synchronised() is True
    assert len(SystemWallClock(trusted=False).boot_id()) >= 32
    assert close(SystemWallClock(trusted=False).utc_ms(), time.time() * 1000)


def test_a_clock_that_is_looked_after_no_more_is_known_since_when_and_one_that_is_set_by_how_much(tmp_path):
    wall = Wall(NOON_MS, synchronised=False)
    keeper = TimeKeeper(journal_at(tmp_path), wall)
    keeper.check(lambda *_: None)
    assert keeper.left_alone_ms is None, "it never was looked after"
    wall.synchronised = True
    keeper.check(lambda *_: None)
    wall.synchronised = False
    keeper.check(lambda *_: None)
    since_ms = keeper.left_alone_ms
    assert close(since_ms, NOON_MS)
    keeper.check(lambda *_: None)
    assert keeper.left_alone_ms == since_ms
    wall.synchronised, wall.set_ahead_ms = True, -HOUR_MS
    keeper.check(lambda *_: None)
    assert keeper.left_alone_ms is None
    assert close(keeper.set_by_ms, -HOUR_MS)
