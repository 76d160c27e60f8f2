"""Real sea water through the whole daemon: wire, driver, journal, rules, alarms; every row, bit for bit.

The series is a moored recorder's, measured every minute for a fortnight (tests/data/README.md). A watch
takes it all in; over the wires goes some of it in the usual run, and all where that is asked for. There the
daemon runs under a clock in fast motion, so that a poll a minute takes milliseconds; the wires are
real: pseudo-terminals (Modbus RTU, three of them with a third of the rows each), and mosquitto
(SenML with each row's own time). Salinity is checked against gsw, the reference library of TEOS-10.
"""

import csv
import gzip
import json
import os
import time
from contextlib import ExitStack
from datetime import UTC, datetime

import gsw
import numpy as np
import pytest

from daemon.check.load import load_settings
from daemon.clock import SteadyClock
from daemon.journal.fold import fold
from daemon.journal.journal import Journal
from drivers.readings import Reading
from rules.plain import to_plain
from rules.quality.flags import Flag
from tests.rigs.daemon_thread import running_daemon
from tests.rigs.journal_file import asked, readings_in
from tests.rigs.nights.recorded_nights import quiet, watch_of
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.simulator_process import SimulatorProcess, wait_for
from tests.rigs.playback.recording import expected_rows, expected_senml, read_recording, register_fields
from tests.simulator.playback.test_recording import COLUMNS, SERIES

ROWS = 19_898
WHOLE_OVER_THE_WIRES = "BELLWATCH_TEST_WHOLE_SERIES" in os.environ
"""A row takes 15 ms of three busy lines together; the whole series is for a slower run than the usual one."""
ROWS_AS_SENML = ROWS if WHOLE_OVER_THE_WIRES else 4_000
"""From the first on: air, the plunge, and the first cold day and a half."""

STRETCHES = ((0, 6_633), (6_633, 13_266), (13_266, ROWS))
SHORT_STRETCHES = ((100, 160), (9_000, 9_060), (ROWS - 60, ROWS))
HOUR_MS = 3_600_000
IN_WATER_MS_CM = 25.0  # tests/data/README.md: above 2.5 S/m it is in the water
MODBUS_SCALE = 12_000
MQTT_SCALE = 22_500
SUBSCRIBED_WITHIN_S = 5.0
ALL_IN_WITHIN_S = 180.0
COLD_DAYS = (("2026-07-13", "2026-07-16"), ("2026-07-19", "2026-07-21"))  # tests/data/README.md
OPTIONS = (
    "--column",
    "water_temperature_degC=temperature",
    "--column",
    "conductivity_S_per_m=conductivity*10",
)

RACK = """\
[rack]
name = "mooring"
time_zone = "UTC"

[journal]
path = "{folder}/journal.sqlite"
commit_every_s = 3600

[broker]
host = "127.0.0.1"
port = {port}
heartbeat_s = 600

# Wide limits round what that sea does: only air is out of them. After the last row hours pass in a second.
[stages.open-sea.temperature]
unwatched_after_s = 86400
critical_low_c = -2
critical_high_c = 20

[stages.open-sea.salinity]
unwatched_after_s = 86400
advisory_low = 30
advisory_high = 36

# A mooring in a current is no vessel: its water may be another one from minute to minute.
[quality.temperature]
max_jump_c = "none"

[quality.conductivity]
max_jump_ms_cm = "none"
"""

ON_A_LINE = """
[buses.line-{n}]
kind = "modbus-rtu"
port = "{folder}/{n}/playback-bus"
baud = 115200
timeout_ms = 2000

[vessels.part-{n}]
kind = "tank"
stage = "open-sea"

[probes.ct-{n}]
bus = "line-{n}"
vessel = "part-{n}"
unit_id = 1
every_s = 60
silent_after_s = 86400
registers = [
    {{ quantity = "temperature", function = "input", address = 0, type = "float32" }},
    {{ quantity = "conductivity", function = "input", address = 2, type = "float32" }},
]
"""

