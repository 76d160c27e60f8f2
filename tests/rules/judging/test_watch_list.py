"""What follows from a plan: who witnesses whom, what is one danger, what alarms say of it. Worked by hand.

Two vessels: in k1 a multi-probe `m` and a second thermometer `s`, in k2 separate probes; a barometer.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from rules.alarms.event import Evidence
from rules.alarms.life_cycle import Condition, Priority, State
from rules.alarms.persistence import Turn
from rules.judging.drop_outs import DropOuts
from rules.judging.out_of_water import lifted_together
from rules.judging.series import Series
from rules.judging.silence import Scope, Silence, SourceState
from rules.judging.unwatched import Loss
from rules.judging.watch_list import NEVER_MS, WatchList, after_food, watched_no_more
from rules.quantities import Quantity
from rules.rack.limits import FAULT_KEY, GAPS_KEY, STUCK_KEY, Basis, Bounds, Level, limits_of
from rules.rack.plan import Source
from rules.rack.stage_plan import StageNow
from rules.rack.state import RackState
from rules.rack.tolerance import Band, Tolerance
from rules.water.specific_conductance import Compensation
from tests.rigs.watched_rack import MINUTE, plan_of
from tests.rules.judging.test_under_what_stands import alarm

T, C, S, O2, SAT, P = Quantity
SOURCES = (
    Source(1, "m", T, "k1", 5 * MINUTE, "a", every_ms=MINUTE),
    Source(2, "m", C, "k1", 5 * MINUTE, "a", every_ms=MINUTE),
    Source(3, "m", O2, "k1", 5 * MINUTE, "a", every_ms=MINUTE),
    Source(4, "s", T, "k1", 8 * MINUTE, "b", every_ms=2 * MINUTE),
    Source(5, "t2", T, "k2", 5 * MINUTE, "a", every_ms=MINUTE),
    Source(6, "c2", C, "k2", 5 * MINUTE, "", Compensation.LINEAR, 0.02, every_ms=MINUTE),
    Source(7, "o2", SAT, "k2", 40 * MINUTE, "a", every_ms=15 * MINUTE),
    Source(8, "room", P, "rack", 5 * MINUTE, "air", every_ms=MINUTE),
)
WARM = Tolerance(target=15.0, advisory=Band(12.0, 18.0), unwatched_after_ms=30 * MINUTE, max_disagreement=0.5)
RICH = Tolerance(advisory=Band(80.0, None), critical=Band(60.0, None), max_fall_per_hour=10.0)
STAGES = {
    "polyp": {T: WARM, SAT: RICH, P: Tolerance(max_disagreement=3.0)},
    "adult": {},
}
K1, K1S = "k1/temperature/m", "k1/temperature/s"


def watched(stage="polyp", **more):
    rack = RackState({"k1": StageNow(stage, 0), "k2": StageNow(stage, 0)})
    return WatchList(plan_of(SOURCES, STAGES, **more), rack)


RACK = watched()


def names(channels):
    return [it.name for it in channels]


def test_the_channels_are_those_of_the_probes_and_what_is_made_of_them():
    assert set(RACK.by_name) == {
        K1, K1S, "k1/conductivity", "k1/salinity", "k1/oxygen", "k1/oxygen_saturation", "k2/temperature",
        "k2/conductivity", "k2/salinity", "k2/oxygen", "k2/oxygen_saturation", "rack/air_pressure",
    }  # fmt: skip
    assert RACK.redundant == {K1: (K1, K1S), K1S: (K1, K1S)}
    assert {it: its.name for it, its in RACK.own.items()}[7] == "k2/oxygen_saturation"


def test_a_channel_is_given_where_probes_give_all_its_inputs_to_the_last():
    assert RACK.given == set(RACK.by_name)
    without_air = WatchList(plan_of(SOURCES[:7], STAGES), RackState({}))
    assert set(without_air.by_name) - without_air.given == {"k1/oxygen_saturation", "k2/oxygen"}
    no_cell = WatchList(plan_of((SOURCES[0], SOURCES[2], SOURCES[7]), STAGES), RackState({}))
    assert "k1/oxygen_saturation" not in no_cell.given


def test_what_must_move_where_a_probe_should_is_what_bears_witness_by_its_least_change():
    along = 2, 0.01 * 2.0  # of itself, with 2 K; the third and fourth of its list are each thermometer's cell
    assert RACK.witnesses == {
        1: [(4, 0.5, None)],
        2: [(1, 0.5, None), (4, 0.5, None)],
        3: [(1, 2.0, along), (4, 2.0, (3, along[1])), (2, math.inf, None), (2, math.inf, None)],
        4: [(1, 0.5, None)],
        5: [],
        6: [(5, 0.5, None)],
        7: [],
        8: [],
    }


def test_beside_a_probe_is_what_others_measure_of_its_quantity_in_its_vessel():
    beside = {name: names(its) for name, its in RACK.beside.items() if its}
    assert beside == {K1: [K1S], K1S: [K1]}


def test_a_thermometer_and_a_cell_bear_each_other_out_but_no_cell_that_is_corrected_to_25_degrees():
    pairs = {name: its.name for name, its in RACK.borne_out_by.items() if its}
    assert pairs == {K1: "k1/conductivity", K1S: "k1/conductivity", "k1/conductivity": K1}


def test_a_probe_corrects_oxygen_and_what_it_gives_at_25_degrees_by_its_own_thermometer():
    by = {name: its.name for name, its in RACK.corrected_by.items() if its}
    assert by == {"k1/oxygen": K1, "k1/oxygen_saturation": K1}
    room = (Source(9, "room", T, "rack", 5 * MINUTE, "air"), SOURCES[7])
    its = WatchList(plan_of(room, STAGES), RackState({})).corrected_by
    assert set(its.values()) == {None}, "a barometer gives no less for a cold room"
    multi = replace(SOURCES[1], compensation=Compensation.LINEAR, compensation_per_kelvin=0.02)
    its = WatchList(plan_of((SOURCES[0], multi, SOURCES[4]), STAGES), RackState({})).corrected_by
    assert {name: its[name] and its[name].name for name in its} == {
        "k1/temperature": None,
        "k1/conductivity": "k1/temperature",
        "k1/salinity": "k1/temperature",
        "k2/temperature": None,
    }


def test_the_mates_of_a_cell_are_on_its_probe_or_stand_apart_beside_it():
    assert [it.id for it in RACK.mates(2)] == [1, 3]
    assert RACK.apart == {5: 6, 7: 6}
    assert [it.id for it in RACK.mates(6)] == [5, 7]
    assert dict(lifted_together(SOURCES[:4])) == {}
    assert dict(lifted_together([SOURCES[5], SOURCES[7]])) == {}


def test_a_danger_is_missed_after_the_longest_silence_of_its_probes_and_told_after_its_delay():
    found = {it.name: it for it in RACK.dangers()}
    assert set(found) == {"k1/temperature", "k2/temperature", "k1/oxygen_saturation", "k2/oxygen_saturation"}
    its = found["k1/temperature"]
    assert (names(its.channels), its.priority) == ([K1, K1S], Priority.MEDIUM)
    assert (its.missed_ms, its.delay_ms) == (8 * MINUTE, 30 * MINUTE)
    its = found["k2/oxygen_saturation"]
    assert (its.missed_ms, its.delay_ms, its.priority) == (40 * MINUTE, 45 * MINUTE, Priority.CRITICAL)
    assert watched("adult").dangers() == ()


def test_a_danger_that_is_told_before_its_probe_counts_as_silent_is_missed_then():
    soon = {"polyp": {T: replace(WARM, unwatched_after_ms=0)}}
    plan = plan_of((replace(SOURCES[4], silent_after_ms=10 * MINUTE),), soon)
    (its,) = WatchList(plan, RackState({"k2": StageNow("polyp", 0)})).dangers()
    assert (its.missed_ms, its.delay_ms) == (3 * MINUTE, 3 * MINUTE)
    rack = RackState({"k1": StageNow("polyp", 0)})
    (both,) = WatchList(plan_of((SOURCES[0], SOURCES[3]), soon), rack).dangers()
    assert (both.missed_ms, both.delay_ms) == (6 * MINUTE, 6 * MINUTE), "three polls of the slower one"


def silent(source_id, scope=Scope.PROBE, begins=True):
    return Silence(RACK.own[source_id].source, 3, 700, 100, begins, scope, "intermittent")


@pytest.mark.parametrize(
    ("source_id", "scope", "cause", "reach", "waits_min"),
    [
        (1, Scope.PROBE, "probe/m", (), 30),  # for the saturation, which it alone shows
        (4, Scope.PROBE, "probe/s", (), 0),
        (8, Scope.PROBE, "probe/room", (), 0),
        (7, Scope.PROBE, "probe/o2", (), 45),
        (1, Scope.BUS, "bus/a", ("k1", "k2"), 45),
        (1, Scope.RACK, "rack/all", ("k1", "k2", "rack"), 45),
    ],
)
def test_a_silence_concerns_what_shares_its_cause_and_waits_for_what_it_hides(
    source_id, scope, cause, reach, waits_min
):
    its = RACK.silence(silent(source_id, scope))
    assert (its.channel, its.condition) == (RACK.own[source_id].name, Condition.SILENT)
    assert (its.cause, its.reach, its.waits_ms) == (cause, reach, waits_min * MINUTE)
    assert (its.active, its.since_ms, its.priority) == (True, 100, Priority.LOW)
    assert its.evidence.reason == "intermittent"
    assert RACK.silence(silent(source_id, scope, begins=False)).active is False


def test_answers_that_are_missing_hide_nothing():
    its = RACK.drop_outs(DropOuts(SOURCES[0], 3, True, Scope.BUS, "10 of 20 answers missing"), 700)
    assert (its.condition, its.level, its.priority) == (Condition.PROBE_FAULT, Level.GAPS, Priority.LOW)
    assert (its.cause, its.reach, its.waits_ms) == ("bus/a", ("k1", "k2"), 0)
    assert (its.active, its.since_ms, its.evidence.reason) == (True, 700, "10 of 20 answers missing")
    alone = RACK.drop_outs(DropOuts(SOURCES[0], 3, False, Scope.PROBE, ""), 700)
    assert (alone.cause, alone.reach, alone.active) == ("probe/m", (), False)


@pytest.mark.parametrize(
    ("cause", "vessel", "bus"), [("probe/o2", "k2", "a"), ("bus/a", "rack", "a"), ("rack/all", "rack", "")]
)
def test_a_loss_is_told_of_the_probe_the_bus_or_the_rack_that_hides_it(cause, vessel, bus):
    danger = next(it for it in RACK.dangers() if it.name == "k2/oxygen_saturation")
    hidden = ("k1/temperature", "k2/oxygen_saturation", "k1/oxygen_saturation")
    its = RACK.loss(Loss(danger, 3, 700, 100, True, cause, hidden, "silent, lost 3 times within 2.0 h"))
    assert (its.vessel, its.bus, its.channel, its.cause) == (vessel, bus, cause, cause)
    assert (its.condition, its.level) == (Condition.UNWATCHED, "k2/oxygen_saturation")
    assert (its.priority, its.active, its.since_ms) == (Priority.CRITICAL, True, 100)
    assert its.reach == ("k1", "k2")
    assert its.evidence == Evidence(hidden=hidden, reason="silent, lost 3 times within 2.0 h")
    assert RACK.loss(Loss(danger, 3, 700, 100, False, cause)).evidence.reason == ""


def test_every_probe_every_bus_and_the_rack_can_hide_every_danger():
    causes = RACK.causes()
    assert set(causes) == {
        "rack/all", "bus/a", "bus/b", "bus/air", "probe/m", "probe/s", "probe/t2", "probe/c2", "probe/o2",
        "probe/room",
    }  # fmt: skip
    assert set(causes.values()) == {frozenset(f"unwatched:{it.name}" for it in RACK.dangers())}


def test_the_keys_of_a_channel_are_its_limits_and_what_its_probe_can_come_to():
    keys = RACK.possible_keys()
    probes = {FAULT_KEY, STUCK_KEY}
    assert keys["k1/salinity"] == probes
    assert keys["k1/conductivity"] == probes | {GAPS_KEY, "silent:advisory"}
    assert keys["k1/oxygen_saturation"] == probes | {it.key for it in limits_of(RICH)}
    assert keys[K1] == probes | {GAPS_KEY, "silent:advisory"} | {it.key for it in limits_of(WARM)}


def test_every_alarm_that_the_rack_can_raise_has_its_name():
    found = RACK.possible_alarms(700)
    assert {f"{cause}/unwatched" for cause in RACK.causes()} <= set(found)
    assert {f"{K1}/high", f"{K1}/silent", f"{K1}/disagreement", "k1/oxygen/probe_fault"} <= set(found)
    assert "k1/oxygen/low" not in found
    assert all(name == its.alarm and not its.active and its.since_ms == 700 for name, its in found.items())


def test_what_stands_although_nothing_can_raise_it_any_more_is_gone():
    sources = {it.id: SourceState(0) for it in SOURCES}
    sources[5].silent = True
    sources[7].drops.recurs = True
    low = Priority.LOW
    stands = [
        alarm(K1, Condition.HIGH, "w"),
        alarm("k1/salinity", Condition.LOW, "w"),  # no limit on it
        alarm("k9/temperature", Condition.HIGH, "w"),  # no such channel
        alarm(K1, Condition.SILENT, "w", low),  # it is heard
        alarm("k2/temperature", Condition.SILENT, "w", low),
        alarm("k2/oxygen_saturation", Condition.SILENT, "w", low),  # it comes and goes
        alarm(K1, Condition.DISAGREEMENT, "w", level=f"{K1S}/high:advisory"),
        alarm(K1, Condition.DISAGREEMENT, "w", level=f"{K1S}/high_high:critical"),
        alarm("probe/m", Condition.UNWATCHED, "probe/m", level="k1/temperature"),
        alarm("probe/m", Condition.UNWATCHED, "probe/m", level="k1/salinity"),
        replace(alarm("k1/salinity", Condition.LOW, "w"), active={}, state=State.RETURNED),
    ]
    gone = RACK.gone(stands, {**RACK.possible_keys(), **RACK.causes()}, sources, 700)
    assert [(it.channel, str(it.condition), it.level) for it in gone] == [
        ("k1/salinity", "low", "advisory"),
        ("k9/temperature", "high", "advisory"),
        (K1, "silent", "advisory"),
        (K1, "disagreement", f"{K1S}/high_high:critical"),
        ("probe/m", "unwatched", "k1/salinity"),
    ]
    assert {(it.active, it.since_ms, it.reach, it.evidence) for it in gone} == {(False, 700, (), Evidence())}
    assert [it.priority for it in gone[:3]] == [Priority.HIGH, Priority.HIGH, low]


def test_outside_is_beyond_a_band_by_the_value_only():
    channel = RACK.by_name[K1]
    assert [it for it in (11.99, 12.0, 18.0, 18.01) if RACK.is_outside(channel, it, 0)] == [11.99, 18.01]
    assert not watched("adult").is_outside(channel, 99.0, 0)


def test_what_some_vessels_are_made_of_is_theirs_and_what_that_needs():
    found = names(RACK.made_of({"k1"}))
    assert set(found) == {it for it in RACK.by_name if it.startswith("k1/")} | {"rack/air_pressure"}
    assert RACK.made_of(()) == []
    assert RACK.tolerance(RACK.by_name["k1/salinity"]) is None
    assert watched("adult").tolerance(RACK.by_name[K1]) is None
    nobody = WatchList(plan_of(SOURCES, STAGES), RackState({}))
    assert nobody.stage(nobody.by_name[K1]) == StageNow("", 0)


@pytest.mark.parametrize("lost", [None, Priority.HIGH])
def test_a_crossing_waits_only_for_what_a_probes_own_trouble_hides(lost):
    channel = RACK.by_name["k2/oxygen_saturation"]
    its = RACK.crossing(channel, Condition.PROBE_FAULT, Level.ADVISORY, lost, Turn(0, True, 5, waits_ms=9))
    assert its.priority is (lost or Priority.LOW)
    assert its.waits_ms == (9 if lost else 45 * MINUTE)
    over = RACK.crossing(channel, Condition.PROBE_FAULT, Level.ADVISORY, lost, Turn(0, False, 5, waits_ms=9))
    assert over.waits_ms == 9


def test_what_leapt_is_about_its_probe_and_other_water_about_the_water():
    channel, leapt = RACK.by_name[K1], "it came in a leap, and nothing else shows whether it is the water"
    how = Condition.HIGH_HIGH, Level.LIKELY_CRITICAL, Priority.HIGH, Turn(0, True, 5)
    assert RACK.crossing(channel, *how, Evidence(reason=leapt)).cause == "probe/m"
    assert RACK.crossing(channel, *how).cause == "k1/temperature/up"


def test_after_food_no_fall_of_oxygen_is_too_fast_for_45_minutes():
    """Fed before the block, and again with the third reading."""
    channel = RACK.by_name["k1/oxygen_saturation"]
    time_ms = np.array([10, 20, 90, 100, 200]) * MINUTE
    series = Series(np.array([0, 2, 4, 6, 8]), time_ms, np.full(5, 95.0))
    bounds = Bounds(RICH, [(limit, limit.value) for limit in limits_of(RICH)])
    fed = np.array([-1, 4]), np.array([-30 * MINUTE, 80 * MINUTE])
    its = after_food(channel, series, bounds, fed)
    for limit, value in its.limits:
        if limit.basis is Basis.RATE:
            assert np.isnan(value).tolist() == [True, False, True, True, False]
            assert value[1] == limit.value
        else:
            assert value == limit.value
    never = np.array([-1, 4]), np.array([NEVER_MS, 80 * MINUTE])
    fell = next(
        value for limit, value in after_food(channel, series, bounds, never).limits if np.size(value) > 1
    )
    assert np.isnan(fell).tolist() == [False, False, True, True, False]
    later = np.array([-1]), np.array([-36 * MINUTE])
    assert after_food(channel, series, bounds, later) is bounds
    assert after_food(channel, series, bounds, None) is bounds
    assert after_food(RACK.by_name["k1/salinity"], series, bounds, fed) is bounds


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (1, "k1/temperature"),
        (5, ", ".join(["k1/temperature"] * 5)),
        (6, ", ".join(["k1/temperature"] * 5) + " and 1 more"),
        (9, ", ".join(["k1/temperature"] * 5) + " and 4 more"),
    ],
)
def test_five_channels_that_are_gone_are_named(count, said):
    notice = watched_no_more(["k1/temperature"] * count, 7)
    assert (notice.kind, notice.at_ms, notice.vessel) == ("not watched any more", 7, "rack")
    assert notice.details == {"said": said}
    assert watched_no_more(["x" * 40], 7).details == {"said": "x" * 30}


def test_of_the_water_no_limit_is_told_apart():
    plan, stages = watched().of_the_water()
    assert (plan.tolerances, plan.own_tolerances, plan.sources) == ({}, {}, SOURCES)
    assert set(stages) == {"k1", "k2"}
