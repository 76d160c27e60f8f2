"""What is wrong with a probe becomes part of what people know already. By hand, from the words of the rule.

One vessel with a thermometer `t` and a cell `c`, of which salinity is made.
"""

from dataclasses import replace

import pytest

from rules.alarms.alarm import Alarm
from rules.alarms.event import Crossing, Evidence
from rules.alarms.life_cycle import Condition, Priority, State
from rules.judging.unwatched import Danger
from rules.quantities import Quantity
from rules.rack.channels import channels_of
from rules.rack.limits import Level
from rules.rack.plan import Source
from rules.told_already import under_what_stands
from tests.rigs.watched_rack import plan_of

SOURCES = (
    Source(1, "t", Quantity.TEMPERATURE, "k1", 60_000, "bench"),
    Source(2, "c", Quantity.CONDUCTIVITY, "k1", 60_000, "bench"),
)
BY_NAME = {channel.name: channel for channel in channels_of(plan_of(SOURCES, {}))}
DANGERS = [
    Danger(name, (BY_NAME[name],), 60_000, 600_000, Priority.CRITICAL)
    for name in ("k1/temperature", "k1/salinity")
]
UNWATCHED, FAULT, SILENT = Condition.UNWATCHED, Condition.PROBE_FAULT, Condition.SILENT
BOTH = ("k1/temperature", "k1/salinity")
LOW, MEDIUM, HIGH = Priority.LOW, Priority.MEDIUM, Priority.HIGH


def alarm(channel, condition, cause, priority=HIGH, level="advisory", **more):
    reason = more.pop("reason", "")
    given = {"state": State.UNACKNOWLEDGED, "evidence": Evidence(reason=reason)} | more
    return Alarm(
        "k1",
        "bench",
        channel,
        condition,
        cause,
        active={level: priority},
        worst=priority,
        since_ms=0,
        **given,
    )


def salinity_falls(priority=HIGH, **more):
    return alarm("k1/salinity", Condition.LOW, "k1/salinity/down", priority, **more)


def water_warms(priority=HIGH, **more):
    return alarm("k1/temperature", Condition.HIGH, "loop/temperature/up", priority, **more)


def fault(of="c", reason="impossible change", priority=LOW, **more):
    channel = "k1/conductivity" if of == "c" else "k1/temperature"
    return alarm(channel, FAULT, f"probe/{of}", priority, reason=reason, **more)


def silence(of="c"):
    return alarm("k1/conductivity" if of == "c" else "k1/temperature", SILENT, f"probe/{of}", LOW)


def hides(of="c", hidden=("k1/salinity",), reason="", priority=MEDIUM):
    """A probe hides dangers, the last of them from now on."""
    cause, evidence = f"probe/{of}", Evidence(hidden=hidden, reason=reason)
    return Crossing("k1", "bench", cause, UNWATCHED, cause, hidden[-1], priority, True, 0, evidence=evidence)


def fails(of="c", reason="impossible change", priority=LOW):
    channel = "k1/conductivity" if of == "c" else "k1/temperature"
    return Crossing(
        "k1", "bench", channel, FAULT, f"probe/{of}", Level.ADVISORY, priority, True, 0,
        evidence=Evidence(reason=reason),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("stands", "crossing", "cause"),
    [
        # what a probe hides that still follows its water is part of an alarm about just that water
        ([fault(), salinity_falls()], hides(), "k1/salinity/down"),
        ([salinity_falls()], hides(), "k1/salinity/down"),
        ([salinity_falls(LOW)], hides(), "k1/salinity/down"),  # it is told as that problem, become worse
        ([fault()], hides(), "probe/c"),
        ([fault(), water_warms()], hides(), "probe/c"),
        # not where the probe stands still, or says nothing
        ([fault(reason="stuck"), salinity_falls()], hides(), "probe/c"),
        ([fault(reason="stuck in earlier readings"), salinity_falls()], hides(), "probe/c"),
        ([fault(reason="stuck, 3 times within 2.0 h"), salinity_falls()], hides(), "probe/c"),
        ([silence(), salinity_falls()], hides(), "probe/c"),
        # where another one does, it is all the same
        ([silence("t"), fault(), salinity_falls()], hides(), "k1/salinity/down"),
        # of an input of that water, where the probe itself is well
        ([water_warms()], hides(), "loop/temperature/up"),
        ([water_warms(MEDIUM), salinity_falls()], hides(), "k1/salinity/down"),
        ([water_warms(), salinity_falls(MEDIUM)], hides(), "loop/temperature/up"),
        # of all that it hides
        ([fault("t"), water_warms(MEDIUM)], hides("t", BOTH), "loop/temperature/up"),
        ([fault("t", state=State.SUPPRESSED), salinity_falls()], hides("t", BOTH), "probe/t"),
        ([fault("t"), water_warms(MEDIUM), salinity_falls()], hides("t", BOTH),
         "k1/salinity/down"),
        # what nobody is told of, or what is over, is nothing that people know
        ([fault(), salinity_falls(state=State.SHELVED)], hides(), "probe/c"),
        ([fault(), replace(salinity_falls(), active={}, state=State.RETURNED)], hides(), "probe/c"),
        ([fault(), salinity_falls(state=State.ACKNOWLEDGED)], hides(), "k1/salinity/down"),
    ],
)  # fmt: skip
def test_what_a_probe_hides_is_part_of_what_people_know(stands, crossing, cause):
    assert under_what_stands(crossing, stands, DANGERS).cause == cause


TWO = (*SOURCES, Source(3, "spare", Quantity.TEMPERATURE, "k1", 60_000, "bench"))


