"""A spike, a stuck probe, a probe in air, a fouling probe and a failing chiller, told apart by whoever reads.

Each comes from the simulator, through the engine under the demo rack's settings, and is judged by the
very words that people get.
"""

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.words import event_text, notice_text
from rules.alarms.life_cycle import Condition, Priority, Trigger
from rules.care.probe_care import DRIFTS
from rules.quality.flags import Flag
from tests.rigs.nights.judged_scenarios import DAY_MS, judged

ZONE = ZoneInfo("Europe/Copenhagen")
OF_PROBES = {Condition.PROBE_FAULT, Condition.SILENT, Condition.DISAGREEMENT, Condition.UNWATCHED}
OF_THE_WATER = set(Condition) - OF_PROBES


def raised(said, *, of_the_water=False):
    events = [event for event in said.events if event.trigger is Trigger.RAISED]
    return [event for event in events if not of_the_water or event.condition in OF_THE_WATER]


@pytest.fixture(scope="module")
def in_air():
    return judged("probe_in_air")


def test_a_probe_in_air_says_so_and_what_to_do(in_air):
    (missed,) = raised(in_air)
    assert missed.priority is Priority.CRITICAL  # nobody watches the water meanwhile
    text = event_text(missed, ZONE)
    assert "temperature, salinity unwatched (probe kreisel-5-ct: in air)" in text
    assert "in air, put it back" in text
    assert 74 < in_air.minutes(missed) < 76


def test_a_probe_in_air_makes_no_alarm_of_the_water_neither_going_out_nor_coming_back(in_air):
    """The thermometer in the same probe goes to the room's 25 °C and back: none of that is the water's."""
    assert raised(in_air, of_the_water=True) == []
    flags = in_air.flags_of("kreisel-5/temperature")
    assert (flags == Flag.FAIL).sum() == pytest.approx(120, abs=6)  # an hour of readings every 30 s


def test_a_probe_that_stands_still_calls_nobody_while_nothing_shows_that_it_is_stuck():
    """Readings alone tell no stuck probe from calm water; what a witness tells: tests/rules/quality."""
    assert raised(judged("stuck_probe")) == []


def test_a_spike_is_flagged_and_raises_nothing():
    said = judged("spike")
    assert said.events == []
    assert Flag.FAIL in said.flags_of("kreisel-4/temperature")
    assert Flag.FAIL in said.flags_of("kreisel-5/conductivity")


def test_a_chiller_failure_is_an_alarm_of_the_water():
    said = judged("chiller_night")
    first = raised(said)[0]
    text = event_text(first, ZONE)
    assert text.startswith("kreisel-4 temperature rising ")
    assert "limit 0.50 °C/h" in text
    assert not first.evidence.reason
    assert "probe" not in text
    assert not any(event.condition is Condition.PROBE_FAULT for event in said.events)


def test_a_fouling_probe_is_found_by_hand_checks_days_before_it_would_cry_wolf():
    """0.35 mS/cm a day, some 0.3 of salinity: a daily refractometer (invented scatter) sees it."""
    scatter = np.random.default_rng(1981).normal(0.0, 0.2, 20).round(1)

    def daily(day):
        body = {"vessel": "kreisel-5", "quantity": "salinity", "value": 33.0 + float(scatter[day])}
        return [{**body, "method": "refractometer", "instrument": "bench refractometer"}]

    said = judged("fouling", daily)
    drifts = [notice for notice in said.notices if notice.kind == DRIFTS]
    text = notice_text(drifts[0], ZONE)
    assert text.startswith("kreisel-5/salinity: kreisel-5-ct walks away from hand checks")
    assert "Measure a standard with both, calibrate what is off" in text
    told_day = (drifts[0].at_ms - said.start_ms) / DAY_MS
    assert 2 <= told_day <= 6
    wolf = [event for event in raised(said, of_the_water=True) if event.vessel == "kreisel-5"]
    assert min(said.minutes(event) for event in wolf) > (told_day + 4) * 24 * 60


def test_they_read_differently():
    """Nobody mistakes one for another by its first words."""
    texts = {
        event_text(raised(judged(name))[0], ZONE).split(",")[0] for name in ("probe_in_air", "chiller_night")
    }
    assert len(texts) == 2
