"""What guards a critical limit is not made weaker by nights on which it was not needed."""

from dataclasses import replace

import pytest

from rules.tuning.incident import Incident
from rules.tuning.protection import exercised, is_weaker, protects_as_well
from rules.tuning.scoring import Found

MINUTE = 60_000
HARM = Incident(0, 600 * MINUTE, "kreisel-1", "warm", True, "temperature", "water", harm_ms=300 * MINUTE)


@pytest.mark.parametrize(
    ("key", "present", "value", "weaker"),
    [
        ("critical_high_c", 23.0, 24.0, True),
        ("critical_high_c", 23.0, 22.0, False),
        ("critical_low_c", 8.0, 7.0, True),
        ("critical_low_c", 8.0, 9.0, False),
        ("critical_on_delay_s", 60.0, 120.0, True),
        ("critical_on_delay_s", 60.0, 30.0, False),
        ("lead_time_s", 7200.0, 0.0, True),
        ("lead_time_s", 7200.0, 9000.0, False),
        ("unwatched_after_s", 1800.0, 3600.0, True),
        ("silent_after_s", None, 10.0, True),
        ("deadband_c", 0.2, 9.0, False),
        ("on_delay_s", 60.0, 600.0, False),
    ],
)
def test_a_guard_is_weaker_where_it_acts_later_or_farther_out(key, present, value, weaker):
    assert is_weaker(key, present, value) is weaker


@pytest.mark.parametrize(
    ("incidents", "enough"),
    [
        ([HARM] * 3, True),
        ([HARM] * 2, False),
        ([replace(HARM, harm_ms=None)] * 3, False),
        ([replace(HARM, quantity="")] * 3, False),
        ([replace(HARM, quantity="salinity")] * 3, False),
        ([replace(HARM, vessel="kreisel-2")] * 3, False),
        ([replace(HARM, call_wanted=False)] * 3, False),
        ([replace(HARM, vessel="kreisel-2 kreisel-1")] * 3, True),
    ],
)
def test_a_guard_was_needed_in_three_incidents_of_its_water_with_a_known_harm(incidents, enough):
    assert exercised(incidents, "temperature", ["kreisel-1"]) is enough


def test_what_was_called_in_time_stays_in_time():
    before = [Found(HARM, 200 * MINUTE)]
    assert protects_as_well([Found(HARM, 285 * MINUTE)], before, 15 * MINUTE)
    assert not protects_as_well([Found(HARM, 286 * MINUTE)], before, 15 * MINUTE)
    assert not protects_as_well([Found(HARM, None)], before, 15 * MINUTE)
    assert protects_as_well([Found(HARM, None)], [Found(HARM, 290 * MINUTE)], 15 * MINUTE)
