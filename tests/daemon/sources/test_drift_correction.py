"""A fortnight of fouling, taken off again when it is replayed: against the simulator, which knows the truth.

The cell of kreisel-5-ct reads 0.35 mS/cm a day less for ten days, then it is wiped. The visits at both ends
are what a culturist would have logged: the cell right in a standard (invented), and at the second visit what
wiping it changed in the vessel.
"""

import json
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.check.load import load_settings
from daemon.commands.cli import main
from daemon.journal.asking import RequestBox
from daemon.journal.dating import Dating, Stretch
from daemon.journal.fold import fold
from daemon.journal.journal import Journal
from daemon.sources.drift_correction import calibrations_at, drift_corrected, how_sure
from daemon.sources.journal import journal_recording
from rules.care.calibration import calibration_of
from rules.readings import Readings
from tests.rigs.nights.recorded_nights import quiet, readings_of, watch_of, write_settings
from tests.rigs.simulated import load_named, simulate

MINUTE_MS = 60_000
FOULS, WIPED = 1440 * MINUTE_MS, (1440 + 14_400) * MINUTE_MS

VISIT = {
    "probe": "kreisel-5-ct",
    "quantity": "conductivity",
    "points": [{"read": 42.0, "true": 42.0}],
    "standard": "KCl 42 mS/cm, invented lot",
}
AFTER_WIPING = {**VISIT, "cleaned": {"before": 38.2, "after": 41.7}}


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    """A journal of the fortnight's readings of kreisel-5 and of both visits; and its settings."""
    folder = tmp_path_factory.mktemp("fouled")
    file = write_settings(folder / "bellwatch.toml")
    whole = simulate(load_named("fouling"))
    record = {
        key: (times[::4], values[::4]) for key, (times, values) in whole.items() if key[0] == "kreisel-5-ct"
    }
    readings = readings_of(record)
    quiet()
    journal = Journal(folder / "journal.sqlite", writable=True)
    start_ms = readings[0].time_ms
    watch = watch_of(journal, load_settings(file), start_ms)
    taken = 0
    for until_ms, body in ((start_ms + FOULS, VISIT), (start_ms + WIPED, AFTER_WIPING), (None, None)):
        upto = next((n for n, r in enumerate(readings) if until_ms and r.time_ms >= until_ms), len(readings))
        watch.take(readings[taken:upto], readings[upto - 1].time_ms)
        taken = upto
        if body is not None:
            request = RequestBox(journal.path).ask("calibrate", "kim", body)
            watch.take([], watch.engine.clock_ms)
            assert RequestBox(journal.path).answer_to(request) == ""
    watch.stop()
    journal.close()
    return folder / "journal.sqlite", file, start_ms


def salinities(recording):
    """Time and salinity of kreisel-5, judged under the plan of the time."""
    engine, times, values = None, [], []
    for item in recording.inputs():
        engine, outcome = fold(engine, item)
        for block in outcome.flags:
            if block.channel == "kreisel-5/salinity":
                times.append(block.time_ms)
                values.append(block.value)
    return np.concatenate(times), np.concatenate(values)


def test_the_corrected_record_is_the_truth_to_the_noise_of_the_cell(rack):
    path, _, start_ms = rack
    times, fouled = salinities(journal_recording(path))
    same, corrected = salinities(drift_corrected(journal_recording(path), calibrations_at(path)))
    assert np.array_equal(times, same)
    fouling = (times >= start_ms + FOULS) & (times < start_ms + WIPED)
    assert np.nanmin(fouled[fouling]) < 30.1  # three of salinity too low before the wiping
    assert np.nanmax(np.abs(corrected[fouling] - 33.0)) < 0.15
    assert np.array_equal(corrected[~fouling], fouled[~fouling], equal_nan=True)