@pytest.mark.parametrize(
    ("stands", "cause"),
    [
        ([], "probe/c"),
        ([alarm("k1/temperature/spare", Condition.DISAGREEMENT, "k1/temperature/disagreement")],
         "k1/temperature/disagreement"),
        ([alarm("k1/temperature/spare", Condition.HIGH, "k1/temperature/up")], "probe/c"),
    ],
)  # fmt: skip
def test_what_is_unsure_for_two_thermometers_that_disagree_is_told_as_that(stands, cause):
    """Seen: hours after a spare thermometer that drifts was told, the sound probe was called doubted."""
    its = next(it for it in channels_of(plan_of(TWO, {})) if it.quantity is Quantity.SALINITY)
    dangers = [Danger("k1/salinity", (its,), 60_000, 600_000, Priority.CRITICAL)]
    assert under_what_stands(hides(priority=Priority.CRITICAL), stands, dangers).cause == cause


def told_as_hidden(cause="k1/salinity/down", priority=MEDIUM, **more):
    its = alarm("probe/c", UNWATCHED, cause, priority, "k1/salinity", **more)
    return replace(its, evidence=Evidence(hidden=("k1/salinity",)))


def of_the_thermometer():
    its = alarm("probe/t", UNWATCHED, "loop/temperature/up", MEDIUM, "k1/temperature")
    return replace(its, evidence=Evidence(hidden=("k1/temperature",)))


BUS = alarm("bus/bench", UNWATCHED, "bus/bench", HIGH, "k1/salinity", reach=("k1", "k2"))


@pytest.mark.parametrize(
    ("stands", "crossing", "cause"),
    [
        ([], fails(), "probe/c"),
        # it goes with what it hides, wherever that went
        ([told_as_hidden()], fails(), "k1/salinity/down"),
        ([told_as_hidden("probe/c")], fails(), "probe/c"),
        ([told_as_hidden(), salinity_falls()], fails(), "k1/salinity/down"),
        ([told_as_hidden()], fails(reason="stuck"), "probe/c"),
        # or with the alarm of its water that is no less urgent than what it hides
        ([told_as_hidden(state=State.SHELVED), salinity_falls(MEDIUM)], fails(), "k1/salinity/down"),
        ([told_as_hidden(state=State.SHELVED), salinity_falls(LOW)], fails(), "probe/c"),
        ([told_as_hidden("probe/c", state=State.SHELVED), salinity_falls(MEDIUM)], fails(), "probe/c"),
        ([of_the_thermometer(), water_warms()], fails(), "probe/c"),  # what another probe hides
        # or with what its whole bus hides, where that concerns its vessel
        ([BUS], fails(), "bus/bench"),
        ([BUS], fails(reason="stuck"), "bus/bench"),
        ([replace(BUS, active={"k2/salinity": HIGH})], fails(), "probe/c"),
        ([replace(BUS, channel="bus/other")], fails(), "probe/c"),
        ([replace(BUS, active={})], fails(), "probe/c"),
    ],
)
def test_the_fault_of_a_probe_goes_with_what_it_hides(stands, crossing, cause):
    assert under_what_stands(crossing, stands, DANGERS).cause == cause


RACK = alarm("rack/all", UNWATCHED, "rack/all", HIGH, "k1/salinity", reach=("k1", "k2"))


@pytest.mark.parametrize(
    ("stands", "cause"),
    [
        ([BUS], "bus/bench"),
        ([RACK], "rack/all"),
        ([replace(BUS, active={"k2/salinity": HIGH})], "probe/c"),  # its vessel is seen again
        ([replace(BUS, channel="bus/other")], "probe/c"),
        ([replace(BUS, active={})], "probe/c"),
    ],
)
def test_a_silence_goes_with_what_its_whole_bus_hides(stands, cause):
    """Seen: after a restart the probe that stayed dead was told again, as one that hides nothing."""
    silent = replace(fails(), condition=SILENT)
    assert under_what_stands(silent, stands, DANGERS).cause == cause


def test_what_is_over_and_what_is_about_no_probe_stays_as_it_is():
    for crossing in (fails(), hides()):
        over = replace(crossing, active=False)
        assert under_what_stands(over, [BUS, told_as_hidden(), salinity_falls()], DANGERS) is over
    water = replace(fails(), condition=Condition.LOW, cause="k1/salinity/down")
    assert under_what_stands(water, [BUS], DANGERS) is water
    another = replace(fails(), condition=Condition.LOW)
    assert under_what_stands(another, [BUS, told_as_hidden()], DANGERS) is another


@pytest.mark.parametrize(
    ("stands", "often", "said"),
    [
        ([fault(reason="erratic")], "", "erratic"),
        ([fault(reason="erratic")], "lost 3 times within 2.0 h", "erratic, lost 3 times within 2.0 h"),
        ([fault(reason="stuck"), silence()], "", "silent, stuck"),
        ([fault("t", reason="erratic")], "", "doubted"),
        ([replace(fault(), active={})], "", "doubted"),
        ([alarm("k1/salinity", Condition.LOW, "probe/c")], "", "doubted"),
        ([], "", "doubted"),
        ([], "lost 3 times within 2.0 h", "doubted, lost 3 times within 2.0 h"),
        (
            [alarm("k2/salinity", FAULT, "probe/c", LOW, Level.GAPS, reason="9 of 30 answers missing")],
            "",
            "doubted",
        ),
    ],
)
def test_what_hides_a_danger_says_what_is_the_matter_with_it(stands, often, said):
    told = under_what_stands(hides(reason=f"doubted, {often}" if often else "doubted"), stands, DANGERS)
    assert told.evidence.reason == said
    assert told.evidence.hidden == ("k1/salinity",)
