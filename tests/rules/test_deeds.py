"""What people do: what is asked for, what is refused and in which words. Worked by hand."""

import json
import math

import pytest

from rules import ENTRIES_CHECKED, TOLD_APART
from rules.alarms.alarm import AlarmRules
from rules.alarms.life_cycle import Condition
from rules.deeds import DEEDS, LOG_KINDS, MAINTENANCE_LIMIT_MS
from rules.quantities import Quantity
from rules.readings import Action
from tests.rigs.watched_rack import DAY, HOUR, MINUTE, PROMPT, START_MS, WatchedRack, plan_of, thermometers

HIGH = "k1/temperature/high"
STAGES = {
    "polyp": {Quantity.TEMPERATURE: PROMPT},
    "ephyra": {Quantity.TEMPERATURE: PROMPT},
    "adult": {},
}


def rack(**more):
    return WatchedRack(plan_of(thermometers(2), STAGES, **more))


def refused(watched, after_ms, kind, **body):
    """Do what must be refused: the reason; nothing was changed but the time."""
    watched.wait(after_ms)
    before = json.dumps(watched.engine.snapshot())
    assert watched.do(after_ms, kind, **body) == []
    assert watched.refusal
    assert json.dumps(watched.engine.snapshot()) == before
    return watched.refusal


def test_an_unknown_deed_is_answered_with_the_known_ones():
    text = refused(rack(), 1, "open_valve")
    assert text.startswith("open_valve: no such action")
    assert all(kind in text for kind in DEEDS)


# Acknowledging and shelving


def test_a_latched_alarm_stays_until_somebody_resets_it():
    watched = rack(alarm_rules=AlarmRules(latching=(Condition.HIGH,)))
    watched.read(0, 1, 20.0)
    watched.do(1, "acknowledge", alarm=HIGH)
    watched.read(MINUTE, 1, 15.0)
    assert watched.states == {HIGH: "latched acknowledged"}
    (event,) = watched.do(MINUTE + 1, "reset", alarm=HIGH)
    assert (event.alarm, event.who, watched.states) == (HIGH, "kim", {})


def test_shelving_needs_who_why_and_for_how_long():
    watched = rack(alarm_rules=AlarmRules(shelf_limit_ms=8 * HOUR))
    watched.read(0, 1, 20.0)
    good = {"alarm": HIGH, "why": "probe is being cleaned", "for_s": 600}
    assert "why: shelve needs one" in refused(watched, 1, "shelve", **{**good, "why": "  "})
    assert "why: shelve needs one" in refused(watched, 1, "shelve", alarm=HIGH, for_s=600)
    assert "who: shelve needs the name" in refused(watched, 1, "shelve", who=" ", **good)
    assert "for_s: found None; expected up to 8 h, above 0" in refused(
        watched, 1, "shelve", alarm=HIGH, why="x"
    )
    watched.do(2, "shelve", **good)
    assert watched.states == {HIGH: "shelved"}
    event = watched.events[-1]
    assert (event.who, event.why) == ("kim", "probe is being cleaned")
    assert event.until_ms == START_MS + 2 + 600_000


def test_the_shelf_has_a_limit_which_is_included():
    for for_s, fine in ((8 * 3600, True), (8 * 3600 + 0.001, False), (0, False), (-5, False)):
        watched = rack(alarm_rules=AlarmRules(shelf_limit_ms=8 * HOUR))
        watched.do(1, "shelve", alarm=HIGH, why="new probe", for_s=for_s)
        assert (watched.refusal == "") is fine, for_s


@pytest.mark.parametrize("odd", [math.nan, math.inf, -math.inf, True, "600", None, [600], 10**30, 1e300])
def test_a_time_that_is_no_number_is_refused_and_not_a_fault(odd):
    assert "for_s: found" in refused(rack(), 1, "shelve", alarm=HIGH, why="x", for_s=odd)
    assert "over_s: found" in refused(rack(), 1, "move_stage", vessel="k1", stage="ephyra", over_s=odd)


