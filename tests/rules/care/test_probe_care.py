"""Calibrations and hand checks in the engine: from that moment on, said once, kept over a restart."""

import json
from dataclasses import replace

import numpy as np
import pytest
from gsw import C_from_SP

from rules.care.calibration import key_of
from rules.care.probe_care import CHECK_DUE, CHECKED, DRIFTS, DUE
from rules.care.wear import NO_WEAR
from rules.engine import Engine
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stage_plan import StageStep
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action, Readings
from rules.water.specific_conductance import Compensation

START_MS = 1_760_000_000_000
DAY_MS = 86_400_000
CELL = Source(2, "k1-ct", Quantity.CONDUCTIVITY, "kreisel-1", 10 * DAY_MS, "bench", accuracy=0.2)
PLAN = RackPlan(
    rack="bench",
    sources=(
        Source(1, "k1-ct", Quantity.TEMPERATURE, "kreisel-1", 10 * DAY_MS, "bench", accuracy=0.1),
        CELL,
        Source(3, "k1-do", Quantity.OXYGEN, "kreisel-1", 10 * DAY_MS, "bench"),
        Source(4, "room", Quantity.AIR_PRESSURE, "rack", 10 * DAY_MS, "air"),
    ),
    vessels={"kreisel-1": "ephyra"},
    tolerances={
        "ephyra": {
            Quantity.TEMPERATURE: Tolerance(
                advisory=Band(10, 20),
                critical=Band(5, 25),
                max_rise_per_hour=0.5,
                max_fall_per_hour=0.5,
                on_delay_ms=60_000,
                rate_window_ms=600_000,
            )
        }
    },
    quality=DEFAULT_QUALITY,
)
TEMPERATURE_POINT = {
    "probe": "k1-ct",
    "quantity": "temperature",
    "points": [{"read": 0.4, "true": 0.0}],
    "standard": "ice point",
}
BY_HAND = {"vessel": "kreisel-1", "quantity": "salinity", "method": "bottle", "instrument": "bench meter"}


def fed(engine, values, *, after_ms=30_000, times=1):
    """Give each source one reading, `times` over; return what came of it."""
    said = []
    for _ in range(times):
        at_ms = engine.clock_ms + after_ms
        sources = np.array(list(values), dtype=np.int64)
        numbers = np.array(list(values.values()), dtype=float)
        at = np.full(sources.size, at_ms, dtype=np.int64)
        said.append(engine.feed(Readings(np.arange(sources.size), at, sources, at, numbers)))
    return said


def value_of(engine, name):
    return next(now.value for now in engine.channels() if now.channel.name == name)


def do(engine, kind, body):
    return engine.act(Action(engine.clock_ms, kind, "kim", body))


def restarted(engine):
    return Engine.restore(json.loads(json.dumps(engine.snapshot())))


def test_a_calibration_holds_from_its_moment_on_and_after_a_restart():
    engine = Engine(PLAN, START_MS)
    fed(engine, {1: 15.4})
    assert value_of(engine, "kreisel-1/temperature") == 15.4
    assert not do(engine, "calibrate", TEMPERATURE_POINT).refusal
    fed(engine, {1: 15.4})
    assert value_of(engine, "kreisel-1/temperature") == pytest.approx(15.0)
    engine = restarted(engine)
    fed(engine, {1: 15.4})
    assert value_of(engine, "kreisel-1/temperature") == pytest.approx(15.0)
    assert engine.calibrations()[0].newest.standard == "ice point"


def test_the_newest_calibration_replaces_the_one_before_and_starts_from_raw():
    engine = Engine(PLAN, START_MS)
    do(engine, "calibrate", TEMPERATURE_POINT)
    do(engine, "calibrate", {**TEMPERATURE_POINT, "points": [{"read": 0.1, "true": 0.0}]})
    fed(engine, {1: 15.1})
    assert value_of(engine, "kreisel-1/temperature") == pytest.approx(15.0)


