"""Tuning finds the settings known to be right; they hold on unseen nights, and live does as predicted."""

import csv
import subprocess
import sys
from datetime import UTC

import numpy as np
import pytest

from daemon.check.load import load_settings
from daemon.commands.cli import main
from daemon.errors import TuneError
from daemon.journal.asking import RequestBox
from daemon.journal.journal import Journal
from daemon.replay.replay import plans_of, replay
from daemon.settings.file import read_values
from daemon.settings.plan import rack_plan
from daemon.sources.csv import csv_recording
from daemon.sources.csv_readings import CsvLayout
from daemon.sources.journal import journal_recording
from daemon.sources.recording import one_by_one
from daemon.sources.store import stored
from daemon.tune.incidents import ACCEPTED, Mark, write_marks
from daemon.tune.search import NOT_TRIED, PRESENT, TOGETHER, Search, events_under
from daemon.tune.space import Space, space_of
from daemon.tune.write import changed_text, difference, write_settings
from daemon.words import iso_time
from daemon.workers import processes
from rules.readings import Action, Readings
from rules.tuning.scoring import Timely, is_call, score
from tests.rigs.nights.known_nights import SETTINGS, known_nights
from tests.rigs.nights.recorded_nights import events_at, live, quiet, simulated, watch_of
from tests.rigs.nights.recorded_nights import write_settings as nursery
from tests.rigs.parts.orphans import left_by
from tests.rigs.places import ROOT

COLUMN = "--column=celsius=kreisel-4/temperature"
ON, CRITICAL = "stages.ephyra.temperature.on_delay_s", "stages.ephyra.temperature.critical_on_delay_s"
TRIES = ["--try", f"{ON}=60,240,480,960", "--try", f"{CRITICAL}=60,240,480,960"]
TRAINED, HELD_OUT = 18, 4
TIMELY = Timely(30 * 60_000, 15 * 60_000)


@pytest.fixture(scope="module")
def known():
    return known_nights(0, TRAINED)


def write_csv(path, readings):
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time", "celsius"])
        writer.writerows([iso_time(reading.time_ms), reading.value] for reading in readings)
    return path


def case(folder, readings, incidents):
    """A CSV, its incidents and a settings file in a folder; the arguments of `tune` for them."""
    source = write_csv(folder / "logger.csv", readings)
    write_marks(folder / "logger.csv.incidents.csv", [Mark(each, ACCEPTED, "truth") for each in incidents])
    settings = folder / "known.toml"
    settings.write_text(SETTINGS)
    return settings, ["tune", str(source), COLUMN, "--settings", str(settings)]


def test_the_right_delays_are_found_and_live_pages_are_those_predicted(known, tmp_path, capsys):
    """A warmed probe lasts six minutes (see known_nights): of 1, 4, 8 and 16 minutes 8 is right."""
    settings_file, arguments = case(tmp_path, *known)
    assert main([*arguments, *TRIES, "--write", "--yes"]) == 0
    said = capsys.readouterr().out
    assert "Recommended" in said
    text = settings_file.read_text()
    assert text == SETTINGS.replace("delay_s = 60", "delay_s = 480")

    readings, incidents = known_nights(TRAINED, HELD_OUT)
    settings = load_settings(settings_file)
    source = write_csv(tmp_path / "unseen.csv", readings)
    recording = csv_recording(source, CsvLayout("time", [COLUMN.removeprefix("--column=")]), settings)
    predicted = replay(recording, [rack_plan(settings, recording.numbering())])[0].events
    unseen = score(predicted, incidents, [(recording.start_ms, recording.end_ms)])
    assert (unseen.missed, unseen.unwanted) == (0, 0)
    assert unseen.calls >= len(incidents) == HELD_OUT // 2

    turns = {"keeper": False, "turn_ms": 600_000, "after_ms": 60_000}
    journal = live(tmp_path / "live.sqlite", readings, settings_file, **turns)
    lived = replay(journal_recording(journal), [None])[0].events
    assert len(events_at(journal)) == len(lived)
    assert [(e.at_ms, e.alarm, e.trigger, e.priority) for e in lived if is_call(e)] == [
        (e.at_ms, e.alarm, e.trigger, e.priority) for e in predicted if is_call(e)
    ]

    (tmp_path / "before.toml").write_text(SETTINGS)
    before = rack_plan(load_settings(tmp_path / "before.toml"), recording.numbering())
    hasty = score(replay(recording, [before])[0].events, incidents, [(recording.start_ms, recording.end_ms)])
    assert hasty.unwanted > 0


