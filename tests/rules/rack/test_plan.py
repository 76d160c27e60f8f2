"""The plan of a rack goes through the journal and comes back as it was."""

import json

from rules.alarms.alarm import AlarmRules
from rules.alarms.life_cycle import Condition
from rules.plain import from_plain, to_plain
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source, Supply
from rules.rack.stage_plan import StageStep
from rules.rack.tolerance import Band, Tolerance
from rules.water.specific_conductance import Compensation

PLAN = RackPlan(
    rack="bench",
    sources=(
        Source(1, "ct", Quantity.TEMPERATURE, "k1", 60_000, "wire", accuracy=0.1, calibrate_every_ms=9),
        Source(2, "ct", Quantity.CONDUCTIVITY, "k1", 60_000, "wire", Compensation.LINEAR, 0.02),
    ),
    vessels={"k1": "polyp"},
    tolerances={
        "polyp": {Quantity.TEMPERATURE: Tolerance(15.0, Band(12, None), Band(None, 23), 1.0, 2.0, 0.5)},
        "strobila": {},
    },
    quality=DEFAULT_QUALITY,
    supplies=(Supply("cold-loop", Quantity.TEMPERATURE, ("k1",)),),
    steps={"k1": (StageStep(5, "strobila", 7), StageStep(50, "polyp"))},
    usual_stay_ms={"strobila": 14},
    alarm_rules=AlarmRules(shelf_limit_ms=3, reannounce_ms=None, latching=(Condition.PROBE_FAULT,)),
)


def test_a_plan_comes_back_from_the_journal_as_it_was():
    assert from_plain(RackPlan, json.loads(json.dumps(to_plain(PLAN)))) == PLAN


def test_a_plan_that_says_the_least_comes_back_too():
    empty = RackPlan("empty", (), {}, {}, {})
    assert from_plain(RackPlan, json.loads(json.dumps(to_plain(empty)))) == empty


def test_a_plan_from_before_probes_had_a_compensation_is_still_read():
    written = to_plain(PLAN)
    for source in written["sources"]:
        for later in ("compensation", "compensation_per_kelvin", "accuracy", "calibrate_every_ms"):
            del source[later]
    found = from_plain(RackPlan, json.loads(json.dumps(written)))
    assert {source.compensation for source in found.sources} == {Compensation.NONE}
    assert found.tolerances == PLAN.tolerances


def test_words_become_what_they_stand_for():
    """Text would compare equal to a StrEnum, but not be one: limits are told apart by identity."""
    found = from_plain(RackPlan, json.loads(json.dumps(to_plain(PLAN))))
    assert found.sources[0].quantity is Quantity.TEMPERATURE
    assert found.alarm_rules.latching[0] is Condition.PROBE_FAULT
    assert found.supplies[0].quantity is Quantity.TEMPERATURE
    assert next(iter(found.quality)) in Quantity