def test_a_calibration_moves_what_is_made_from_it_too():
    engine = Engine(PLAN, START_MS)
    true = float(C_from_SP(33.0, 15.0, 0.0))
    point = {"read": true - 1.0, "true": true}
    fed(engine, {1: 15.0})
    do(engine, "calibrate", {**TEMPERATURE_POINT, "quantity": "conductivity", "points": [point]})
    fed(engine, {1: 15.0})
    fed(engine, {2: true - 1.0})
    assert value_of(engine, "kreisel-1/salinity") == pytest.approx(33.0, abs=1e-6)


def test_the_step_that_a_calibration_makes_is_no_rise_of_the_water():
    engine = Engine(PLAN, START_MS)
    fed(engine, {1: 15.0}, times=40)
    do(engine, "calibrate", {**TEMPERATURE_POINT, "points": [{"read": -1.0, "true": 0.0}]})
    said = fed(engine, {1: 15.0}, times=40)
    assert [event for outcome in said for event in outcome.events] == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"probe": "k1-cd"}, "did you mean k1-ct/temperature"),
        ({"quantity": "salinity", "points": [{"read": 33, "true": 34}]}, "there is no k1-ct/salinity"),
        ({"points": [{"read": 99.0, "true": 0.0}]}, "would be drift"),
        ({"standard": ""}, "which standard"),
    ],
)
def test_a_refused_calibration_changes_nothing(change, words):
    engine = Engine(PLAN, START_MS)
    before = engine.snapshot()
    assert words in do(engine, "calibrate", {**TEMPERATURE_POINT, **change}).refusal
    assert engine.snapshot() == before


@pytest.mark.parametrize(
    ("compensation", "per_kelvin", "factor"),
    [
        (Compensation.LINEAR, 0.0191, 1 / (1 + 0.0191 * (10.0 - 25.0))),
        (Compensation.ISO_7888, 0.0, 1.428),  # f25 at 10 °C, table of ISO 7888 / EN 27888
    ],
)
def test_conductivity_at_25_is_put_back_before_salinity(compensation, per_kelvin, factor):
    """Left as it is, true salinity 35 would read 52 here, or 36 taken as though measured at 25 °C."""
    cell = replace(CELL, compensation=compensation, compensation_per_kelvin=per_kelvin)
    engine = Engine(replace(PLAN, sources=(PLAN.sources[0], cell)), START_MS)
    in_situ = float(C_from_SP(35.0, 10.0, 0.0))
    fed(engine, {1: 10.0})
    fed(engine, {2: in_situ * factor})
    assert value_of(engine, "kreisel-1/conductivity") == pytest.approx(in_situ, rel=5e-4)
    assert value_of(engine, "kreisel-1/salinity") == pytest.approx(35.0, abs=0.02)


def test_conductivity_at_25_without_a_temperature_is_only_rough_and_no_fault():
    cell = replace(CELL, compensation=Compensation.ISO_7888)
    engine = Engine(replace(PLAN, sources=(PLAN.sources[0], cell)), START_MS)
    said = fed(engine, {2: 53.0}, times=10)
    errors = {it.channel.quantity: it.error for it in engine.channels()}
    assert errors[Quantity.CONDUCTIVITY] > 5
    assert errors[Quantity.SALINITY] > 5
    assert all(outcome.events == [] for outcome in said)


def with_due(days):
    return replace(PLAN, sources=(PLAN.sources[0], replace(CELL, calibrate_every_ms=days * DAY_MS)))


def test_an_overdue_calibration_is_said_once_and_again_after_the_next():
    engine = Engine(with_due(30), START_MS)
    assert of_calibrations(engine.advance(START_MS + 30 * DAY_MS - 1)) == []
    (due,) = of_calibrations(engine.advance(START_MS + 31 * DAY_MS))
    assert (due.kind, due.at_ms, due.vessel) == (DUE, START_MS + 30 * DAY_MS, "kreisel-1")
    assert due.details == {"probes": [key_of("k1-ct", Quantity.CONDUCTIVITY)]}
    engine = restarted(engine)
    assert of_calibrations(engine.advance(START_MS + 60 * DAY_MS)) == []
    points = [{"read": 49.0, "true": 50.0}]
    do(engine, "calibrate", {**TEMPERATURE_POINT, "quantity": "conductivity", "points": points})
    (again,) = of_calibrations(engine.advance(START_MS + 91 * DAY_MS))
    assert again.at_ms == START_MS + 90 * DAY_MS