def test_a_record_is_tuned_elsewhere_by_the_incidents_that_it_holds(known, tmp_path):
    """The file beside the journal went into the record; on the other rack nobody has marked anything."""
    here, there = tmp_path / "here", tmp_path / "there"
    for folder in (here, there):
        folder.mkdir()
        (folder / "known.toml").write_text(SETTINGS)
    readings, incidents = known
    journal, record, again = here / "journal.sqlite", there / "record", there / "again.sqlite"
    source, settings = write_csv(here / "logger.csv", readings), ["--settings", str(there / "known.toml")]
    assert main(["import", str(source), str(journal), COLUMN, "--settings", str(here / "known.toml")]) == 0
    write_marks(here / "journal.sqlite.incidents.csv", [Mark(each, ACCEPTED, "truth") for each in incidents])
    assert main(["export", str(record), "--form", "parquet", "--journal", str(journal)]) == 0
    assert main(["import", str(record), str(again)]) == 0
    tries = ["--try", f"{ON}=60,480", "--try", f"{CRITICAL}=60,480"]
    assert main(["tune", str(again), *settings, *tries, "--write", "--yes"]) == 0
    assert (there / "known.toml").read_text() == SETTINGS.replace("delay_s = 60", "delay_s = 480")


def test_too_little_is_refused_with_what_is_missing(tmp_path, capsys):
    settings_file, arguments = case(tmp_path, *known_nights(0, 4))
    assert main([*arguments, *TRIES, "--write", "--yes"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "1.6 days of readings, 5.4 more are needed" in said
    assert "2 incidents for which a call was wanted, 4 more are needed" in said
    assert settings_file.read_text() == SETTINGS


def test_settings_that_are_right_already_are_left_alone(known, tmp_path, capsys):
    settings_file, arguments = case(tmp_path, *known)
    right = changed_text(SETTINGS, ((ON, 480.0), (CRITICAL, 480.0)))
    settings_file.write_text(right)
    assert main([*arguments, "--try", f"{ON}=240,960", "--write", "--yes"]) == 1
    assert "none of the settings tried is better" in " ".join(capsys.readouterr().out.split())
    assert settings_file.read_text() == right


def test_a_budget_is_kept_and_the_search_is_the_same_twice(known, tmp_path):
    readings, incidents = known
    settings_file, _ = case(tmp_path, readings[:4000], incidents)
    settings = load_settings(settings_file)
    layout = CsvLayout("time", [COLUMN.removeprefix("--column=")])
    store = stored(csv_recording(tmp_path / "logger.csv", layout, settings), tmp_path)
    file = read_values(settings_file)
    space = space_of([f"{ON}=30:600:30", f"{CRITICAL}=30:600:30"], ["ephyra.temperature"], settings, file)
    assert space.size > 10_000
    searches = []
    for _ in range(2):
        search = Search(store, read_values(settings_file), incidents, UTC, TIMELY)
        with processes(2) as pool:
            assert search.run(space, 12, pool)
        searches.append(search)
    assert [trial.choice for trial in searches[0].ranked()] == [
        trial.choice for trial in searches[1].ranked()
    ]
    assert PRESENT in searches[0].trials
    assert len(searches[0].trials) + len(searches[0].unfit) == 13


def test_a_stopped_search_keeps_what_it_has(known, tmp_path):
    readings, incidents = known
    settings_file, _ = case(tmp_path, readings[:2000], incidents)
    settings = load_settings(settings_file)
    layout = CsvLayout("time", [COLUMN.removeprefix("--column=")])
    store = stored(csv_recording(tmp_path / "logger.csv", layout, settings), tmp_path)
    done = []
    search = Search(store, read_values(settings_file), incidents, UTC, TIMELY)
    space = Space({ON: tuple(120.0 + 60.0 * step for step in range(3 * TOGETHER))}, {ON: 60.0})
    with processes(1) as pool:
        whole = search.run(space, 9 * TOGETHER, pool, progress=done.append, stopped=lambda: len(done) >= 2)
    assert whole is False
    assert 2 <= len(search.trials) <= 2 * TOGETHER + 1


def test_a_search_that_is_killed_leaves_no_process_behind(known, tmp_path):
    _, arguments = case(tmp_path, *known)
    assert left_by(tmp_path / "left", "-m", "daemon", *arguments, *TRIES, workers=1) == []


def test_unfit_settings_are_left_out_and_told(known, tmp_path, capsys):
    settings_file, arguments = case(tmp_path, *known_nights(0, 2))
    high = "stages.ephyra.temperature.advisory_high_c"
    assert main([*arguments, "--try", f"{high}=17,40"]) == 1
    assert "1 left out, since they would not pass: stages.ephyra.temperature" in " ".join(
        capsys.readouterr().out.split()
    )
    assert main([*arguments, "--try", f"{high}=40,41"]) == 2
    assert "not one of the settings would pass" in capsys.readouterr().err
    assert settings_file.read_text() == SETTINGS


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["--try", "journal.path=1,2"], "expected PATH=VALUES"),
        (["--try", f"{ON}=soon"], "expected numbers"),
        (["--try", f"{ON}=1:2:0"], "expected numbers"),
        (["--around", "ephyra.ph"], "expected STAGE.QUANTITY"),
        (["--try", f"{ON}=60,120", "--budget", "0"], "expected 1 or more"),
    ],
)
def test_bad_arguments_get_one_line(tmp_path, capsys, arguments, complaint):
    _, usual = case(tmp_path, *known_nights(0, 1))
    assert main([*usual, *arguments]) == 2
    said = capsys.readouterr().err
    assert complaint in said
    assert said.count("\n") == 1


