"""Which call is about which incident: its time, its vessels (listed ones too), its quantity, its kind."""

import pytest

from rules.tuning.incident import Incident, answers
from tests.rigs.alarm_events import MINUTE_MS, START_MS, Story, changed


def incident(vessel="kreisel-1", **about):
    return Incident(START_MS, START_MS + 60 * MINUTE_MS, vessel, "trouble", True, **about)


def call(channel="kreisel-1/temperature", condition="high", **changes):
    (event,) = Story()(30, channel, condition, "raised").events
    return changed(event, **changes)


def test_a_page_that_lists_the_vessel_answers_its_incident():
    grouped = call(vessels=("kreisel-1", "kreisel-2", "tray-1"))
    assert answers(grouped, incident("kreisel-2")) is True
    assert answers(grouped, incident("kreisel-9 tray-1")) is True
    assert answers(grouped, incident("kreisel-3")) is False


@pytest.mark.parametrize(("minutes", "about"), [(-1, False), (0, True), (60, True), (61, False)])
def test_a_call_is_about_what_goes_on_at_its_time(minutes, about):
    """The incident lasts an hour; its first and its last moment count."""
    its = call(at_ms=START_MS + minutes * MINUTE_MS)
    assert answers(its, incident()) is about


@pytest.mark.parametrize(
    ("channel", "quantity", "about"),
    [
        ("kreisel-1/temperature", "temperature", True),
        ("kreisel-1/temperature/k1-spare", "temperature", True),
        ("kreisel-1/conductivity", "temperature", False),
        ("kreisel-1/oxygen_saturation", "oxygen", True),
        ("kreisel-1/salinity", "conductivity", True),
        ("kreisel-1/salinity", "oxygen", False),
        ("kreisel-1/salinity", "", True),
    ],
)
def test_a_page_answers_only_what_is_wrong(channel, quantity, about):
    """Oxygen in mg/L and in % are one danger, as are conductivity and salinity."""
    assert answers(call(channel), incident(quantity=quantity)) is about


def test_a_probe_out_of_order_answers_for_what_it_hides_and_nothing_else():
    blind = call(
        "probe/k1-ct",
        "unwatched",
        vessels=("kreisel-1",),
        hidden=("kreisel-1/salinity", "tray-1/temperature"),
    )
    assert answers(blind, incident(quantity="salinity"))
    assert answers(blind, incident(quantity="temperature")) is False
    assert answers(blind, incident(quantity="salinity", kind="unwatched"))


def test_warm_water_is_no_answer_to_water_that_nobody_sees():
    assert answers(call(), incident(quantity="temperature", kind="unwatched")) is False
    assert answers(call(condition="silent"), incident(quantity="temperature", kind="unwatched"))
