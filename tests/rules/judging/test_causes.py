"""Which alarms are one problem. The groups are this project's design; the examples are worked by hand."""

from dataclasses import replace

import pytest

from rules.alarms.alarm import AlarmRules
from rules.alarms.book import AlarmBook
from rules.alarms.event import Crossing
from rules.alarms.life_cycle import Condition, Priority
from rules.judging.silence import Scope
from rules.judging.unwatched import cause_of, water_cause
from rules.quantities import Quantity
from rules.rack.channels import channels_of
from rules.rack.limits import Level
from rules.rack.plan import Source, Supply
from rules.told_already import under_what_stands
from tests.rigs.watched_rack import plan_of

SOURCES = (
    Source(1, "ct1", Quantity.TEMPERATURE, "k1", 60_000, "bench"),
    Source(2, "ct1", Quantity.CONDUCTIVITY, "k1", 60_000, "bench"),
    Source(3, "do1", Quantity.OXYGEN, "k1", 60_000, "bench"),
    Source(4, "t2", Quantity.TEMPERATURE, "k2", 60_000, "bench"),
)
PLAN = plan_of(
    SOURCES,
    {},
    supplies=(
        Supply("cold-loop", Quantity.TEMPERATURE, ("k1", "k2")),
        Supply("air-pump", Quantity.OXYGEN, ("k1", "k3")),
    ),
)
CHANNELS = {channel.name: channel for channel in channels_of(PLAN)}


def cause(channel, condition, level=Level.ADVISORY):
    return water_cause(PLAN, CHANNELS[channel], condition, level)


@pytest.mark.parametrize(
    ("channel", "condition", "level", "expected"),
    [
        ("k1/temperature", Condition.HIGH, Level.CRITICAL, "cold-loop/temperature/up"),
        ("k2/temperature", Condition.HIGH, Level.ADVISORY, "cold-loop/temperature/up"),
        ("k1/temperature", Condition.RISING, Level.ADVISORY, "cold-loop/temperature/up"),
        ("k1/temperature", Condition.HEADING_OUT, Level.ABOVE, "cold-loop/temperature/up"),
        ("k1/temperature", Condition.HEADING_OUT, Level.BELOW, "cold-loop/temperature/down"),
        ("k1/temperature", Condition.LOW, Level.ADVISORY, "cold-loop/temperature/down"),
        ("k1/temperature", Condition.FALLING, Level.ADVISORY, "cold-loop/temperature/down"),
        ("k1/oxygen", Condition.LOW, Level.ADVISORY, "air-pump/oxygen/down"),
        ("k1/oxygen_saturation", Condition.LOW, Level.ADVISORY, "air-pump/oxygen/down"),
        ("k1/salinity", Condition.HIGH, Level.ADVISORY, "k1/salinity/up"),
        ("k1/conductivity", Condition.HIGH, Level.ADVISORY, "k1/salinity/up"),
        ("k1/conductivity", Condition.PROBE_FAULT, Level.ADVISORY, "probe/ct1"),
        ("k1/temperature", Condition.PROBE_FAULT, Level.ADVISORY, "probe/ct1"),
        ("k1/temperature", Condition.DISAGREEMENT, Level.ADVISORY, "k1/temperature/disagreement"),
        ("k1/temperature", Condition.SILENT, Level.ADVISORY, "probe/ct1"),
    ],
)
def test_what_alarms_share(channel, condition, level, expected):
    assert cause(channel, condition, level) == expected


def test_up_and_down_are_two_problems():
    assert cause("k1/temperature", Condition.HIGH) != cause("k1/temperature", Condition.LOW)


def test_a_supply_of_another_quantity_or_other_vessels_is_no_common_cause():
    assert cause("k1/oxygen", Condition.LOW) != cause("k1/temperature", Condition.LOW)
    elsewhere = plan_of(SOURCES, {}, supplies=(Supply("loop", Quantity.TEMPERATURE, ("k8", "k9")),))
    assert water_cause(elsewhere, CHANNELS["k1/temperature"], Condition.HIGH, Level.ADVISORY) == (
        "k1/temperature/up"
    )


def test_what_is_silent_is_the_rack_the_bus_or_the_probe():
    channel = CHANNELS["k1/temperature"]
    assert cause_of(channel.source, Scope.RACK) == "rack/all"
    assert cause_of(channel.source, Scope.BUS) == "bus/bench"
    assert cause_of(channel.source, Scope.PROBE) == "probe/ct1"


def gaps(channel, cause):
    """Answers of a channel are missing, which people know as part of `cause`."""
    return Crossing(
        channel.split("/")[0],
        "bench",
        channel,
        Condition.PROBE_FAULT,
        cause,
        Level.GAPS,
        Priority.LOW,
        True,
        0,
    )


@pytest.mark.parametrize(
    ("known", "expected"),
    [
        ([gaps("k1/oxygen", "k1/oxygen/down")], "k1/oxygen/down"),
        ([gaps("k2/temperature", "bus/bench")], "bus/bench"),
        ([gaps("k2/temperature", "probe/t2")], "probe/do1"),
        ([replace(gaps("k1/oxygen", "k1/oxygen/down"), level=Level.ADVISORY)], "probe/do1"),
        ([], "probe/do1"),
    ],
)
def test_a_silence_is_part_of_the_answers_that_are_missing_of_its_probe_or_bus(known, expected):
    book = AlarmBook(AlarmRules())
    for crossing in known:
        book.cross(crossing, 0, None)
    silent = replace(gaps("k1/oxygen", "probe/do1"), condition=Condition.SILENT, level=Level.ADVISORY)
    assert under_what_stands(silent, list(book), []).cause == expected
    over = replace(silent, active=False)
    assert under_what_stands(over, list(book), []) is over