# Writing


def test_comments_order_and_spacing_stay_when_a_value_changes():
    after = changed_text(SETTINGS, ((ON, 480.0), ("stages.ephyra.salinity.deadband", 0.25)))
    assert after.startswith(SETTINGS.replace("on_delay_s = 60\ncrit", "on_delay_s = 480\ncrit", 1).rstrip())
    assert "[stages.ephyra.salinity]\ndeadband = 0.25" in after
    removed = [line for line in difference(SETTINGS, after, "x").splitlines() if line.startswith("-")]
    assert removed == ["--- x", "-on_delay_s = 60"]


def test_a_table_is_made_where_the_file_has_none():
    text = SETTINGS[: SETTINGS.index("[stages")]
    after = changed_text(text, ((ON, 90.5),))
    assert after == text + "[stages.ephyra.temperature]\non_delay_s = 90.5\n"


def test_an_inline_table_is_changed_in_its_line():
    text = (
        SETTINGS[: SETTINGS.index("[stages")] + "[stages.ephyra]\ntemperature = { on_delay_s = 60 } # short\n"
    )
    assert "temperature = { on_delay_s = 120 } # short" in changed_text(text, ((ON, 120.0),))


def test_settings_that_would_not_pass_are_never_written():
    with pytest.raises(TuneError, match="would not pass"):
        changed_text(SETTINGS, (("stages.ephyra.temperature.advisory_high_c", 40.0),))


def test_a_file_that_somebody_changed_meanwhile_is_left_alone(tmp_path):
    path = tmp_path / "known.toml"
    path.write_text(SETTINGS + "# and a word from the culturist\n")
    with pytest.raises(TuneError, match="changed by somebody else"):
        write_settings(path, SETTINGS, SETTINGS.replace("60", "90"))
    assert "culturist" in path.read_text()


def test_nobody_is_taken_to_have_agreed(known, tmp_path):
    """Without a terminal and without --yes, nothing is written and the exit says so."""
    settings_file, arguments = case(tmp_path, *known)
    command = [
        sys.executable,
        "-m",
        "daemon",
        *arguments,
        "--try",
        f"{ON}=480",
        "--try",
        f"{CRITICAL}=480",
        "--write",
    ]
    ended = subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        stdin=subprocess.DEVNULL,
        cwd=ROOT,
    )
    assert ended.returncode == 2, ended.stderr
    assert "add --yes" in ended.stderr
    assert "+on_delay_s = 480" in ended.stdout
    assert settings_file.read_text() == SETTINGS


# The store


def test_a_store_gives_the_recording_again(tmp_path):
    """Actions in their places, values bit for bit, and a gap of more than an hour is not watched time."""
    quiet()
    settings_file = nursery(tmp_path / "nursery.toml")
    readings = [r for r in simulated("bad_line", hours=0.4) if r.quantity != "air_pressure"]
    moved = [type(r)(r.probe, r.quantity, r.value, r.time_ms + 7_200_000) for r in readings]
    journal = Journal(tmp_path / "a.sqlite", writable=True)
    watch = watch_of(journal, load_settings(settings_file), readings[0].time_ms)
    watch.take(readings, readings[-1].time_ms)
    RequestBox(journal.path).ask("acknowledge", "kim", {"alarm": "kreisel-4/temperature/high"})
    watch.take(moved, moved[-1].time_ms)
    journal.close()
    recording = journal_recording(tmp_path / "a.sqlite")
    store = stored(recording, tmp_path)
    assert _flat(store.recording()) == _flat(recording)
    without = [item for item in store.recording(without=NOT_TRIED).inputs() if isinstance(item, Readings)]
    assert [len(item) for item in without] == [store.readings], "nothing cuts a trial's block"
    (plan,) = plans_of([load_settings(settings_file)], recording)
    assert events_under(store, [plan]) == [replay(recording, [plan], responses=False)[0].events]
    assert store.watched == (
        (readings[0].time_ms, readings[-1].time_ms),
        (moved[0].time_ms, moved[-1].time_ms),
    )


def _flat(recording):
    flat = []
    for item in one_by_one(recording.inputs()):
        if isinstance(item, Action):
            flat.append((item.at_ms, item.kind, item.body))
        else:
            assert isinstance(item, Readings)
            assert item.value.dtype == np.float64
            columns = (item.seq, item.at_ms, item.source, item.time_ms, item.value)
            flat += zip(*(column.tolist() for column in columns), strict=True)
    return flat
