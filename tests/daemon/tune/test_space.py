"""What is tried: only what changes something, around what offends, and no guard weakened unproven."""

import tomllib

from daemon.tune.search import PRESENT
from daemon.tune.space import guarded, settings_with, space_around, space_of
from rules.tuning.incident import Incident
from tests.rigs.nights.tuned_nights import SETTINGS

TABLES = tomllib.loads(SETTINGS + "\n[stages.ephyra.temperature]\non_delay_s = 60\n")
ON, CRITICAL = "stages.ephyra.temperature.on_delay_s", "stages.ephyra.temperature.critical_on_delay_s"


def settings():
    return settings_with(TABLES, PRESENT)


def test_a_present_value_is_no_choice_whether_it_is_in_the_file_or_built_in():
    space = space_of([f"{ON}=60,120", f"{CRITICAL}=60"], [], settings(), TABLES)
    assert space.values == {ON: (120.0,)}
    assert space.present == {ON: 60.0, CRITICAL: 60.0}
    assert sorted(space) == [PRESENT, ((ON, 120.0),)]


def test_without_arguments_what_offends_says_what_is_tried():
    offenders = {"kreisel-4/temperature/high": 7, "kreisel-5/salinity/falling": 2, "probe/k/unwatched": 9}
    space = space_around(offenders, settings(), TABLES)
    assert {path.rpartition(".")[0] for path in space.values} == {
        "stages.ephyra.temperature",
        "stages.juvenile.salinity",
    }
    assert [path.rpartition(".")[2] for path in space.values if "salinity" in path] == [
        "max_fall_per_hour",
        "rate_window_s",
    ]
    assert space.values[ON] == (15.0, 30.0, 120.0, 240.0, 480.0)
    both = [step for step in space.steps() if len(step) == 2]
    assert ((CRITICAL, 240.0), (ON, 240.0)) in both


def test_a_guard_is_tried_weaker_only_where_incidents_needed_it():
    space = space_of([f"{CRITICAL}=30,120,480"], [], settings(), TABLES)
    harm = [
        Incident(at, at + 9, "kreisel-4", "warm", True, "temperature", "water", harm_ms=at + 5)
        for at in (10, 20, 30)
    ]
    assert guarded(space, harm, settings()) == space
    kept = guarded(space, harm[:2], settings())
    assert kept.values == {CRITICAL: (30.0,)}
    assert kept.unproven == (f"{CRITICAL} = 120, 480",)