ON_A_BROKER = """
[buses.air]
kind = "mqtt"
host = "127.0.0.1"
port = {port}

[vessels.sea]
kind = "tank"
stage = "open-sea"

[probes.ct]
bus = "air"
vessel = "sea"
every_s = 60
silent_after_s = 86400
topic = "mooring"
format = "senml"
max_age_s = 86400
fields = [
    {{ quantity = "temperature", senml_name = "mooring:temperature" }},
    {{ quantity = "conductivity", senml_name = "mooring:conductivity" }},
]
"""


def settings_of(folder, port, wires):
    path = folder / "bellwatch.toml"
    path.write_text(RACK.format(folder=folder, port=port) + "".join(wires))
    return load_settings(path)


def columns_in(path, probe):
    """By quantity the times and values of a probe in the journal, in the order of their arrival."""
    rows = asked(
        path,
        "SELECT quantity, at_ms - lag_ms, value FROM reading JOIN source ON source.id = source"
        " WHERE probe = ? ORDER BY seq",
        probe,
    )
    return {
        quantity: np.array([row[1:] for row in rows if row[0] == quantity])
        for quantity in sorted({row[0] for row in rows})
    }


@pytest.fixture(scope="module")
def series():
    return read_recording(SERIES, COLUMNS)


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    """The file with what is published, and what a reader has of it."""
    path = tmp_path_factory.mktemp("published") / "series.csv"
    return path, stretch(path, 0, ROWS_AS_SENML)


@pytest.fixture(scope="module")
def over_mqtt(published, tmp_path_factory):
    """The journal after those rows came as SenML with their own times."""
    folder, (file, series) = tmp_path_factory.mktemp("senml"), published
    # mosquitto keeps 1000 messages for a slow subscriber and drops more, unless told otherwise
    with Mosquitto(folder, config="max_queued_messages 0\nlog_type subscribe") as broker:
        settings = settings_of(folder, broker.port, [ON_A_BROKER.format(port=broker.port)])
        epoch_s = time.monotonic() + SUBSCRIBED_WITHIN_S
        clock = SteadyClock(int(series.time_ms[0]), MQTT_SCALE, epoch_s)
        with running_daemon(settings, clock):
            broker.wait_for_log("mooring (QoS 1)")
            address = f"127.0.0.1:{broker.port}"
            pace = ("--time-scale", MQTT_SCALE, "--epoch-monotonic", epoch_s, "--topic", "mooring")
            with SimulatorProcess(
                "tests.rigs.playback", file, *OPTIONS, "--broker", address, *pace
            ) as playback:
                assert playback.line()["rows"] == ROWS_AS_SENML
                assert time.monotonic() < epoch_s, "the machine is too slow to begin in time"
                wait_for(lambda: readings_in(settings.journal.path) >= 2 * ROWS_AS_SENML, ALL_IN_WITHIN_S)
                assert playback.line()["phase"] == "ends"
    return settings.journal.path


@pytest.fixture(scope="module")
def lived(series, tmp_path_factory):
    """The journal of a watch that took in the whole series hour by hour, and nothing for a day."""
    quiet()
    settings = settings_of(tmp_path_factory.mktemp("lived"), 1, [ON_A_BROKER.format(port=1)])
    times, values = series.time_ms.tolist(), expected_senml(series)
    readings = [
        Reading("ct", quantity, value, at_ms)
        for at_ms, *row in zip(times, *values.values(), strict=True)
        for quantity, value in zip(values, row, strict=True)
    ]
    journal = Journal(settings.journal.path, writable=True)
    watch, hour = watch_of(journal, settings, times[0]), 60 * len(values)
    for first in range(0, len(readings), hour):
        of_an_hour = readings[first : first + hour]
        watch.take(of_an_hour, of_an_hour[-1].time_ms)
    watch.take([], times[-1] + 25 * HOUR_MS)
    journal.close()
    return settings.journal.path


