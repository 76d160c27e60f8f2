"""A block of readings under judgement: what a derived value may be made of, and in which order all comes."""

from dataclasses import replace

import numpy as np
import pytest

from rules.engine import Engine
from rules.judging.water import places_by_source
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.tolerance import Band
from rules.readings import Readings
from tests.rigs.watched_rack import DAY, HOUR, MINUTE, PROMPT, START_MS, WatchedRack, plan_of, thermometers

TEMPERATURE, CONDUCTIVITY, OXYGEN, PRESSURE = 1, 2, 3, 4
SILENT_MS = {TEMPERATURE: 5 * MINUTE, CONDUCTIVITY: DAY, OXYGEN: DAY, PRESSURE: MINUTE}


def water_rack():
    """One vessel with everything that salinity and saturation need; only the thermometer is missed soon."""
    quantities = {
        TEMPERATURE: Quantity.TEMPERATURE,
        CONDUCTIVITY: Quantity.CONDUCTIVITY,
        OXYGEN: Quantity.OXYGEN,
        PRESSURE: Quantity.AIR_PRESSURE,
    }
    sources = tuple(
        Source(number, f"p{number}", quantity, "rack" if number == PRESSURE else "k1", SILENT_MS[number], "a")
        for number, quantity in quantities.items()
    )
    return Engine(plan_of(sources, {}), START_MS)


