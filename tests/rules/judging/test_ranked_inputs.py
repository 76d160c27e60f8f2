"""What a derived value is made of when an input is lost, and what its error makes of the limits.

The racks and numbers are invented; seawater comes from the gsw reference library.
"""

from dataclasses import replace

import gsw
import pytest

from rules.alarms.life_cycle import Priority
from rules.quality.flags import Flag
from rules.quality.settings import Range
from rules.quantities import Quantity
from rules.rack.plan import Source, Supply
from rules.rack.tolerance import Band, Tolerance
from rules.water.standard_atmosphere import standard_air_pressure_hpa
from tests.rigs.watched_rack import HOUR, MINUTE, START_MS, WatchedRack, plan_of

pytestmark = pytest.mark.timeout(600)
"""Whole nights take minutes on a machine that is slow or busy."""

T, C, O2, P, T2 = 1, 2, 3, 4, 5
SOURCES = {
    T: Source(T, "t", Quantity.TEMPERATURE, "k1", 5 * MINUTE, "bench"),
    C: Source(C, "c", Quantity.CONDUCTIVITY, "k1", 5 * MINUTE, "bench"),
    O2: Source(O2, "do", Quantity.OXYGEN, "k1", 5 * MINUTE, "bench"),
    P: Source(P, "room", Quantity.AIR_PRESSURE, "rack", 5 * MINUTE, "air"),
    T2: Source(T2, "t2", Quantity.TEMPERATURE, "k2", 5 * MINUTE, "bench"),
}
SATURATION = Tolerance(
    target=100.0, advisory=Band(80.0, 103.0), critical=Band(60.0, 107.0), deadband=3.0, lead_time_ms=0
)
WATER = {T: 15.0, C: float(gsw.C_from_SP(32.0, 15.0, 0.0)), O2: 8.1, P: 1013.25, T2: 16.0}


class Rack(WatchedRack):
    """A rack that is polled every minute."""

    def __init__(self, *sources, **more):
        self.polled, self.now_ms = sources, 0
        stages = {"ephyra": {Quantity.OXYGEN_SATURATION: SATURATION}}
        super().__init__(plan_of(tuple(SOURCES[it] for it in sources), stages, **more))

    def poll(self, minutes, without=(), **values):
        """Poll for so many minutes, one block of readings; `values` are given by their names here."""
        given = WATER | {globals()[name]: value for name, value in values.items()}
        times = [self.now_ms + minute * MINUTE for minute in range(1, minutes + 1)]
        self.read_all([(ms, it, given[it]) for ms in times for it in self.polled if it not in without])
        self.now_ms += minutes * MINUTE
        return self

    @property
    def saturation(self):
        return next(it for it in self.engine.channels() if it.channel.quantity is Quantity.OXYGEN_SATURATION)

    def raised(self, condition):
        return [
            event for event in self.events if event.condition == condition and str(event.trigger) == "raised"
        ]


def test_with_everything_measured_now_there_is_no_error():
    assert Rack(T, C, O2, P).poll(10).saturation.error == 0


@pytest.mark.parametrize("lost", [(T,), (C,), (T, C), (P,), (T, C, P)])
def test_a_crash_of_oxygen_is_told_whatever_else_is_lost(lost):
    rack = Rack(T, C, O2, P).poll(30).poll(8 * 60, without=lost)
    rack.poll(5, without=lost, O2=1.6)
    (low,) = rack.raised("low_low")
    assert low.priority is Priority.CRITICAL, "20 %, whatever the temperature and the salinity are"


def test_there_is_a_saturation_with_nothing_but_oxygen_and_its_crash_is_told():
    rack = Rack(O2).poll(30)
    assert 15 < rack.saturation.error < 40
    assert rack.poll(5, O2=1.2).raised("low_low")[0].priority is Priority.CRITICAL


def test_what_is_likely_beyond_a_limit_is_told_one_priority_lower_and_says_why():
    rack = Rack(T, C, O2, P).poll(30).poll(3 * 60, without=(T,))
    rack.poll(5, without=(T,), O2=4.9)
    low = [event for event in rack.events if event.condition == "low_low"]
    assert 57 < rack.saturation.value < 60
    assert rack.saturation.value + rack.saturation.error > 60
    assert max(event.priority for event in low) is Priority.HIGH, "one lower than critical"
    assert any("no temperature and salinity now" in event.evidence.reason for event in low)


def test_an_error_that_merely_grows_calls_nobody():
    rack = Rack(T, C, O2, P).poll(30).poll(30 * 60, without=(T, C, P))
    assert rack.saturation.error > 5
    assert [event for event in rack.events if event.channel == "k1/oxygen_saturation"] == []


def test_an_alarm_stays_while_the_error_grows_and_returns_by_the_best_value():
    rack = Rack(T, C, O2, P).poll(30).poll(30, without=(T,), O2=4.6)
    assert rack.raised("low_low")
    rack.poll(12 * 60, without=(T,), O2=4.6)
    assert "k1/oxygen_saturation/low" in rack.states
    rack.poll(30, without=(T,), O2=7.9)
    assert rack.states.get("k1/oxygen_saturation/low") in (None, "returned unacknowledged")


