"""A journal, its record in each form, a journal again: the same inputs, and a replay equal event for event.

What would refute it, drawn here: names that hold a comma, a line break, a quote or what a spreadsheet takes
for a formula, empty names, clocks that jump both ways and are a guess, readings measured long before they
came, the smallest and the largest numbers, two probes of one quantity, a stage that the user added, a
planned move with a ramp, a refused request, retention's hourly rows, an alarm that stands at the end.
A journal holds no NaN (NOT NULL, and SQLite has none) and no negative zero of its own.
"""

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.commands.cli import main
from daemon.commands.engineer.export import export
from daemon.journal.dating import Stretch
from daemon.journal.journal import Journal
from daemon.journal.logbook import (
    FORM_KINDS,
    HAND,
    WRITTEN_KINDS,
    acts_in,
    calibrations_in,
    in_force,
    logbook_of,
)
from daemon.journal.retention import let_go
from daemon.record.arrow import SCHEMAS, grown
from daemon.record.into_journal import _mark
from daemon.record.package import folder_tables
from daemon.record.tables import ONCE, TABLES
from daemon.replay.replay import replay
from daemon.replay.words import event_line
from daemon.sources.journal import journal_recording
from daemon.tune.incidents import Mark, beside, read_marks, write_marks
from rules.culture.cohorts import culture_of
from rules.tuning.incident import Incident
from tests.rigs.bench import START_MS, quick_folder
from tests.rigs.eventful_rack import CLOCK_WAS_OFF_MS, eventful
from tests.rigs.minute_rack import START_MS as MINUTE_RACK_MS

pytestmark = pytest.mark.usefixtures("quiet_logs")

FIRST_MS = MINUTE_RACK_MS + CLOCK_WAS_OFF_MS
FORMS = {"csv": ("record", "csv"), "parquet": ("record", "parquet"), "nc": ("record.nc", "csv")}
OF_THE_JOURNAL = [name for name, table in TABLES.items() if table.taken_back and name != "incident"]
NAMES = [
    "k1-ct",
    "a,b",
    "two\nlines",
    '"q"',
    "=1+1",
    "@x",
    "'=y",
    "-",
    "\tz",
    "\n=1",
    "＝1",
    "－",
    '"=1',
    "",
    "NA",
    "null",
    "µ–ü",
]
SOURCES = [(name, quantity, name[::-1]) for name in NAMES for quantity in ("temperature", "fresh")]


def tables_of(path):
    with closing(Journal(path, writable=False)) as journal:
        found = {name: [*journal.rows_of(name, TABLES[name].taken_back)] for name in OF_THE_JOURNAL}
        assert journal.finding() == ""
    found["reading"] = [(*row[:-1], row[-1].hex()) for row in found["reading"]]
    return found


def there_and_back(path, folder, form):
    """The journal that comes of a record of a journal."""
    name, kind = FORMS[form]
    with closing(Journal(path, writable=False)) as journal:
        export(journal, folder / name, kind)
    assert main(["import", str(folder / name), str(folder / "again.sqlite")]) == 0
    return folder / "again.sqlite"


def refuse_other(before, again):
    runs = again.pop("run")
    assert runs[:-1] == before.pop("run")
    assert runs[-1][-1].startswith("imported from record")
    assert again == before


reading = st.tuples(
    st.integers(0, len(SOURCES) - 1),
    st.sampled_from([0, 0, 1, 999, 30_000]),
    st.integers(0, 10_000_000),
    st.floats(allow_nan=False, allow_infinity=False).map(lambda value: value + 0.0),
    st.sampled_from([None, None, 3, 4]),
)
jump = st.tuples(st.integers(1, 60), st.integers(-(10**9), 10**9), st.booleans())


def fill(path, steps, jumps):
    """A journal of these readings, dated in stretches that jump in both directions."""
    at_ms, newest = START_MS, {}
    with closing(Journal(path, writable=True)) as journal, journal.transaction():
        for place, (source, wait_ms, lag_ms, value, flag) in enumerate(steps):
            for after, ahead_ms, known in jumps:
                if place == after:
                    at_ms += 1
                    journal.state.keep_stretch(Stretch(at_ms, ahead_ms, known))
            time_ms = max(at_ms + wait_ms - lag_ms, newest.get(source, 0) + 1)
            newest[source], at_ms = time_ms, max(at_ms + wait_ms, time_ms)
            key = journal.inputs.source_id(*SOURCES[source])
            numbered = journal.inputs.append_readings([(at_ms, key, time_ms, value)])
            if flag:
                journal.history.keep_flags(
                    [(int(numbered.seq[0]), f"{SOURCES[source][0]}/x", flag, 2**32 - 1)]
                )


