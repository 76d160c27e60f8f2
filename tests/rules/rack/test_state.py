"""Which stage lives where when a plan comes into force, and what is due next: worked by hand."""

import json
from dataclasses import replace

from rules.alarms.alarm import Hold
from rules.plain import from_plain, to_plain
from rules.rack.plan import RackPlan
from rules.rack.stage_plan import StageNow, StageStep
from rules.rack.state import RackState, stages_under, targets_of


def plan(steps=(), stage="polyp", stays=None, vessel="k1"):
    return RackPlan(
        "bench", (), {vessel: stage}, {}, {}, steps={vessel: tuple(steps)}, usual_stay_ms=stays or {}
    )


def under(new, at_ms, old=None, **now):
    return stages_under(new, at_ms, old, now)["k1"]


def test_at_first_the_stage_is_that_of_the_settings():
    assert under(plan(), 100) == StageNow("polyp", 0)


def test_at_first_a_planned_move_that_is_past_has_been_made():
    steps = (StageStep(10, "strobila", 5), StageStep(50, "ephyra"), StageStep(200, "juvenile"))
    assert under(plan(steps), 100) == StageNow("ephyra", 50, StageNow("strobila", 10))


def test_a_new_plan_with_the_same_settings_keeps_what_people_moved():
    moved = StageNow("ephyra", 70, StageNow("polyp", 0))
    assert under(plan(), 100, plan(), k1=moved) == moved
    steps = (StageStep(60, "strobila"),)
    assert under(plan(steps), 100, plan(steps), k1=moved) == moved, "an older planned step is overruled"


def test_a_newer_planned_step_overrules_what_people_moved():
    moved = StageNow("ephyra", 70, StageNow("polyp", 0))
    assert under(plan((StageStep(80, "juvenile"),)), 100, plan(), k1=moved).stage == "juvenile"


def test_another_stage_in_the_settings_is_a_move_now():
    assert under(plan(stage="ephyra"), 100, plan(), k1=StageNow("polyp", 0)) == StageNow("ephyra", 100)


def test_settings_that_follow_what_people_moved_change_nothing():
    moved = StageNow("ephyra", 70, StageNow("polyp", 0))
    assert under(plan(stage="ephyra"), 100, plan(), k1=moved) == moved


def test_a_new_vessel_begins_as_the_settings_say_and_a_removed_one_is_gone():
    found = stages_under(plan(vessel="k2"), 100, plan(), {"k1": StageNow("polyp", 0)})
    assert found == {"k2": StageNow("polyp", 0)}


def test_what_is_due_next():
    rack = RackState({"k1": StageNow("planula", 1_000)}, done_ms=1_000)
    ahead = plan((StageStep(500, "planula"), StageStep(9_000, "polyp")), stays={"planula": 5_000})
    assert rack.next_moment_ms(ahead) == 6_000
    rack.maintenance["vessel/k1"] = Hold("kim", "new pump", 3_000)
    assert rack.next_moment_ms(ahead) == 3_000
    rack.done_ms = 3_000
    assert rack.next_moment_ms(ahead) == 6_000
    rack.done_ms = 6_000
    assert rack.next_moment_ms(ahead) == 9_000
    rack.done_ms = 9_000
    assert rack.next_moment_ms(ahead) is None


def test_maintenance_ends_in_the_order_of_its_moments_and_what_lasts_stays():
    rack, whole = RackState({}), Hold("kim", "new pump", None)
    ends = {"vessel/k1": 900, "bus/a": 300, "vessel/k2": 600, "vessel/k3": 901}
    rack.maintenance = {target: replace(whole, until_ms=at_ms) for target, at_ms in ends.items()}
    rack.maintenance["vessel/k4"] = whole
    left = [(at_ms, set(rack.maintenance)) for at_ms in rack.let_end(900)]
    assert [at_ms for at_ms, _ in left] == [300, 600, 900]
    assert [len(those) for _, those in left] == [4, 3, 2]
    assert set(rack.maintenance) == {"vessel/k3", "vessel/k4"}


def test_a_stage_since_nobody_knows_when_is_not_reminded_of():
    rack = RackState({"k1": StageNow("planula", 0)})
    assert list(rack.reminders(plan(stays={"planula": 5_000}))) == []


def test_maintenance_concerns_the_vessel_or_the_bus():
    rack = RackState({}, {"bus/bench": Hold("kim", "new cable", 9)})
    assert rack.maintenance_of("k1", "bench") == Hold("kim", "new cable", 9)
    assert rack.maintenance_of("k1", "air") is None
    assert targets_of("k1", "bench") == ("vessel/k1", "bus/bench")


def test_the_state_comes_back_from_a_snapshot_as_it_was():
    rack = RackState(
        {"k1": StageNow("strobila", 5, StageNow("polyp", 0), 7)}, {"vessel/k1": Hold("kim", "new pump", 9)}, 4
    )
    assert from_plain(RackState, json.loads(json.dumps(to_plain(rack)))) == rack