def test_a_misspelt_alarm_is_answered_with_the_nearest():
    text = refused(rack(), 1, "shelve", alarm="k1/temprature/high", why="x", for_s=60)
    assert text == "alarm: there is no k1/temprature/high; did you mean k1/temperature/high?"


def test_only_what_stands_can_be_acknowledged():
    watched = rack()
    assert "no such alarm stands now" in refused(watched, 1, "acknowledge", alarm=HIGH)
    watched.read(2, 1, 20.0)
    watched.do(3, "acknowledge", alarm=HIGH)
    assert watched.events[-1].who == "kim"
    said = "that is acknowledged by kim cannot be acknowledged; it can be: shelved, taken out of service"
    assert said in refused(watched, 4, "acknowledge", alarm=HIGH)


def test_who_had_seen_it_is_not_who_shelved_it():
    watched = rack()
    watched.read(0, 1, 20.0)
    watched.do(1, "acknowledge", alarm=HIGH)
    watched.do(2, "shelve", who="bo", alarm=HIGH, why="draught", for_s=600)
    said = refused(watched, 3, "acknowledge", alarm=HIGH)
    assert "an alarm that is shelved cannot be acknowledged; it can be: " in said


def test_off_the_shelf_and_out_of_service_and_back():
    watched = rack()
    watched.do(1, "shelve", alarm=HIGH, why="x", for_s=60)
    watched.do(2, "unshelve", alarm=HIGH)
    watched.do(3, "take_out_of_service", alarm=HIGH, why="no spare part")
    assert "out of service cannot be shelved" in refused(watched, 4, "shelve", alarm=HIGH, why="x", for_s=60)
    watched.read(5, 1, 20.0)
    watched.wait(5 * DAY)
    assert watched.states == {HIGH: "out of service"}, "until somebody puts it back"
    watched.do(5 * DAY, "put_back_into_service", alarm=HIGH)
    assert watched.states == {HIGH: "unacknowledged"}


def test_an_alarm_shelved_while_its_vessel_is_under_maintenance_stays_quiet_until_that_ends():
    watched = rack()
    watched.do(0, "begin_maintenance", target="vessel/k1", why="water change", for_s=3600)
    watched.do(1, "shelve", alarm=HIGH, why="new probe", for_s=60)
    watched.read(2, 1, 20.0)
    watched.wait(30 * MINUTE)
    assert watched.states == {HIGH: "suppressed by design"}
    watched.wait(2 * HOUR)
    assert watched.states == {HIGH: "unacknowledged"}


def before(watched, after_ms, kind, rules=TOLD_APART - 1, **body):
    """Do what a journal holds of before a version of the rules, first that in which high-high has a name."""
    action = Action(START_MS + after_ms, kind, "kim", body, rules=rules)
    return watched._said(watched.engine.act(action))


def test_what_was_done_to_high_before_high_high_had_a_name_was_done_to_both():
    watched = rack()
    before(watched, 1, "shelve", alarm=HIGH, why="new chiller", for_s=60)
    assert watched.states == {HIGH: "shelved", f"{HIGH}_high": "shelved"}
    before(watched, 2, "unshelve", alarm=HIGH)
    watched.read(3, 1, 30.0)
    assert watched.states[f"{HIGH}_high"] == "unacknowledged"
    before(watched, 4, "acknowledge", alarm=HIGH)
    assert (watched.refusal, watched.states[f"{HIGH}_high"]) == ("", "acknowledged")
    before(watched, 5, "acknowledge", alarm=HIGH)
    assert "cannot be acknowledged" in watched.refusal
    watched.do(6, "shelve", alarm=HIGH, why="new chiller", for_s=60)
    assert watched.states[f"{HIGH}_high"] == "acknowledged", "today's shelf covers no worse alarm"