@pytest.fixture(scope="module")
def judged(lived):
    return judged_again(lived)


def judged_again(path):
    """What a fresh engine makes of a journal's inputs: events, and by channel each reading's judgement."""
    journal = Journal(path, writable=False)
    engine, events, flags, amendments = None, [], {}, []
    for item in journal.inputs.after(0):
        engine, outcome = fold(engine, item)
        events += outcome.events
        amendments += outcome.amendments
        for block in outcome.flags:
            flags.setdefault(block.channel, []).append(block)
    journal.close()
    columns = {
        channel: {
            name: np.concatenate([getattr(block, name) for block in blocks])
            for name in ("seq", "time_ms", "value", "summary", "tests")
        }
        for channel, blocks in flags.items()
    }
    for amended in amendments:
        column = columns[amended.channel]
        place = np.searchsorted(column["seq"], amended.seq)
        column["summary"][place], column["tests"][place] = amended.summary, amended.tests
    return events, columns


def standing(events):
    """The alarms whose condition lasts after these events."""
    states = {event.alarm: event.trigger for event in events}
    return [alarm for alarm, trigger in states.items() if trigger not in ("returned", "released")]


def in_water(series):
    return series.values["conductivity"] > IN_WATER_MS_CM


def on_cold_days(time_ms):
    spans = [
        [datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp() * 1000 for day in days]
        for days in COLD_DAYS
    ]
    return np.any([(time_ms >= first) & (time_ms < after) for first, after in spans], axis=0)


def test_every_row_that_was_published_is_in_the_journal_once_with_its_own_time(over_mqtt, published):
    journal, (_, series) = columns_in(over_mqtt, "ct"), published
    expected = expected_senml(series)
    assert journal.keys() == expected.keys()
    for quantity, values in expected.items():
        assert np.array_equal(journal[quantity][:, 0], series.time_ms)
        assert np.array_equal(journal[quantity][:, 1], values)


def test_every_row_that_was_polled_is_in_the_journal_once(tmp_path):
    cuts = STRETCHES if WHOLE_OVER_THE_WIRES else SHORT_STRETCHES
    parts = [stretch(tmp_path / f"{n}.csv", *cut) for n, cut in enumerate(cuts)]
    rows = sum(len(part.time_ms) for part in parts)
    path = tmp_path / "journal.sqlite"
    with Mosquitto(tmp_path) as broker, ExitStack() as stack:
        wires = []
        for n, part in enumerate(parts):
            links = tmp_path / str(n)
            links.mkdir()
            command = (tmp_path / f"{n}.csv", *OPTIONS, "--links", links)
            playback = stack.enter_context(SimulatorProcess("tests.rigs.playback", *command))
            assert playback.line()["rows"] == len(part.time_ms)
            wires.append(ON_A_LINE.format(n=n, folder=tmp_path))
        settings = settings_of(tmp_path, broker.port, wires)
        with running_daemon(settings, SteadyClock(scale=MODBUS_SCALE)):
            wait_for(lambda: readings_in(path) >= 2 * rows, ALL_IN_WITHIN_S)
    assert readings_in(path) == 2 * rows
    fields = register_fields(["temperature", "conductivity"])
    for n, part in enumerate(parts):
        journal = columns_in(path, f"ct-{n}")
        expected = expected_rows(part, fields)
        assert journal.keys() == expected.keys()
        for quantity, values in expected.items():
            assert np.array_equal(journal[quantity][:, 1], values)
            assert (np.diff(journal[quantity][:, 0]) > 0).all()


def test_salinity_from_the_journal_agrees_with_gsw(judged, series):
    _, channels = judged
    expected = expected_senml(series)
    wet = in_water(series)
    theirs = gsw.SP_from_C(expected["conductivity"], expected["temperature"], 0.0)
    salinity = channels["sea/salinity"]
    assert np.array_equal(salinity["time_ms"], series.time_ms)
    failed = channels["sea/temperature"]["summary"] == Flag.FAIL  # then an older temperature stands in
    used = wet & ~failed & np.isfinite(salinity["value"])
    assert np.abs(salinity["value"] - theirs)[used].max() < 1e-9
    assert 31 < theirs[used].min() < theirs[used].max() < 36