def test_what_falls_due_in_one_go_falls_due_in_its_order():
    """A planned move on day 5, the reminder on day 10."""
    plan = replace(with_due(10), steps={"kreisel-1": (StageStep(START_MS + 5 * DAY_MS, "polyp", DAY_MS),)})
    at_once, by_days = Engine(plan, START_MS), Engine(plan, START_MS)
    said = at_once.advance(START_MS + 12 * DAY_MS).notices
    assert said == [it for day in range(1, 13) for it in by_days.advance(START_MS + day * DAY_MS).notices]
    assert at_once.snapshot() == by_days.snapshot()


def of_calibrations(outcome):
    return [notice for notice in outcome.notices if notice.kind == DUE]


def test_a_week_without_a_check_by_hand_is_said_and_again_each_week_until_somebody_checks():
    def due(engine, days):
        said = engine.advance(START_MS + days * DAY_MS).notices
        assert all(it.kind == CHECK_DUE and it.details == {"vessels": "kreisel-1"} for it in said)
        return [(it.at_ms - START_MS) / DAY_MS for it in said]

    engine = Engine(PLAN, START_MS)
    assert due(engine, 6.9) == []
    assert due(engine, 15) == [7, 14]
    do(engine, "hand_measurement", {**BY_HAND, "value": 33.0})
    engine = restarted(engine)
    engine.configure(replace(PLAN, vessels={"kreisel-1": "polyp"}), engine.clock_ms)
    assert due(engine, 21.9) == []
    assert due(engine, 22.5) == [22]


def test_a_plan_that_makes_a_calibration_overdue_has_it_said_at_once():
    engine = Engine(with_due(30), START_MS)
    engine.advance(START_MS + 20 * DAY_MS)
    engine.configure(with_due(10), START_MS + 20 * DAY_MS)
    (due,) = of_calibrations(engine.advance(START_MS + 21 * DAY_MS))
    assert due.at_ms == START_MS + 20 * DAY_MS + 1
    assert [now.due_ms for now in engine.calibrations()] == [None, START_MS + 10 * DAY_MS]


def test_a_hand_measurement_is_compared_with_the_probe_of_its_time():
    engine = Engine(PLAN, START_MS)
    fed(engine, {1: 15.0})
    fed(engine, {2: float(C_from_SP(33.4, 15.0, 0.0))})
    (checked,) = do(engine, "hand_measurement", {**BY_HAND, "value": 33.0}).notices
    assert (checked.kind, checked.vessel) == (CHECKED, "kreisel-1/salinity")
    (compared,) = checked.details["compared"]
    assert (compared["channel"], compared["probe"], compared["rule"]) == ("kreisel-1/salinity", "k1-ct", None)
    assert compared["difference"] == pytest.approx(0.4, abs=1e-6)


def test_a_hand_measurement_that_is_put_right_changes_its_own_check_only():
    engine = Engine(PLAN, START_MS)
    fed(engine, {1: 15.0})
    fed(engine, {2: float(C_from_SP(33.4, 15.0, 0.0))})
    do(engine, "hand_measurement", {**BY_HAND, "value": 33.0})
    slip_ms = engine.clock_ms
    fed(engine, {2: float(C_from_SP(33.6, 15.0, 0.0))})
    do(engine, "hand_measurement", {**BY_HAND, "value": 33.1})
    right = {**BY_HAND, "value": 33.3, "corrects": 1}
    (said,) = do(engine, "hand_measurement", {**right, "corrects_ms": slip_ms}).notices
    assert said.details["compared"][0]["difference"] == pytest.approx(0.1, abs=1e-6)
    checks = engine.hand_checks()["kreisel-1/salinity"].checks
    assert [check.difference for check in checks] == pytest.approx([0.1, 0.5], abs=1e-6)
    (gone,) = do(engine, "hand_measurement", {**right, "corrects_ms": slip_ms - 1}).notices
    assert gone.details["compared"] == []
    refusal = do(engine, "hand_measurement", right).refusal
    assert "corrects_ms says when the earlier one was made" in refusal


