"""The steady clock: it never runs back, and scaled it is shared between processes."""

import threading
import time

from daemon.clock import FollowingClock, SteadyClock


def test_it_starts_where_it_is_told_and_never_runs_back():
    clock = SteadyClock(5_000)
    seen = [clock.now_ms() for _ in range(10_000)]
    assert seen[0] >= 5_000
    assert seen == sorted(seen)


def test_a_scaled_clock_runs_as_many_times_faster():
    began = time.monotonic()
    clock = SteadyClock(0, scale=1_000, epoch_s=began)
    time_passed = clock.now_ms()
    assert time_passed <= (time.monotonic() - began) * 1_000_000
    clock.wait(threading.Event(), clock.now_ms() + 60_000)
    assert 0.06 <= time.monotonic() - began < 5


def test_two_clocks_of_one_epoch_agree():
    one = SteadyClock(0, 360, 17.0)
    other = SteadyClock(0, 360, 17.0)
    assert abs(one.now_ms() - other.now_ms()) < 360


def test_waiting_ends_in_time_or_when_stopped():
    clock, stop = SteadyClock(0, scale=100), threading.Event()
    assert clock.wait(stop, clock.now_ms() + 1_000) is False
    stop.set()
    began = time.monotonic()
    assert clock.wait(stop, clock.now_ms() + 10_000_000) is True
    assert time.monotonic() - began < 5
    assert clock.wait(stop, 0) is True


def test_a_following_clock_goes_on_from_the_systems_time_and_never_runs_back():
    behind, ahead = FollowingClock(5_000), FollowingClock(int(time.time() * 1000) + 3_600_000)
    assert abs(behind.now_ms() - time.time() * 1000) < 1_000
    assert ahead.now_ms() > time.time() * 1000 + 3_599_000
    seen = [behind.now_ms() for _ in range(1_000)]
    assert seen == sorted(seen)