def test_of_good_readings_the_plunge_alone_may_be_refused(judged, series):
    _, channels = judged
    wet = in_water(series)
    failed = channels["sea/temperature"]["summary"] == Flag.FAIL
    assert (wet & ~failed).sum() >= wet.sum() - 10


def test_air_at_both_ends_is_not_taken_for_water(judged, series):
    events, channels = judged
    dry = ~in_water(series)
    assert dry.sum() == 141
    assert (channels["sea/conductivity"]["summary"][dry] >= Flag.SUSPECT).all()
    first_wet_ms, last_wet_ms = series.time_ms[~dry][[0, -1]]
    of_salt = [event for event in events if event.channel in ("sea/conductivity", "sea/salinity")]
    of_air = [event for event in of_salt if event.condition in ("low", "low_low", "probe_fault")]
    # At the start it is part of what people know, that nobody sees the sea; at the end of what they will.
    begun = [event.since_ms for event in of_air if event.trigger in ("raised", "suppressed")]
    assert min(begun) < first_wet_ms, "it is said before it is in the water"
    assert max(begun) > last_wet_ms, "and again when it is taken out"
    assert not [since_ms for since_ms in begun if first_wet_ms + HOUR_MS < since_ms < last_wet_ms]
    in_the_water = [event for event in of_air if event.since_ms < last_wet_ms]
    assert not standing(in_the_water), "what was raised in the air is over in the water"
    assert standing(of_air), "and what was raised at the end lasts"


def test_cold_water_that_comes_and_goes_fast_is_believed(judged, series):
    events, channels = judged
    wet = in_water(series)
    assert not on_cold_days(np.array([event.since_ms for event in events])).any()
    first_wet_ms, last_wet_ms = series.time_ms[wet][[0, -1]]
    faults = [event.since_ms for event in events if event.condition == "probe_fault"]
    assert not [since_ms for since_ms in faults if first_wet_ms + HOUR_MS < since_ms < last_wet_ms]
    cold = on_cold_days(series.time_ms)
    steps = np.abs(np.diff(series.values["temperature"][cold]))
    assert steps.max() * 60 > 20, "faster than 20 K an hour"
    for quantity in ("temperature", "conductivity", "salinity"):
        flags = channels[f"sea/{quantity}"]["summary"]
        assert not (flags[cold] == Flag.FAIL).any()
        assert (flags[wet] >= Flag.SUSPECT).mean() < 0.01


def test_the_daemon_judged_in_its_small_turns_what_a_replay_judges_at_once(over_mqtt):
    events, channels = judged_again(over_mqtt)
    bodies = [json.loads(body) for (body,) in asked(over_mqtt, "SELECT body FROM event ORDER BY number")]
    rows = asked(over_mqtt, "SELECT channel, seq, summary, tests FROM flag")
    assert bodies == json.loads(json.dumps([to_plain(event) for event in events])) != []
    noted = {(channel, seq): (summary, tests) for channel, seq, summary, tests in rows}
    for name, column in channels.items():
        for place in np.flatnonzero(column["summary"] >= Flag.SUSPECT).tolist():
            key = (name, int(column["seq"][place]))
            assert noted.pop(key) == (column["summary"][place], column["tests"][place])
    assert {summary for summary, _ in noted.values()} <= {Flag.PASS, Flag.NOT_EVALUATED}, "amended to better"


def stretch(path, first, after):
    """A file with some rows of the measured series, and what a reader has of it."""
    with gzip.open(SERIES, "rt", newline="") as file:
        header, *rows = csv.reader(file)
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([header, *rows[first:after]])
    return read_recording(path, COLUMNS)