def test_an_instrument_is_known_by_what_was_stated_of_it():
    engine = Engine(PLAN, START_MS)
    do(engine, "hand_measurement", {**BY_HAND, "value": 33.0, "accuracy": 0.3, "resolution": 0.1})
    fed(restarted(engine), {1: 15.0})
    engine = restarted(engine)
    fed(engine, {1: 15.0})
    fed(engine, {2: 41.0})
    do(engine, "hand_measurement", {**BY_HAND, "value": 33.0})
    (check,) = engine.hand_checks()["kreisel-1/salinity"].checks
    assert check.hand_accuracy == pytest.approx(0.35)


@pytest.mark.parametrize(("rules", "accuracy"), [(7, 0.5), (8, 0.66)])
def test_in_an_old_journal_the_accuracy_of_a_specific_gravity_says_nothing(rules, accuracy):
    engine = Engine(PLAN, START_MS)
    fed(engine, {1: 15.0})
    fed(engine, {2: 41.0})
    body = {**BY_HAND, "specific_gravity": 1.025, "scale": "25/25", "accuracy": 0.0005}
    assert not engine.act(Action(engine.clock_ms, "hand_measurement", "kim", body, rules)).refusal
    (check,) = engine.hand_checks()["kreisel-1/salinity"].checks
    assert check.hand_accuracy == pytest.approx(accuracy, abs=0.01)


def test_in_an_old_journal_any_other_accuracy_counts():
    engine = Engine(PLAN, START_MS)
    fed(engine, {1: 15.0})
    fed(engine, {2: 41.0})
    body = {**BY_HAND, "value": 33.0, "accuracy": 0.3}
    engine.act(Action(engine.clock_ms, "hand_measurement", "kim", body, 7))
    (check,) = engine.hand_checks()["kreisel-1/salinity"].checks
    assert check.hand_accuracy == 0.3


BLIND = [
    ({"value": 33.0, "accuracy": 15.0}, "± 15 of salinity"),
    ({"value": 33.0, "accuracy": 0.5, "resolution": 6.0}, "± 3.5 of salinity"),
    ({"specific_gravity": 1.025, "scale": "25/25", "accuracy": 0.5}, "3 or less would"),
    ({"quantity": "temperature", "value": 15.0, "accuracy": 5.0}, "± 5 K of temperature"),
]


@pytest.mark.parametrize(("change", "words"), BLIND)
def test_what_could_accuse_no_probe_is_refused_but_in_an_old_journal(change, words):
    engine = Engine(PLAN, START_MS)
    before, body = engine.snapshot(), {**BY_HAND, **change}
    assert words in do(engine, "hand_measurement", body).refusal
    assert engine.snapshot() == before
    assert not engine.act(Action(engine.clock_ms, "hand_measurement", "kim", body, rules=11)).refusal
    assert words in do(engine, "hand_measurement", {**body, "accuracy": change["accuracy"]}).refusal


def test_a_swing_arm_hydrometer_is_still_heard():
    body = {**BY_HAND, "specific_gravity": 1.025, "scale": "25/25", "accuracy": 0.002}
    assert not do(Engine(PLAN, START_MS), "hand_measurement", body).refusal


def test_a_calibration_from_a_line_that_no_longer_holds_is_refused():
    engine = Engine(PLAN, START_MS)
    do(engine, "calibrate", TEMPERATURE_POINT)
    later = {**TEMPERATURE_POINT, "base": {"slope": 1.0, "offset": -0.7}}
    assert "somebody else calibrated it meanwhile" in do(engine, "calibrate", later).refusal
    assert not do(engine, "calibrate", {**later, "base": {"slope": 1.0, "offset": -0.4}}).refusal
    anew = do(Engine(PLAN, START_MS), "calibrate", later)
    assert "somebody else calibrated it meanwhile" in anew.refusal