@settings(max_examples=25, deadline=None)
@given(st.lists(reading, max_size=60), st.lists(jump, max_size=3), st.sampled_from([*FORMS]))
def test_out_and_in_again_is_exact_whatever_the_clock_did(steps, jumps, form):
    with quick_folder() as name:
        fill(Path(name) / "a.sqlite", steps, jumps)
        again = there_and_back(Path(name) / "a.sqlite", Path(name), form)
        refuse_other(tables_of(Path(name) / "a.sqlite"), tables_of(again))


COUNTING = ("deep", "chatty", "wireless")
"""Probes on an SDI-12 line, in lines of text and by MQTT that say how often they have measured."""


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    return eventful(tmp_path_factory.mktemp("rack"))


def test_the_rack_of_these_tests_has_what_they_are_about(rack):
    with closing(Journal(rack, writable=False)) as journal:
        entries = logbook_of(journal, kinds=WRITTEN_KINDS)
        corrected = {it.kind for it in entries if it.corrects}
        acts, measured = acts_in(journal), in_force(journal.history.entries(HAND))
        sources = journal.inputs.sources().values()
    assert corrected == {"culture", "feed", "hand_measurement"}
    assert [(it.what, it.value) for it in acts] == [
        ("begin", 200),
        ("count", 195),
        ("split", 90),
        ("died", 3),
    ]
    assert [it.body["value"] for it in measured] == [15.0, 22.9]
    assert {("gateway", "temperature", "k3"), *((it, "fresh", "k3") for it in COUNTING)} < {*sources}


STAYS = {"meta", "outbox", "snapshot", "mirror", "mirror_refused", "seal"}
"""What is of the file and the machine, or made anew from the rest."""