def test_a_critical_alarm_is_shelved_with_a_second_word_and_for_a_shorter_time():
    watched, worse = rack(), f"{HIGH}_high"
    shelf = {"alarm": worse, "why": "new chiller", "for_s": 3600}
    assert "say yes_critical too, and for 1 h at most" in refused(watched, 1, "shelve", **shelf)
    assert "yes_critical" in refused(watched, 2, "shelve", **shelf, yes_critical="true")
    assert "up to 1 h" in refused(watched, 3, "shelve", **{**shelf, "for_s": 3601}, yes_critical=True)
    watched.do(4, "shelve", **shelf, yes_critical=True)
    watched.do(5, "shelve", alarm=HIGH, why="draught", for_s=8 * 3600)
    watched.read(6, 1, 24.0)
    assert watched.states == {HIGH: "shelved", worse: "shelved"}
    watched.wait(HOUR + MINUTE)
    assert watched.states[worse] == "unacknowledged"


@pytest.mark.parametrize(("rules", "taken"), [(5, True), (6, False)])
def test_before_version_6_a_critical_alarm_needed_no_second_word(rules, taken):
    body = {"alarm": f"{HIGH}_high", "why": "new chiller", "for_s": 3 * 3600}
    outcome = rack().engine.act(Action(START_MS, "shelve", "kim", body, rules))
    assert ("yes_critical" not in outcome.refusal) is taken


@pytest.mark.parametrize("latching", [(), (Condition.HIGH,)])
@pytest.mark.parametrize("seen", [False, True])
@pytest.mark.parametrize("when", ["before", "meanwhile"])
def test_maintenance_keeps_for_afterwards_what_nobody_had_seen_or_reset(latching, seen, when):
    """Seen: a latched critical was gone after three seconds of maintenance of its bus."""
    plan = plan_of(thermometers(2), STAGES, alarm_rules=AlarmRules(latching=latching))
    watched = WatchedRack(plan, restarting=True)
    watched.read(1, 1, 20.0)
    if seen:
        watched.do(2, "acknowledge", alarm=HIGH)
    if when == "before":
        watched.read(3, 1, 15.0)
    before = watched.states.get(HIGH)
    watched.do(4, "begin_maintenance", target="bus/bench", why="plug", for_s=60)
    watched.read(5, 1, 15.0)
    watched.read(1000, 1, 20.0)
    watched.read(2000, 1, 15.0)
    watched.do(3000, "end_maintenance", target="bus/bench")
    kept = {
        ((), False): "returned unacknowledged",
        ((), True): None,
        ((Condition.HIGH,), False): "latched unacknowledged",
        ((Condition.HIGH,), True): "latched acknowledged",
    }[latching, seen]
    assert watched.states.get(HIGH) == kept
    assert when == "meanwhile" or before == kept, "as it was"


# Stages


def test_a_stage_move_needs_a_vessel_and_a_stage_of_the_plan():
    watched = rack()
    assert "vessel: there is no k9" in refused(watched, 1, "move_stage", vessel="k9", stage="ephyra")
    text = refused(watched, 1, "move_stage", vessel="k1", stage="ephyrae")
    assert text == "stage: there is no ephyrae; did you mean ephyra?"
    assert "expected from 0 s to 366 days" in refused(
        watched, 1, "move_stage", vessel="k1", stage="ephyra", over_s=-1
    )
    watched.do(2, "move_stage", vessel="k1", stage="ephyra", over_s=3600)
    now = watched.engine.stages()["k1"]
    assert (now.stage, now.since_ms, now.ramp_ms) == ("ephyra", START_MS + 2, HOUR)


# Maintenance


