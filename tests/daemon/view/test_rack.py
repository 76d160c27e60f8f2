"""`rack_now` over a real journal: nothing is well that is not watched, and nothing is left to work out."""

import dataclasses

import pytest

from daemon.journal.dating import Stretch
from daemon.view.rack import rack_now
from daemon.view.rack_now import Overall, WatchState
from daemon.view.reader import JournalView
from drivers.readings import Reading
from rules.judging.watched import WatchedState
from rules.quantities import Quantity
from tests.rigs.minute_rack import MINUTE_MS, START_MS, rack_in

HOUR_MS = 3_600_000


@pytest.fixture
def rack(tmp_path):
    with rack_in(tmp_path) as made:
        yield made


@pytest.fixture
def now(rack):
    view = JournalView(rack.settings)
    return lambda later_s=5: rack_now(view, rack.now_ms + later_s * 1000)


def channel(found, name):
    everything = [*found.rack_wide, *(its for vessel in found.vessels for its in vessel.channels)]
    return next(its for its in everything if its.name == name)


def vessel(found, name):
    return next(its for its in found.vessels if its.name == name)


def test_a_rack_at_ease(rack, now):
    rack.minutes(45)
    found = now()
    assert (found.rack, found.time_zone, found.made_ms) == ("north", "Europe/Copenhagen", rack.now_ms + 5000)
    assert found.overall is Overall.WELL
    assert found.watch.state is WatchState.ALIVE
    assert [its.name for its in found.vessels] == ["k1", "k2", "k3"]
    k1 = vessel(found, "k1")
    assert (k1.label, k1.kind, k1.stage.name) == ("Kreisel 1, top left", "kreisel", "ephyra")
    assert k1.unwatched == k1.alarms == ()
    its = channel(found, "k1/temperature")
    assert its.value == pytest.approx(15.0, abs=0.01)
    assert its.place == pytest.approx(0.0, abs=0.01)
    assert (its.unit, its.flag, its.lack, its.why, its.priority) == ("°C", "pass", "", "", None)
    assert (its.time_ms, its.age_s) == (rack.now_ms, 5.0)
    # It has not moved for 45 min, and nothing tells a calm probe from a frozen one.
    assert (its.watched.state, its.watched.by_what) == (WatchedState.WATCHED_ROUGHLY, "k1-multi")
    assert channel(found, "rack/air_pressure").value == pytest.approx(1011.0, abs=0.01)
    assert [probe.name for probe in found.probes] == ["k1-multi", "k2-multi", "k3-multi", "barometer"]
    assert found.probes[0].last_heard_ms == rack.now_ms
    assert found.clock.synchronised
    assert found.journal.newest_ms == rack.now_ms
    assert found.journal.disk_free_bytes > 0
    assert not found.journal.settings_differ


def test_nothing_is_well_before_everything_was_read(rack, now):
    rack.minutes(0)
    found = now()
    assert found.overall is Overall.PARTLY_UNWATCHED
    assert {its.why for its in vessel(found, "k2").unwatched} == {"no reading yet"}
    its = channel(found, "k2/temperature")
    assert (its.value, its.lack, its.time_ms, its.age_s) == (None, "never read", None, None)
    assert its.watched.state is WatchedState.UNWATCHED


def test_a_silent_probe_leaves_what_it_should_watch_unwatched(rack, now):
    rack.minutes(30)
    heard_ms = rack.now_ms
    rack.minutes(10, k3=None)
    found = now()
    assert found.vessels[0].name == "k3"
    lost = {its.quantity: its for its in found.vessels[0].unwatched}
    assert lost.keys() == {Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION}
    its = lost["temperature"]
    assert (its.why, its.since_ms, its.priority) == ("k3-multi is silent", heard_ms, "critical")
    assert channel(found, "k3/temperature").value is None
    assert next(probe for probe in found.probes if probe.name == "k3-multi").silent


