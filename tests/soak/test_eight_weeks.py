"""Eight simulated weeks at speed: nothing grows or is lost, each scripted incident is told, and nothing else.

The real watch on a real journal that lets old readings go, its view and the page's memory beside it, in one
process. Water, faults and the keeper are invented; by BELLWATCH_SOAK_WEEKS and BELLWATCH_SOAK_SEED others.
"""

import os
import random
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daemon.check.load import load_settings
from daemon.journal.dating import Stretch
from daemon.journal.journal import Journal
from daemon.journal.retention import Retention
from daemon.page.memory import Memory
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from rules.alarms.history import alarm_event_from_json
from rules.alarms.life_cycle import Condition, Priority
from simulator.rack.rack import Rack
from simulator.scenario.faults import end_ms
from simulator.scenario.scenario import Event, TopOff
from tests.rigs.bench import quick_folder
from tests.rigs.nights.nights import (
    BY_KIND,
    HOUR_MS,
    MINUTE_MS,
    SHARED,
    TOLD,
    causes_of,
    direction,
    scenario_of,
)
from tests.rigs.nights.recorded_nights import _keep, quiet, readings_of, watch_of, write_settings
from tests.rigs.parts.process_use import use_of
from tests.rigs.simulated import _sampled, _seen_now

WEEKS = float(os.environ.get("BELLWATCH_SOAK_WEEKS", "8"))
SEED = int(os.environ.get("BELLWATCH_SOAK_SEED", "1"))
HOURS = round(WEEKS * 7 * 24)
EVERY_S, TURN_MS, LOOK_EVERY_H = 60.0, 20 * MINUTE_MS, 6
KEPT_DAYS = 10
FIRST_H = 24 * (KEPT_DAYS + 4)
"""By then readings go, and as many as come."""
MOST_MORE_MB = 10.0
"""So much more at the end than by then, and something grows (project judgement)."""
BACK_MS = 2 * HOUR_MS
"""By then water that an incident had driven away goes back no longer so fast that it is told."""

pytestmark = [pytest.mark.long, pytest.mark.timeout(3600)]


def incidents(chance):
    """Draw what happens: each of it must be told, and is over before the next."""
    at_min, found = 24 * 60.0, []
    while at_min < (HOURS - 24) * 60:
        vessel = chance.choice(["kreisel-4", "kreisel-5"])
        found.append(
            chance.choice(
                [
                    Event(kind="chiller_fails", vessel="kreisel-4", at_min=at_min, lasts_min=240.0),
                    Event(kind="fine_bubbles", vessel=vessel, at_min=at_min, lasts_min=90.0, percent=125.0),
                    Event(kind="bus_unplugged", bus="bench-bus", at_min=at_min, lasts_min=45.0),
                    Event(kind="probe_silent", probe=f"{vessel}-oxygen", at_min=at_min, lasts_min=60.0),
                    Event(kind="probe_garbled", probe=f"{vessel}-oxygen", at_min=at_min, lasts_min=60.0),
                    Event(kind="heat_wave", at_min=at_min, lasts_min=420.0, rise_c=14.0, ramp_min=60.0),
                ]
            )
        )
        at_min += chance.uniform(16, 28) * 60
    return tuple(found)


def weeks(chance):
    """Return the rack of the nights, kept full and in steady weather, with what happens to it."""
    scenario = scenario_of("quiet_night", incidents(chance))
    vessels = {
        name: it if it.top_off else replace(it, top_off=TopOff(rate_l_per_h=0.5, band_l=0.02))
        for name, it in scenario.vessels.items()
    }
    room = replace(scenario.room, pressure_trend_hpa_per_day=0.0)
    probes = {name: replace(it, every_s=EVERY_S) for name, it in scenario.probes.items()}
    return replace(
        scenario,
        vessels=vessels,
        room=room,
        probes=probes,
        course=replace(scenario.course, lasts_h=float(HOURS), step_s=EVERY_S),
    )