def test_maintenance_is_bounded_and_needs_a_target_and_a_reason():
    watched = rack()
    good = {"target": "vessel/k1", "why": "water change", "for_s": 60}
    assert "target: there is no k1" in refused(watched, 1, "begin_maintenance", **{**good, "target": "k1"})
    assert "why: begin_maintenance needs one" in refused(
        watched, 1, "begin_maintenance", **{**good, "why": ""}
    )
    assert "who:" in refused(watched, 1, "begin_maintenance", who="", **good)
    too_long = MAINTENANCE_LIMIT_MS / 1000 + 1
    assert "expected up to 24 h" in refused(watched, 1, "begin_maintenance", **{**good, "for_s": too_long})
    said = refused(watched, 1, "end_maintenance", target="vessel/k1")
    assert said == "target: vessel/k1 is not under maintenance now; under it is: nothing"
    watched.do(2, "begin_maintenance", **good)
    assert watched.engine.maintenance() == {"vessel/k1": START_MS + 2 + MINUTE}


def test_a_second_declaration_prolongs_maintenance_for_what_it_already_suppresses():
    watched = rack()
    watched.do(0, "begin_maintenance", target="vessel/k1", why="water change", for_s=60)
    watched.read(1, 1, 20.0)
    watched.do(2, "begin_maintenance", target="vessel/k1", why="takes longer", for_s=600)
    watched.wait(5 * MINUTE)
    assert watched.states == {HIGH: "suppressed by design"}


def test_maintenance_of_the_bus_goes_on_when_that_of_the_vessel_ends():
    watched = rack()
    watched.do(0, "begin_maintenance", target="vessel/k1", why="water change", for_s=60)
    watched.do(0, "begin_maintenance", target="bus/bench", why="new cable", for_s=600)
    watched.read(1, 1, 20.0)
    watched.wait(5 * MINUTE)
    assert watched.states == {HIGH: "suppressed by design"}
    watched.wait(11 * MINUTE)
    assert watched.states == {HIGH: "unacknowledged"}


def test_maintenance_reaches_alarms_whose_limit_is_gone():
    """An alarm that returned unseen outlives a stage move; nothing can raise it any more."""
    watched = rack()
    watched.read(0, 1, 20.0)
    watched.do(1, "move_stage", vessel="k1", stage="adult")
    assert watched.states == {HIGH: "returned unacknowledged"}
    watched.do(2, "begin_maintenance", target="vessel/k1", why="water change", for_s=60)
    assert watched.states == {HIGH: "suppressed by design"}
    watched.wait(2 * MINUTE)
    assert watched.states == {HIGH: "returned unacknowledged"}, "nobody has seen it yet"


# The logbook


def test_the_logbook_takes_its_kinds_and_no_others():
    watched = rack()
    for kind in LOG_KINDS:
        watched.do(1, "log", vessel="k1", what=kind, value=7)
        assert watched.refusal == ""
    assert (
        refused(watched, 2, "log", vessel="k1", what="feeed") == "what: there is no feeed; did you mean feed?"
    )
    assert "value: found nan" in refused(watched, 2, "log", vessel="k1", what="feed", value=math.nan)


def test_an_entry_is_taken_back_without_a_value():
    watched = rack()
    watched.do(1, "log", vessel="k1", what="feed", corrects=1, withdrawn=True)
    assert watched.refusal == ""
    with_value = refused(watched, 2, "log", vessel="k1", what="feed", corrects=1, withdrawn=True, value=7)
    assert with_value == "value: found one; an entry that never was has none"


def test_an_ephyra_whose_bell_is_wider_than_10_mm_is_due_for_review():
    """Common practice, no source."""
    watched = rack()
    for stage, millimetres, due in (
        ("ephyra", 10.0, False),
        ("ephyra", 10.1, True),
        ("polyp", 50.0, False),
    ):
        watched.do(1, "move_stage", vessel="k1", stage=stage)
        watched.notices.clear()
        watched.do(1, "log", vessel="k1", what="bell_diameter", value=millimetres)
        assert [notice.kind for notice in watched.notices] == ["stage review"] * due
    assert "bell diameter needs one, in millimetres, above 0" in refused(
        watched, 2, "log", vessel="k1", what="bell_diameter"
    )