def test_shelved_alarms_over_a_silent_probe_do_not_make_it_well(rack, now):
    rack.minutes(30)
    rack.minutes(10, k3=None)
    while free := [alarm.name for alarm in now().alarms if alarm.held_by is None]:
        rack.ask(
            "shelve", alarm=free[0], for_s=1800, why="new probe", yes_critical=True
        )  # which lets its followers free
    found = now()
    assert found.overall is Overall.PARTLY_UNWATCHED


def test_a_quantity_without_a_probe_is_unwatched(rack, now):
    rack.minutes(5)
    plan = rack.watch.engine.plan
    sources = tuple(its for its in plan.sources if (its.vessel, its.quantity) != ("k2", Quantity.OXYGEN))
    reconfigure(rack, dataclasses.replace(plan, sources=sources))
    found = now()
    assert [(its.quantity, its.why) for its in vessel(found, "k2").unwatched] == [
        ("oxygen_saturation", "by settings, no probe for it")
    ]
    assert found.overall is Overall.PARTLY_UNWATCHED


def reconfigure(rack, plan):
    """Put another plan into force, as a start of the daemon under other settings does."""
    from daemon.watch.watch import Watch

    rack.watch.stop()
    rack.watch = Watch(rack.journal, plan, rack.now_ms, lambda _: [])


def test_a_reading_that_is_not_believed_says_why(rack, now):
    rack.minutes(30)
    rack.minutes(3, k1=-40.0)
    its = channel(now(), "k1/temperature")
    assert (its.flag, its.place) == ("fail", None)
    assert its.value == pytest.approx(-40.0, abs=0.01)
    assert "no water can be so" in its.why
    assert its.watched.state is WatchedState.UNWATCHED
    assert its.watched.why == its.why


def test_what_lacks_an_input_is_watched_roughly_and_says_how_well(rack, now):
    rack.minutes(30)
    assert channel(now(), "k1/oxygen_saturation").watched.state is WatchedState.WATCHED
    rack.minutes(15, k1=-40.0)
    its = channel(now(), "k1/oxygen_saturation")
    assert its.watched.state is WatchedState.WATCHED_ROUGHLY
    assert its.watched.by_what == "k1-multi"
    assert its.watched.why.startswith(f"off by up to {its.uncertainty:.2g}, no temperature and salinity now")
    assert its.watched.since_ms is not None


def test_an_alarm_tells_all_that_is_known_of_it(rack, now):
    rack.minutes(30)
    began_ms = rack.now_ms + MINUTE_MS
    rack.minutes(15, k1=24.0)
    rack.ask("acknowledge", alarm="k1/temperature/high_high")
    found = now()
    assert found.overall is Overall.ALARM
    alarm = next(its for its in found.alarms if its.name == "k1/temperature/high_high")
    assert (alarm.vessel, alarm.quantity, alarm.condition) == ("k1", "temperature", "high_high")
    assert (alarm.priority, alarm.state, alarm.limit) == ("critical", "acknowledged", 23.0)
    assert (alarm.acknowledged_by, alarm.acknowledged_ms) == ("ada", rack.now_ms)
    assert alarm.since_ms == began_ms
    assert alarm.value_now == channel(found, "k1/temperature").value
    assert alarm.first_check.startswith("Chiller")
    assert alarm.who_has_it is None, "not known"
    assert alarm.name in vessel(found, "k1").alarms
    ranks = [its.priority for its in found.alarms if its.held_by is None]
    assert ranks == sorted(ranks, key=["critical", "high", "medium", "low"].index)
    for follower in alarm.followers:
        assert next(its for its in found.alarms if its.name == follower).leader == alarm.name