@pytest.mark.parametrize("plan", [with_due(30), PLAN])
def test_what_is_due_follows_the_drift_that_was_seen(plan):
    """1 % in 30 days, of 50 true: 0.5; so the stated 0.2 are used up after 12 days."""
    engine = Engine(plan, START_MS)
    body = {**TEMPERATURE_POINT, "quantity": "conductivity"}
    do(engine, "calibrate", {**body, "points": [{"read": 50.0, "true": 50.0}]})
    engine.advance(START_MS + 30 * DAY_MS)
    do(engine, "calibrate", {**body, "points": [{"read": 49.5, "true": 50.0}]})
    assert engine.calibrations()[1].due_ms == pytest.approx(START_MS + 42 * DAY_MS, abs=DAY_MS // 10)
    _, drifted = engine.calibrations()[1].errors_at(40.0, START_MS + 45 * DAY_MS)
    assert drifted == pytest.approx(2 * 0.2)  # 0.5 % of 40 in 15 days, twice: the pace of one month


@pytest.mark.parametrize(("plan", "due"), [(with_due(30), START_MS + 90 * DAY_MS), (PLAN, None)])
def test_a_new_probe_wears_anew_and_from_what_it_sends(plan, due):
    engine = Engine(plan, START_MS)
    body = {**TEMPERATURE_POINT, "quantity": "conductivity"}
    for days, read in ((0, 50.0), (30, 49.5)):
        engine.advance(START_MS + days * DAY_MS)
        do(engine, "calibrate", {**body, "points": [{"read": read, "true": 50.0}]})
    engine.advance(START_MS + 60 * DAY_MS)
    new = {**body, "points": [{"read": 47.0, "true": 50.0}], "replaced": True}
    old_line = {"base": {"slope": 50.0 / 49.5, "offset": 0.0}}
    assert "a new probe was not there" in do(engine, "calibrate", {**new, **old_line}).refusal
    assert not do(engine, "calibrate", new).refusal
    now = restarted(engine).calibrations()[1]
    assert (now.due_ms, now.wear) == (due, NO_WEAR)
    assert now.newest.line.slope == pytest.approx(50.0 / 47.0)


def test_a_calibration_that_was_a_mistake_never_was():
    """1 % in 30 days is 0.5 of 50; the mistake says 4 %. What holds then is as if nobody had made it."""
    asked, spared = Engine(PLAN, START_MS), Engine(PLAN, START_MS)
    body = {**TEMPERATURE_POINT, "quantity": "conductivity"}
    for engine in (asked, spared):
        do(engine, "calibrate", {**body, "points": [{"read": 50.0, "true": 50.0}]})
        engine.advance(START_MS + 30 * DAY_MS)
    do(asked, "calibrate", {**body, "points": [{"read": 48.0, "true": 50.0}]})
    asked = restarted(asked)
    back = {"probe": "k1-ct", "quantity": "conductivity", "withdrawn": True}
    assert not do(asked, "calibrate", back).refusal
    assert asked.calibrations() == spared.calibrations()
    assert "only the newest, and once" in do(asked, "calibrate", back).refusal
    for engine in (asked, spared):
        do(engine, "calibrate", {**body, "points": [{"read": 49.5, "true": 50.0}]})
    assert asked.calibrations() == spared.calibrations()
    assert asked.calibrations()[1].wear.gain == pytest.approx(0.01)


def test_where_the_first_calibration_is_taken_back_there_is_none():
    engine = Engine(with_due(30), START_MS)
    for body in (TEMPERATURE_POINT, {"probe": "k1-ct", "quantity": "temperature", "withdrawn": True}):
        assert not do(engine, "calibrate", body).refusal
    now = restarted(engine).calibrations()[0]
    assert now.newest is None
    assert fed(engine, {1: 15.0})
    assert value_of(engine, "kreisel-1/temperature") == 15.0


def test_what_was_due_before_a_calibration_is_taken_back_is_said_then_and_turns_no_time_back():
    """Seen: a planned move of before was made once more, over what somebody had moved in since."""
    steps = {"kreisel-1": (StageStep(START_MS + 12 * DAY_MS, "polyp"),)}
    engine, of_cell = Engine(replace(with_due(10), steps=steps), START_MS), {"quantity": "conductivity"}
    deeds = [
        (9, "calibrate", {**TEMPERATURE_POINT, **of_cell, "points": [{"read": 49.0, "true": 50.0}]}),
        (13, "move_stage", {"vessel": "kreisel-1", "stage": "ephyra"}),
        (14, "calibrate", {"probe": "k1-ct", "withdrawn": True, **of_cell}),
    ]
    for day, kind, body in deeds:
        engine.advance(START_MS + day * DAY_MS)
        assert not do(engine, kind, body).refusal
    (said,) = of_calibrations(engine.advance(START_MS + 15 * DAY_MS))
    assert said.at_ms == START_MS + 14 * DAY_MS + 1
    assert engine.stages()["kreisel-1"].stage == "ephyra"


@pytest.mark.parametrize(("minutes", "compared"), [(14, 1), (16, 0)])
def test_a_value_that_is_too_old_is_not_compared(minutes, compared):
    engine = Engine(PLAN, START_MS)
    fed(engine, {1: 15.0})
    fed(engine, {2: 40.0})
    engine.advance(engine.clock_ms + minutes * 60_000)
    (checked,) = do(engine, "hand_measurement", {**BY_HAND, "value": 33.0}).notices
    assert len(checked.details["compared"]) == compared


def walk(engine, differences):
    """One hand check a day, the probe reading so much higher; return the notices that say it drifts."""
    told = []
    for difference in differences:
        fed(engine, {1: 15.0}, after_ms=DAY_MS)
        fed(engine, {2: float(C_from_SP(33.0 + difference, 15.0, 0.0))})
        notices = do(engine, "hand_measurement", {**BY_HAND, "value": 33.0, "accuracy": 0.2}).notices
        told += [notice for notice in notices if notice.kind == DRIFTS]
    return told


def test_a_probe_that_walks_away_is_pointed_out_once_and_a_calibration_starts_anew():
    engine = Engine(PLAN, START_MS)
    (drifts,) = walk(engine, [0.05, -0.05, 0.1, 0.4, 0.8, 1.2, 1.4, 1.6])
    assert drifts.details["compared"][0]["probe"] == "k1-ct"
    assert engine.hand_checks()["kreisel-1/salinity"].rule
    engine = restarted(engine)
    assert engine.hand_checks()["kreisel-1/salinity"].rule
    points = [{"read": 42.0, "true": 41.0}]
    do(engine, "calibrate", {**TEMPERATURE_POINT, "quantity": "conductivity", "points": points})
    assert engine.hand_checks() == {}


def test_a_probe_that_agrees_is_left_in_peace():
    assert walk(Engine(PLAN, START_MS), [0.05, -0.05] * 10) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"vessel": "kreisel-2", "value": 33.0}, "there is no kreisel-2; did you mean kreisel-1?"),
        ({"value": 330.0}, "0 to 50 would be possible; is it in another unit?"),
        ({"specific_gravity": 1.025}, "reference temperatures"),
    ],
)
def test_a_refused_hand_measurement_changes_nothing(change, words):
    engine = Engine(PLAN, START_MS)
    before = engine.snapshot()
    assert words in do(engine, "hand_measurement", {**BY_HAND, **change}).refusal
    assert engine.snapshot() == before