def test_every_step_names_the_person_whose_doing_it_is_and_the_reason_of_the_hold():
    watched = rack()
    watched.read(0, 1, 20.0)
    watched.do(1, "begin_maintenance", who="bo", target="vessel/k1", why="new pump", for_s=3600)
    watched.do(2, "shelve", who="kim", alarm=HIGH, why="probe is being cleaned", for_s=600)
    watched.do(3, "unshelve", who="cy", alarm=HIGH)
    watched.do(4, "end_maintenance", who="ada", target="vessel/k1")
    said = [(str(event.trigger), event.who, event.why) for event in watched.events[1:]]
    assert said == [
        ("suppressed", "bo", "new pump"),
        ("shelved", "kim", "probe is being cleaned"),
        ("unshelved", "cy", "new pump"),
        ("suppressed", "bo", "new pump"),
        ("released", "ada", ""),
        ("raised", "", ""),
    ]


def test_an_alarm_that_begins_under_maintenance_names_whose_maintenance_it_is():
    watched = rack()
    watched.do(1, "begin_maintenance", who="bo", target="vessel/k1", why="new pump", for_s=3600)
    watched.read(2, 1, 20.0)
    assert [(event.who, event.why) for event in watched.events] == [("bo", "new pump")]
    (alarm,) = watched.engine.alarms()
    assert [(hold.who, hold.why) for hold in alarm.holds.values()] == [("bo", "new pump")]


@pytest.mark.parametrize(
    ("value", "fine"), [(1e12, True), (1e12 + 1, False), (-1e12, True), (-1e12 - 1, False)]
)
def test_a_number_may_be_as_large_as_a_million_million(value, fine):
    watched = rack()
    watched.do(1, "log", vessel="k1", what="note", value=value)
    assert (watched.refusal == "") is fine


def test_what_is_kept_from_people_before_it_begins_has_not_begun():
    watched = rack()
    watched.do(1, "shelve", alarm=HIGH, why="probe is being cleaned", for_s=600)
    (alarm,) = watched.engine.alarms()
    assert not alarm.active
    watched.do(2, "unshelve", alarm=HIGH)
    assert watched.states == {}
    assert "raised" not in [step for _, step in watched.steps]


@pytest.mark.parametrize("limit", [PROMPT.advisory.low, PROMPT.advisory.high])
def test_after_maintenance_water_on_the_very_limit_is_inside_and_past_it_is_not(limit):
    away = 0.01 if limit == PROMPT.advisory.high else -0.01
    for value, outside in ((limit, []), (limit + away, ["k1/temperature"])):
        watched = rack()
        watched.do(1, "begin_maintenance", target="vessel/k1", why="water change", for_s=600)
        watched.read(2, 1, value)
        watched.do(3, "end_maintenance", target="vessel/k1")
        assert watched.notices[-1].details["outside"] == outside


def test_an_entry_that_older_rules_took_is_folded_as_it_was():
    """Before entries were checked any number went in; today's are refused (see `rules.ENTRIES_CHECKED`)."""
    watched = rack()
    watched.do(1, "move_stage", vessel="k1", stage="ephyra")
    older = ENTRIES_CHECKED - 1
    before(watched, 2, "log", rules=older, vessel="k1", what="bell_diameter", value=95)
    assert (watched.refusal, [it.kind for it in watched.notices]) == ("", ["stage review"])
    before(watched, 3, "log", rules=older, vessel="k1", what="feed", value=-5)
    assert watched.engine._rack.fed_ms == {"k1": START_MS + 3}
    before(watched, 4, "log", rules=older, vessel="k1", what="bell_diameter", value=-1)
    assert watched.refusal == "value: a bell diameter needs one, in millimetres, above 0"
    watched.do(5, "log", vessel="k1", what="feed", value=-5)
    assert watched.refusal == "value: found -5; feed in ephyra is a number from 0 to 100000 mL"
    assert watched.engine._rack.fed_ms == {"k1": START_MS + 3}
