"""Alarms in words: every step says where and what, in units, on one line, short enough for a phone."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.words import SHAPES, amount, clock_time, event_text, iso_time, notice_text
from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import TRANSITIONS, Condition, Priority, State, Trigger
from rules.quantities import Quantity
from rules.readings import Notice
from tests.rigs.alarm_events import changed

COPENHAGEN = ZoneInfo("Europe/Copenhagen")
AT_MS = 1_786_752_000_000  # 2026-08-15T00:00:00Z, 02:00 in Copenhagen

HIGH = AlarmEvent(
    number=1,
    at_ms=AT_MS,
    vessel="kreisel-4",
    channel="kreisel-4/temperature",
    condition=Condition.HIGH,
    trigger=Trigger.RAISED,
    state=State.UNACKNOWLEDGED,
    priority=Priority.MEDIUM,
    since_ms=AT_MS - 300_000,
    evidence=Evidence(18.14, 18.0, rate_per_hour=3.194),
)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        (
            {},
            "kreisel-4 temperature high 18.14 °C, limit 18.00 °C, moving +3.19/h, since 01:55 (medium)",
        ),
        (
            {"condition": Condition.FALLING, "value": -1.02, "limit": -0.5, "rate_per_hour": None},
            "kreisel-4 temperature falling -1.02 °C/h, limit -0.50 °C/h, since 01:55 (medium)",
        ),
        (
            {"condition": Condition.HEADING_OUT, "limit": 23.0, "reached_ms": AT_MS + 3_180_000},
            "kreisel-4 temperature heading out 18.14 °C, limit 23.00 °C, moving +3.19/h, there at 02:53,"
            " since 01:55 (medium)",
        ),
        (
            {"condition": Condition.SILENT, "value": None, "limit": None, "rate_per_hour": None},
            "kreisel-4 temperature silent, since 01:55 (medium)",
        ),
        (
            {"vessels": ("kreisel-4", "tray-3"), "trigger": Trigger.REANNOUNCED},
            "again: kreisel-4 temperature high 18.14 °C, limit 18.00 °C, moving +3.19/h, since 01:55 (medium)"
            "; also tray-3",
        ),
        (
            {"trigger": Trigger.ACKNOWLEDGED, "state": State.ACKNOWLEDGED, "who": "ada"},
            "kreisel-4 temperature high: acknowledged by ada",
        ),
        (
            {"trigger": Trigger.RETURNED, "state": State.RETURNED},
            "kreisel-4 temperature high: over; nobody has acknowledged it yet",
        ),
        (
            {"trigger": Trigger.RETURNED, "state": State.NORMAL},
            "kreisel-4 temperature high: over",
        ),
        (
            {"trigger": Trigger.SHELVED, "who": "ada", "why": "new chiller", "until_ms": AT_MS + 3_600_000},
            "kreisel-4 temperature high: shelved by ada until 03:00: new chiller",
        ),
        (
            {"trigger": Trigger.SUPPRESSED, "why": "kreisel-4/temperature/rising"},
            "kreisel-4 temperature high 18.14 °C, limit 18.00 °C, moving +3.19/h:"
            " part of kreisel-4/temperature/rising",
        ),
    ],
)
def test_an_event_says_where_what_how_far_how_fast_and_since_when(changes, text):
    assert event_text(changed(HIGH, **changes), COPENHAGEN) == text


@pytest.mark.parametrize(("step", "state"), TRANSITIONS.items())
@pytest.mark.parametrize("condition", Condition)
def test_every_step_of_every_condition_has_words_on_one_line(step, state, condition):
    _, trigger = step
    text = event_text(changed(HIGH, trigger=trigger, state=state, condition=condition), COPENHAGEN)
    assert text.count("kreisel-4 temperature") == 1
    assert condition.replace("_", " ") in text.replace("high-high", "high high").replace("low-low", "low low")
    assert "\n" not in text
    assert "_" not in text
    assert "None" not in text
    assert "nan" not in text


def test_the_priority_is_said_by_word_and_shown_by_a_shape_of_its_own():
    assert len({*SHAPES.values()}) == len(Priority)
    for priority in Priority:
        assert event_text(changed(HIGH, priority=priority)).endswith(f"({priority.word})")


@pytest.mark.parametrize(
    ("value", "quantity", "text"),
    [
        (19.2449, Quantity.TEMPERATURE, "19.24 °C"),
        (33.104, Quantity.SALINITY, "33.10"),
        (43.127, Quantity.CONDUCTIVITY, "43.13 mS/cm"),
        (104.16, Quantity.OXYGEN_SATURATION, "104.2 %"),
        (8.294, Quantity.OXYGEN, "8.29 mg/L"),
        (1009.16, Quantity.AIR_PRESSURE, "1009.2 hPa"),
    ],
)
def test_a_value_has_the_digits_that_its_probe_is_good_for_and_its_unit(value, quantity, text):
    assert amount(value, quantity) == text


def test_times_are_those_of_the_people_at_the_rack_also_when_the_clocks_change():
    # 2026-10-25: at 01:00 UTC Copenhagen goes from 03:00 back to 02:00
    assert [clock_time(1_792_886_400_000 + minutes * 60_000, COPENHAGEN) for minutes in (0, 59, 60, 119)] == [
        "02:00", "02:59", "02:00", "02:59",
    ]  # fmt: skip


@given(st.integers(min_value=0, max_value=4_102_444_800_000))
def test_iso_times_keep_every_millisecond(time_ms):
    text = iso_time(time_ms)
    assert text.endswith("Z")
    assert len(text) == len("2026-08-15T00:00:00.000Z")
    assert round(datetime.fromisoformat(text).timestamp() * 1000) == time_ms


@pytest.mark.parametrize(
    ("notice", "text"),
    [
        (
            Notice("maintenance over", AT_MS, "vessel/tray-3", {"outside": [], "unknown": []}),
            "vessel/tray-3: maintenance over; everything is back in its band",
        ),
        (
            Notice(
                "maintenance over",
                AT_MS,
                "vessel/tray-3",
                {"outside": ["tray-3/salinity"], "unknown": ["tray-3/temperature"]},
            ),
            "vessel/tray-3: maintenance over; tray-3/salinity is outside its band, "
            "tray-3/temperature has no reading",
        ),
        (
            Notice("stage runs long", AT_MS, "tray-3", {"stage": "strobila"}),
            "tray-3: strobila for longer than usual; please look",
        ),
        (
            Notice(
                "stage review", AT_MS, "k1", {"stage": "ephyra", "bell_diameter_mm": 12.5, "usual_mm": 10}
            ),
            "k1: ephyra with a bell of 12.5 mm (over 10); next stage?",
        ),
    ],
)
def test_a_notice_says_what_is_worth_knowing(notice, text):
    assert notice_text(notice) == text