WET = 41.0
DRY = 0.01


def out_and_back(engine, *, leaving, minutes, back_at_c):
    """The probe leaves the water, each of `leaving` read before its cell is dry, and comes back."""
    said = fed(engine, {1: 15.0, 2: WET}, times=40)
    for temperature_c in leaving:
        said += fed(engine, {1: temperature_c, 2: WET})
    said += fed(engine, {1: 27.0, 2: DRY}, times=2 * minutes)
    return_ms = engine.clock_ms + 30_000
    said += fed(engine, {1: back_at_c, 2: WET}, times=40)
    events = [event for outcome in said for event in outcome.events]
    return return_ms, [event for event in events if event.condition not in ("probe_fault", "silent")]


def test_what_a_thermometer_read_on_its_way_out_is_no_trend_of_the_water():
    """Two readings that nobody could know for air's are forgotten: else the return looks like a fall."""
    _, events = out_and_back(Engine(PLAN, START_MS), leaving=[17.0, 19.0], minutes=3, back_at_c=15.0)
    assert events == []


def test_a_condition_that_began_on_the_way_out_begins_anew_in_the_water():
    quality = {quantity: replace(its, max_jump=None) for quantity, its in PLAN.quality.items()}
    engine = Engine(replace(PLAN, quality=quality), START_MS)
    return_ms, events = out_and_back(engine, leaving=[26.0], minutes=5, back_at_c=26.0)
    high = next(event for event in events if event.condition == "high")
    assert high.since_ms >= return_ms