def test_a_trend_says_which_limit_it_will_reach_and_when(rack, now):
    rack.minutes(30)
    for minute in range(90):
        rack.minutes(1, k1=15.0 + minute * 0.02)  # 1.2 °C an hour from 15 °C
    its = channel(now(), "k1/temperature")
    assert its.trend_tells
    assert its.trend_per_hour == pytest.approx(1.2, rel=0.05)
    assert (its.reaching.limit, its.reaching.value) == ("advisory_high", 18.0)
    assert its.reaching.at_ms - its.time_ms == pytest.approx((18 - its.value) / 1.2 * HOUR_MS, rel=0.05)
    long_after = channel(now(105 * 86_400), "k1/temperature")
    assert long_after.reaching is None, "a trend of 105 days ago reaches nothing now"


def test_limits_stand_where_they_are_on_a_ramp(rack, now):
    """Half way from ephyra (target 15, advisory 12 to 18) to juvenile (16, 13 to 19)."""
    rack.minutes(5)
    rack.ask("move_stage", vessel="k1", stage="juvenile", over_s=7200)
    rack.minutes(60)
    found = now()
    stage, limits = vessel(found, "k1").stage, channel(found, "k1/temperature").limits
    assert (stage.name, stage.ramp_from) == ("juvenile", "ephyra")
    assert stage.ramp_until_ms == START_MS + 5 * MINUTE_MS + 2 * HOUR_MS
    assert (limits.target, limits.advisory_low, limits.advisory_high) == (15.5, 12.5, 18.5)
    assert limits.critical_high == 23.5


def test_maintenance_has_its_end_and_a_watch_from_nowhere_is_not_well(rack, now):
    rack.minutes(30)
    rack.ask("begin_maintenance", target="vessel/k2", for_s=3600, why="cleaning")
    found = now()
    assert vessel(found, "k2").maintenance_until_ms == rack.now_ms + HOUR_MS
    assert [work.target for work in found.maintenance] == ["vessel/k2"]
    rack.settings.journal.path.with_name("journal.sqlite.lock").unlink()
    found = now()
    assert found.watch.state is WatchState.NEVER
    assert found.overall is Overall.NOT_WATCHED


def test_of_a_lost_probe_that_comes_back_lying_only_what_it_still_hides_is_told(rack, now):
    rack.minutes(60)
    rack.minutes(40, k1=None)
    name = "probe/k1-multi/unwatched"
    told = next(it for it in now().alarms if it.name == name)
    assert told.reason == "k1: temperature, salinity, oxygen saturation unwatched (probe k1-multi: silent)"
    assert told.first_check == "Nobody sees this water: measure by hand. Cable, power?"
    for flicker in (0.0, 0.002, 0.004, 0.001, 0.003):
        rack.now_ms += MINUTE_MS
        sent = {"temperature": 15.0, "conductivity": 52.0, "oxygen": 8.0}
        readings = [Reading("k1-multi", it, value + flicker, rack.now_ms) for it, value in sent.items()]
        rack.watch.take(readings, rack.now_ms)
    told = next(it for it in now().alarms if it.name == name)
    assert told.reason == "k1: salinity unwatched (probe k1-multi: doubted)"
    assert told.first_check == "Measure by hand: bellwatch measure VESSEL QUANTITY"
    rack.minutes(8, k1=None)
    told = next(it for it in now().alarms if it.name == name)
    assert told.reason == "k1: salinity unwatched (probe k1-multi: silent)"
    assert told.first_check == "Nobody sees this water: measure by hand. Cable, power?"


@pytest.mark.parametrize("set_by_h", [-1, 1])
def test_the_age_of_a_reading_does_not_go_by_a_clock_that_was_set_since(rack, set_by_h):
    rack.minutes(30)
    rack.minutes(2, k3=None)
    with rack.journal.transaction():
        rack.journal.state.keep_stretch(Stretch(rack.now_ms, set_by_h * HOUR_MS, synchronised=True))
    rack.minutes(1, k3=None)
    found = rack_now(JournalView(rack.settings), rack.now_ms + set_by_h * HOUR_MS + 5000)
    assert channel(found, "k3/temperature").age_s == 185.0
    assert channel(found, "k1/temperature").age_s == 5.0