def thinned(recording, until_ms):
    """Every fourth turn's readings alone up to a moment."""

    def inputs():
        for item in recording.inputs():
            if isinstance(item, Readings):
                keep = (item.time_ms >= until_ms) | (item.time_ms // MINUTE_MS % 8 == 0)
                columns = (item.seq, item.at_ms, item.source, item.time_ms, item.value)
                yield Readings(*(column[keep] for column in columns))
            else:
                yield item

    return replace(recording, inputs=inputs)


def test_by_readings_half_of_it_has_come_when_half_of_the_readings_have(rack):
    """Where readings come evenly it is as by time; where few come at first, most of it comes late."""
    path, _, start_ms = rack
    visits, whole, middle_ms = calibrations_at(path), journal_recording(path), start_ms + (FOULS + WIPED) // 2
    few = thinned(whole, middle_ms)
    same = [salinities(drift_corrected(whole, visits, by_readings=by))[1] for by in (False, True)]
    assert np.nanmax(np.abs(same[0] - same[1])) < 0.001
    times, by_time = salinities(drift_corrected(few, visits))
    _, by_readings = salinities(drift_corrected(few, visits, by_readings=True))
    behind = (by_time - by_readings)[np.searchsorted(times, middle_ms)]
    assert behind == pytest.approx(3.0 * (0.5 - 1 / 5), abs=0.15)  # of some 3 of salinity in all


def test_what_was_logged_stays_as_it_was(rack):
    path, _, _ = rack
    before = [item.value.copy() for item in journal_recording(path).inputs() if isinstance(item, Readings)]
    for item in drift_corrected(journal_recording(path), calibrations_at(path)).inputs():
        assert item is not None
    after = [item.value for item in journal_recording(path).inputs() if isinstance(item, Readings)]
    assert all(np.array_equal(one, other) for one, other in zip(before, after, strict=True))


def alarms(path, file, folder, *options):
    events = folder / "events.jsonl"
    assert main(["replay", str(path), "--settings", str(file), "--events", str(events), *options]) == 0
    found = [json.loads(line) for line in events.read_text().splitlines()]
    return {
        (event["channel"], event["condition"])
        for event in found
        if event["trigger"] == "raised" and event["vessel"] == "kreisel-5"
    }


def test_the_replay_command_takes_the_false_alarm_away(rack, tmp_path, capsys):
    path, file, _ = rack
    assert ("kreisel-5/salinity", "low") in alarms(path, file, tmp_path)
    assert ("kreisel-5/salinity", "low") not in alarms(path, file, tmp_path, "--correct-drift")
    assert "kreisel-5-ct/conductivity from " in (said := capsys.readouterr().err)
    assert "corrected; how sure its standards are is not stated" in said


def test_how_sure_a_corrected_value_is_follows_from_the_standards_of_both_visits():
    """0.5 % of a bottle of 12.88 is 0.0644; at the ends that is all that there is."""
    visits = [
        calibration_of(
            {"probe": "k1-ct", "quantity": "conductivity", "standard": "KCl, invented lot",
             "points": [{"read": read, "true": 12.88, "uncertainty": 0.0644}]},
            day * 1440 * MINUTE_MS,
            "kim",
        )
        for day, read in ((0, 12.88), (10, 12.6))
    ]  # fmt: skip
    (said,) = how_sure(visits, Dating(), ZoneInfo("UTC"))
    assert said.startswith("k1-ct/conductivity from 1970-01-01 to 1970-01-11: corrected")
    assert said.endswith(", by the standards to ± 0.064 at 12.88 mS/cm")
    assert list(how_sure(visits[:1], Dating(), ZoneInfo("UTC"))) == []
    (said,) = how_sure(visits, Dating([Stretch(0, 365 * 1440 * MINUTE_MS, True)]), ZoneInfo("UTC"))
    assert said.startswith("k1-ct/conductivity from 1971-01-01 to 1971-01-11")


def test_correcting_needs_settings_and_a_journal(rack, tmp_path, capsys):
    path, file, _ = rack
    assert main(["replay", str(path), "--correct-drift"]) == 2
    assert "--correct-drift: add --settings FILE" in capsys.readouterr().err
    table = tmp_path / "logger.csv"
    table.write_text("time,temperature\n")
    assert main(["replay", str(table), "--settings", str(file), "--correct-drift"]) == 2
    assert "only a journal holds the visits" in capsys.readouterr().err