def test_no_table_or_column_of_a_journal_is_forgotten(rack):
    with closing(sqlite3.connect(rack)) as db:
        names = [name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        found = {
            name: {column[1] for column in db.execute(f"PRAGMA table_info({name})")}
            for name in names
            if name not in STAYS
        }
    assert found == {name: {*TABLES[name].taken_back} for name in OF_THE_JOURNAL}


def people_of(path):
    """The animals, and what counts of the logbook."""
    with closing(Journal(path, writable=False)) as journal:
        written = in_force(logbook_of(journal, kinds=(*FORM_KINDS,)))
        return culture_of(acts_in(journal)), written, calibrations_in(journal)


def replayed(path):
    (result,) = replay(journal_recording(path), [None])
    assert not result.passed_over
    return [event_line(event) for event in result.events]


@pytest.mark.parametrize("form", FORMS)
def test_a_rack_with_drift_incidents_and_a_clock_that_was_off_goes_over_whole(rack, tmp_path, form):
    marks = [
        Mark(Incident(START_MS, START_MS + 5, "k1", '=a, "b"\nc', call_wanted=True), "proposed", "-me"),
        Mark(Incident(START_MS, START_MS + 9, "k2", "asked", None), "proposed", "alarms"),
        Mark(
            Incident(
                START_MS, START_MS + 9, "k1 k2", "warm", True, "temperature", "water", "chiller", "loss",
                START_MS + 7, "=19 by hand",
            ),
            "accepted",
            "by hand",
        ),
    ]  # fmt: skip
    write_marks(beside(str(rack)), marks)
    before = tables_of(rack)
    assert all(before[name] for name in OF_THE_JOURNAL), "else this test sees too little"
    again = there_and_back(rack, tmp_path, form)
    refuse_other(before, tables_of(again))
    assert read_marks(beside(str(again))) == read_marks(beside(str(rack)))
    events = replayed(rack)
    assert len(events) > 5
    assert replayed(again) == events
    assert people_of(again) == people_of(rack)
    with closing(Journal(again, writable=False)) as journal, closing(Journal(rack, writable=False)) as first:
        assert journal.history.event_lines() == first.history.event_lines()
        assert journal.id != first.id
        assert journal.run_id not in [run.id for run in first.state.runs()]


def test_an_incident_has_its_utc_beside_the_journals_axis(rack, tmp_path):
    with closing(Journal(rack, writable=False)) as journal:
        journal.copy_to(tmp_path / "a.sqlite")
    times = (MINUTE_RACK_MS, MINUTE_RACK_MS + 60_000, MINUTE_RACK_MS + 30_000)
    marks = [
        Mark(Incident(*times[:2], "k1", "warm", True, harm_ms=harm_ms), "accepted", "by hand")
        for harm_ms in (times[2], None)
    ]
    write_marks(beside(str(tmp_path / "a.sqlite")), marks)
    with closing(Journal(tmp_path / "a.sqlite", writable=False)) as journal:
        export(journal, tmp_path / "record")
    (part,) = (part for _, part in folder_tables(tmp_path / "record", {"incident": SCHEMAS["incident"]}))
    for row, harm_ms in zip(part.to_pylist(), (times[2], None), strict=True):
        names = ("begin", "end", "harm_from"), ("begin_time", "end_time", "harm_time")
        axis, utc = ([row[name] and row[name].timestamp() * 1000 for name in its] for its in names)
        assert axis == [*times[:2], harm_ms]
        assert utc == [time and time + CLOCK_WAS_OFF_MS for time in axis]
        assert row["clock_set"] is True


@pytest.mark.parametrize("form", FORMS)
def test_what_retention_left_goes_over_and_is_replayed_alike(rack, tmp_path, form):
    path = tmp_path / "old.sqlite"
    with closing(Journal(rack, writable=False)) as journal:
        journal.copy_to(path)
    with closing(Journal(path, writable=True)) as journal:
        with journal.transaction():
            journal.state.keep_snapshot(journal.inputs.last_seq(), {"version": 0})
            journal.state.keep_snapshot(journal.inputs.last_seq() - 900, {"version": 0})
        assert let_go(journal, journal.inputs.last_seq() - 1000, journal.state.dating(), 3_000) == 3_000
        hours = len([*journal.rows_of("hourly", ["source", "hour_ms"])])
    assert hours > 5
    again = there_and_back(path, tmp_path, form)
    refuse_other(tables_of(path), tables_of(again))
    assert replayed(again) == replayed(path) != []


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(("hours", "readings"), [((1, 2), 180), ((1.001, 1.002), 0)])
def test_a_part_has_a_form_of_each_kind_and_comes_back(rack, tmp_path, form, hours, readings):
    name, kind = FORMS[form]
    between_ms = tuple(FIRST_MS + round(hour * 3_600_000) for hour in hours)
    with closing(Journal(rack, writable=False)) as journal:
        assert export(journal, tmp_path / name, kind, between_ms, ["k2"])[0] == readings
    assert main(["import", str(tmp_path / name), str(tmp_path / "again.sqlite")]) == 0
    assert len(tables_of(tmp_path / "again.sqlite")["reading"]) == readings


def test_a_part_is_chosen_by_the_time_of_measurement_and_by_vessel(rack, tmp_path):
    with closing(Journal(rack, writable=False)) as journal:
        between_ms = FIRST_MS + 3_600_000, FIRST_MS + 7_200_000
        count, notes = export(journal, tmp_path / "part", "parquet", between_ms, ["k2"])
    assert notes == ["only a part of the readings is in it: a replay of it differs"]
    rows = [
        row for name, part in folder_tables(tmp_path / "part") if name == "judged" for row in part.to_pylist()
    ]
    assert {row["vessel"] for row in rows} == {"k2"}
    times = [row["time"].timestamp() * 1000 for row in rows]
    assert between_ms[0] <= min(times) < max(times) < between_ms[1]
    assert count == 60 * 3
    assert json.loads((tmp_path / "part/datapackage.json").read_text())["bellwatch"]["part"]["vessels"] == [
        "k2"
    ]


def test_incidents_of_an_older_record_mean_what_they_meant():
    """Its table ended with `origin`: what it does not hold is not known: any call is about it."""
    kept = SCHEMAS["incident"]
    rows = [(datetime.fromtimestamp(at, UTC), "k1", "warm", True, "accepted", "by hand") for at in (1, 2)]
    older = pa.table(
        [
            [row[0] for row in rows],
            [row[0] + timedelta(seconds=1) for row in rows],
            *zip(*(row[1:] for row in rows), strict=True),
        ],
        pa.schema(list(kept)[: ONCE["incident"]]),
    )
    (first, _) = [_mark(row, Path("older")) for row in grown(older, kept).to_pylist()]
    assert first == Mark(Incident(1000, 2000, "k1", "warm", True), "accepted", "by hand")