def test_a_vessel_on_the_same_supply_stands_in_once_it_is_surer_than_the_last_value():
    loop = Supply("loop", Quantity.TEMPERATURE, ("k1", "k2"))
    rack = Rack(T, C, O2, P, T2, supplies=(loop,)).poll(30).poll(60, without=(T,))
    early = rack.saturation.value
    rack.poll(3 * 60, without=(T,))
    by_gsw = gsw.O2sol_SP_pt(32.0, 15.0) / gsw.O2sol_SP_pt(32.0, 16.0)
    assert rack.saturation.value / early == pytest.approx(by_gsw, rel=0.01), "k2 is at 16 °C"
    assert rack.saturation.error == pytest.approx(2.0, abs=0.3), "within 1 °C, some 2 % of solubility"


@pytest.mark.parametrize(("beside", "apart_c"), [(15.5, 1.0), (19.0, 3.0)])
def test_a_vessel_of_the_same_supply_is_as_sure_as_the_two_are_usually_alike(beside, apart_c):
    """Seen: eight hours without its thermometer, a vessel at 10 °C took on 18 of another on its loop, give or
    take one, and was told to have lost a fifth of its salt."""
    loop = Supply("loop", Quantity.TEMPERATURE, ("k1", "k2"))
    rack = Rack(T, C, T2, supplies=(loop,)).poll(26 * 60, T2=beside)
    rack.poll(24 * 60, without=(T,), T2=beside)
    (salinity,) = (it for it in rack.engine.channels() if it.channel.quantity is Quantity.SALINITY)
    assert salinity.error == pytest.approx(32.0 - gsw.SP_from_C(WATER[C], 15.0 + apart_c, 0.0), abs=0.2)
    assert abs(salinity.value - 32.0) < salinity.error


@pytest.mark.parametrize(("beside", "apart_c"), [(15.5, 1.0), (19.0, 3.0)])
def test_a_vessel_of_the_same_supply_is_as_sure_as_the_settings_say_that_the_two_are_alike(beside, apart_c):
    """Of a vessel that has no thermometer only the settings know how it usually is."""
    loop = Supply("loop", Quantity.TEMPERATURE, ("k1", "k2"))
    usual = {"k1": {Quantity.TEMPERATURE: 15.0}}
    rack = Rack(C, T2, supplies=(loop,), usual=usual).poll(14 * 60, T2=beside)
    (salinity,) = (it for it in rack.engine.channels() if it.channel.quantity is Quantity.SALINITY)
    taken = 15.0 if apart_c > 1.0 else beside
    at_taken, warmer = (float(gsw.SP_from_C(WATER[C], it, 0.0)) for it in (taken, taken + apart_c))
    assert salinity.value == pytest.approx(at_taken, abs=0.05)
    assert salinity.error == pytest.approx(at_taken - warmer, abs=0.2)


def test_a_vessels_usual_temperature_is_that_of_the_settings_else_of_its_last_day():
    given = Rack(C, O2, P, usual={"k1": {Quantity.TEMPERATURE: 18.0}}).poll(5)
    nothing = Rack(C, O2, P).poll(5)
    assert given.saturation.error < nothing.saturation.error / 2
    day = Rack(T, C, O2, P).poll(26 * 60, T=18.0).poll(12 * 60, without=(T,))
    assert day.saturation.error == pytest.approx(given.saturation.error, rel=0.3)


def test_limits_and_targets_do_not_change_the_water():
    """A trial of tuning must not change what was measured."""
    rack, other = Rack(O2), Rack(O2)
    moved = {"ephyra": {Quantity.OXYGEN_SATURATION: SATURATION, Quantity.TEMPERATURE: Tolerance(target=25.0)}}
    other.configure(0, plan_of((SOURCES[O2],), moved))
    assert rack.poll(5).saturation.value == other.poll(5).saturation.value


def test_a_station_at_altitude_without_a_barometer():
    """Table values of ISO 2533, from memory: 954.61 hPa at 500 m, 898.75 at 1000 m, 794.95 at 2000 m."""
    table = {0: 1013.25, 500: 954.61, 1000: 898.75, 2000: 794.95}
    for altitude_m, hpa in table.items():
        assert standard_air_pressure_hpa(altitude_m) == pytest.approx(hpa, abs=0.02)
    low, high = Rack(T, C, O2).poll(5), Rack(T, C, O2, altitude_m=1000.0).poll(5)
    assert high.saturation.value / low.saturation.value == pytest.approx(1013.25 / 898.75, rel=0.005)
    assert high.saturation.error == pytest.approx(high.saturation.value * 30 / 899, rel=0.05)


def test_a_suspect_input_makes_the_derived_value_suspect():
    rack = Rack(T, C, O2, P).poll(10)
    quality = rack.engine.plan.quality
    narrow = {**quality, Quantity.TEMPERATURE: _operator_range(quality[Quantity.TEMPERATURE])}
    rack.configure(rack.now_ms, replace(rack.engine.plan, quality=narrow))
    rack.poll(2, T=19.0)
    flags = {it.channel.name: it.flag for it in rack.engine.channels()}
    assert flags["k1/temperature"] == flags["k1/salinity"] == flags["k1/oxygen_saturation"] == Flag.SUSPECT
    rack.poll(3)
    assert rack.saturation.flag != Flag.SUSPECT


def _operator_range(quality):
    return replace(quality, operator_range=Range(5.0, 18.0))


def test_hand_checks_are_not_compared_with_what_lacks_an_input():
    rack = Rack(T, C, O2, P).poll(10).poll(60, without=(T,))
    (salinity,) = (it for it in rack.engine.channels() if it.channel.name == "k1/salinity")
    assert salinity.good_time_ms <= START_MS + 15 * MINUTE
    assert rack.now_ms == 70 * MINUTE < HOUR + 15 * MINUTE