class Probes:
    """Feeds an engine and keeps what each channel came out as: name to (minute, value)."""

    def __init__(self, engine):
        self.engine, self.seq, self.values = engine, 0, {}

    def read(self, *rows):
        """One block of readings: (minute, source, value)."""
        at = START_MS + np.array([row[0] * MINUTE for row in rows], dtype=np.int64)
        seq = self.seq + 1 + np.arange(len(rows), dtype=np.int64)
        self.seq += len(rows)
        source = np.array([row[1] for row in rows], dtype=np.int64)
        values = np.array([row[2] for row in rows], dtype=np.float64)
        for flags in self.engine.feed(Readings(seq, at, source, at, values)).flags:
            minutes = ((flags.time_ms - START_MS) // MINUTE).tolist()
            known = self.values.setdefault(flags.channel, {})
            known.update(zip(minutes, flags.value.tolist(), strict=True))


@pytest.mark.parametrize("together", [True, False])
def test_salinity_is_made_of_the_last_temperature_which_grows_less_sure(together):
    """It lacks from the thermometer's own silence on, not that of the conductivity probe, to the minute."""
    probes = Probes(water_rack())
    rows = [
        (0, TEMPERATURE, 15.0),
        (5, CONDUCTIVITY, 42.0),
        (6, CONDUCTIVITY, 42.0),
        (60, CONDUCTIVITY, 42.0),
    ]
    for block in [rows] if together else [[row] for row in rows]:
        probes.read(*block)
    found = probes.values["k1/salinity"]
    assert found[5] == pytest.approx(34.2, abs=0.2), "42.914 mS/cm at 15 °C is 35 by PSS-78"
    assert found[5] == found[6] == found[60]
    (salinity,) = (it for it in probes.engine.channels() if it.channel.name == "k1/salinity")
    assert salinity.lacking == (Quantity.TEMPERATURE,)
    assert salinity.error == pytest.approx(0.5 * 0.81, abs=0.05), (
        "0.5 °C in an hour; PSS-78: 0.81 per °C here"
    )
    assert salinity.good_time_ms == START_MS + 5 * MINUTE


@pytest.mark.parametrize("together", [True, False])
def test_air_pressure_serves_for_hours_although_the_barometer_is_missed_sooner(together):
    probes = Probes(water_rack())
    fresh = [(TEMPERATURE, 15.0), (CONDUCTIVITY, 42.0)]
    rows = [(0, PRESSURE, 900.0)]
    for minute in (1, 360, 361):
        rows += [(minute, source, value) for source, value in fresh] + [(minute, OXYGEN, 8.0)]
    for block in [rows] if together else [[row] for row in rows]:
        probes.read(*block)
    found = probes.values["k1/oxygen_saturation"]
    assert found[360] == found[1], "six hours old"
    assert found[361] == found[1], "older: still surer than the standard pressure, but no longer as of now"
    (saturation,) = (
        it for it in probes.engine.channels() if it.channel.quantity is Quantity.OXYGEN_SATURATION
    )
    assert saturation.lacking == (Quantity.AIR_PRESSURE,)
    assert saturation.error == pytest.approx(found[361] * 6 / 900, rel=0.05), "1 hPa an hour"


def test_a_value_that_arrives_later_in_the_block_does_not_count_before():
    probes = Probes(water_rack())
    probes.read((0, CONDUCTIVITY, 42.0), (1, TEMPERATURE, 20.0), (2, CONDUCTIVITY, 42.0))
    before = probes.values["k1/salinity"][0]
    assert before == pytest.approx(34.2, abs=0.2), "15 °C is also what any water may have"
    assert probes.values["k1/salinity"][2] < before - 3


@pytest.mark.parametrize("ids", [(1, 2), (70_000, 90_000), (65_535, 65_536)])
def test_each_source_finds_its_own_readings_however_large_its_number(ids):
    one, two = ids
    column = np.arange(5, dtype=np.int64)
    readings = Readings(column, column, np.array([two, one, 3, one, two]), column, column.astype(float))
    found = {number: here.tolist() for number, here in places_by_source(readings, [two, one, 12]).items()}
    assert found == {one: [1, 3], two: [0, 4]}


def test_an_empty_block_has_no_places():
    none = np.array([], dtype=np.int64)
    assert places_by_source(Readings(none, none, none, none, np.array([])), [1]) == {}


def test_a_silence_is_told_before_the_reading_that_ends_it_and_what_that_reading_says():
    stages = {"polyp": {Quantity.TEMPERATURE: PROMPT}}
    watched = WatchedRack(plan_of(thermometers(1, silent_after_ms=10 * MINUTE), stages))
    watched.read_all([(0, 1, 15.0), (HOUR, 1, 19.0)])
    assert [(event.alarm.split("/")[-1], str(event.trigger)) for event in watched.events] == [
        ("silent", "suppressed"),
        ("unwatched", "raised"),
        ("silent", "released"),
        ("unwatched", "returned"),
        ("high", "raised"),
    ]
    assert [event.at_ms - START_MS for event in watched.events] == [
        *(10 * MINUTE, 30 * MINUTE),
        *(HOUR, HOUR, HOUR),
    ]


def test_at_one_moment_returns_come_first_then_the_most_urgent():
    stages = {"polyp": {Quantity.TEMPERATURE: PROMPT}}
    watched = WatchedRack(plan_of(thermometers(3), stages))
    watched.read_all([(0, 1, 15.0), (0, 2, 15.0), (0, 3, 19.0)])
    watched.read(MINUTE, 1, 5.0)
    watched.read(2 * MINUTE, 1, 30.0)
    steps = [(event.alarm, str(event.trigger)) for event in watched.events if event.vessel == "k1"]
    returned = [trigger for _, trigger in steps].index("returned")
    assert steps[returned + 1][1] == "raised"


def test_of_channels_that_one_reading_moves_the_one_that_the_others_come_from_is_told_first():
    """The conductivity leaves its high limit and falls past its low one, where the salinity falls too."""
    limits = {
        Quantity.CONDUCTIVITY: replace(PROMPT, advisory=Band(35, 45), critical=Band()),
        Quantity.SALINITY: replace(PROMPT, advisory=Band(25, None), critical=Band()),
    }
    sources = (
        Source(1, "ct", Quantity.TEMPERATURE, "k1", DAY, "a"),
        Source(2, "ct", Quantity.CONDUCTIVITY, "k1", DAY, "a"),
    )
    watched = WatchedRack(plan_of(sources, {"polyp": limits}))
    watched.read_all([(0, 1, 15.0), (0, 2, 50.0)])
    assert watched.states == {"k1/conductivity/high": "unacknowledged"}
    events = watched.read(MINUTE, 2, 20.0)
    assert [(event.alarm, str(event.trigger)) for event in events] == [
        ("k1/conductivity/high", "returned"),
        ("k1/conductivity/low", "raised"),
        ("k1/salinity/low", "suppressed"),
    ]