def hour_by_hour(scenario):
    """Yield the readings of each hour in the order of their arrival."""
    rack = Rack(scenario, SEED)
    seen, last_ms = [_seen_now(rack)], rack.time_ms - 1
    for hour in range(1, HOURS + 1):
        while rack.time_ms < rack.start_ms + hour * HOUR_MS:
            rack.step()
            seen.append(_seen_now(rack))
        record = readings_of(_sampled(scenario, *map(np.array, zip(*seen, strict=True))))
        yield [reading for reading in record if reading.time_ms > last_ms]
        seen, last_ms = seen[-1:], rack.time_ms


def live(journal, settings, scenario):
    """Let the watch live through it; return how many readings there were, and what was held hour by hour."""
    start_ms, view, memory = scenario.start_ms, JournalView(settings), Memory()
    with journal.transaction():
        journal.state.keep_stretch(Stretch(start_ms - 1, 0, True))
    watch, retention = watch_of(journal, settings, start_ms), Retention(journal, KEPT_DAYS, mirrored=False)
    came, held, due = 0, [], []
    for hour, readings in enumerate(hour_by_hour(scenario)):
        start = 0
        for now_ms in range(start_ms + hour * HOUR_MS, start_ms + (hour + 1) * HOUR_MS + 1, TURN_MS):
            stop = start
            while stop < len(readings) and readings[stop].time_ms <= now_ms:
                stop += 1
            watch.take(readings[start:stop], now_ms)
            start = stop
            due = _keep(journal, watch, due, now_ms)
            retention.step(now_ms, journal.state.dating())
        came += len(readings)
        if hour % LOOK_EVERY_H == 0:
            while memory.follow(journal.path) < 1:
                pass
            rack_now(view, now_ms)
            held.append(use_of())
    assert not watch.rejected
    return came, held


def is_way_back(alarm, scenario):
    """Whether an alarm is of the water's rate alone, on its way back from where an incident brought it."""
    if alarm.condition not in (Condition.RISING, Condition.FALLING):
        return False
    quantity, upwards = direction(alarm)
    for event in scenario.events:
        over_ms, drove = end_ms(event, scenario.start_ms), BY_KIND[event.kind](event, scenario)
        from_ms = over_ms - round((event.ramp_min or 0.0) * MINUTE_MS)
        in_time = from_ms <= alarm.at_ms <= over_ms + BACK_MS
        if in_time and (quantity, not upwards) in drove.directions and alarm.vessel in drove.vessels:
            return True
    return False


def test_eight_weeks(tmp_path):
    quiet()
    scenario = weeks(random.Random(SEED))
    settings = load_settings(write_settings(tmp_path / "rack.toml", SHARED))
    with quick_folder() as folder:
        path = Path(folder) / "journal.sqlite"
        settings = settings.model_copy(update={"journal": settings.journal.model_copy(update={"path": path})})
        with closing(Journal(path, writable=True)) as journal:
            came, held = live(journal, settings, scenario)
            kept = journal._db.execute("SELECT count(*) FROM reading").fetchone()[0]
            summed = journal._db.execute("SELECT ifnull(sum(readings), 0) FROM hourly").fetchone()[0]
            events = [alarm_event_from_json(it) for it in journal.history.event_bodies()]
    told = [it for it in events if it.trigger in TOLD and it.priority > Priority.LOW]
    known = {id(event) for it in told for event in causes_of(it, scenario)}
    first, last = held[min(FIRST_H // LOOK_EVERY_H, len(held) // 2)], held[-1]
    back = [it for it in told if not causes_of(it, scenario) and is_way_back(it, scenario)]
    print(f"{came} readings, {kept} kept; {len(told)} alarms told, {len(back)} of them of the way back")
    shown = [[round(it, 1) for it in uses] for uses in (first, last)]
    print("memory MB (shared, own), threads, handles: {}, then {}".format(*shown))
    assert [it for it in scenario.events if id(it) not in known] == []
    assert [str(it) for it in told if it not in back and not causes_of(it, scenario)] == []
    assert kept + summed == came
    assert last.own_mb - first.own_mb < MOST_MORE_MB
    assert (last.threads, last.handles) == (first.threads, first.handles)
