"""Seals over what was committed, and the runs under whose ids numbers are given out."""

import sqlite3
import zlib
from contextlib import closing, suppress
from struct import pack

import pytest

from daemon.broker.noted import Link, OnCallHeard, link_of, oncall_heard
from daemon.journal.damage import replace_damaged
from daemon.journal.dating import Dating
from daemon.journal.journal import FIRST_RUN, Journal
from daemon.journal.retention import let_go
from daemon.journal.state import Place
from daemon.watch.machine_watch import _Room
from daemon.watch.timekeeper import TimeKeeper
from rules.readings import Action
from tests.daemon.watch.test_timekeeper import Wall
from tests.rigs.bench import START_MS, Bench, contents, events_in, swinging

pytestmark = pytest.mark.usefixtures("quiet_logs")


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(130, period=125))
    bench.watch.stop()
    yield bench
    bench.power_cut()


def finding(journal, at_most=7):
    """What is wrong with a journal, its seals looked at a few at a time."""
    place, found = Place(), ""
    while place is not None and not found:
        place, found = journal.state.broken_seal(place, at_most)
    return found


def seals(path):
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT * FROM seal ORDER BY last_seq, last_event").fetchall()


def test_every_input_and_event_is_sealed_once_in_order(bench):
    rows = seals(bench.path)
    assert len(rows) > 100
    assert (rows[0][0], rows[0][2]) == (1, 1)
    assert [(row[0], row[2]) for row in rows[1:]] == [(row[1] + 1, row[3] + 1) for row in rows[:-1]]
    assert rows[-1][1] == bench.journal.inputs.last_seq()
    assert rows[-1][3] == len(events_in(bench.path)) > 5
    assert finding(bench.journal) == ""


def test_a_seal_is_the_crc_of_the_rows_as_anybody_can_work_it_out(tmp_path):
    """CRC-32 as zlib has it, over the numbers of a reading in little-endian order."""
    journal = Journal(tmp_path / "j.sqlite", writable=True)
    with journal.transaction():
        source = journal.inputs.source_id("p", "temperature", "k1")
        journal.inputs.append_readings([(START_MS, source, START_MS - 5, 0.1)])
        journal.inputs.append_readings([(START_MS + 1, source, START_MS, 2)])
    packed = pack("<4qd", 1, START_MS, source, 5, 0.1) + pack("<4qd", 2, START_MS + 1, source, 1, 2.0)
    assert seals(journal.path) == [(1, 2, 1, 0, zlib.crc32(packed), None)]
    with journal.transaction():
        journal.inputs.append_action(Action(START_MS, "log", "kim", {}))
    row = (3, START_MS, b"log", b"kim", b"{}")
    assert seals(journal.path)[1] == (3, 3, 1, 0, 0, zlib.crc32(repr(row).encode()))
    journal.close()


@pytest.mark.parametrize(
    "flip",
    [
        "UPDATE reading SET value = value + 1e-9 WHERE seq = 40",
        "UPDATE reading SET at_ms = at_ms + 1 WHERE seq = 40",
        "UPDATE reading SET source = 2 WHERE seq = 40",
        "DELETE FROM reading WHERE seq = 40",
        "UPDATE action SET body = replace(body, '25', '26') WHERE seq = 1",
        "UPDATE action SET who = 'somebody' WHERE seq = 1",
        "UPDATE event SET body = replace(body, 'high', 'hugh') WHERE number = 3",
        "UPDATE event SET body = CAST(x'ff' AS TEXT) WHERE number = 3",
        "DELETE FROM event WHERE number = 3",
    ],
)
def test_whatever_changes_in_a_committed_row_is_found(bench, flip):
    with closing(sqlite3.connect(bench.path)) as db:
        db.execute(flip)
        db.commit()
    found = finding(bench.journal)
    assert "what is stored is not what was written (checksum)" in found
    assert "\n" not in found


def test_what_is_rolled_back_is_not_sealed_and_the_next_commit_is(bench):
    last = bench.journal.inputs.last_seq()
    with suppress(ZeroDivisionError), bench.journal.transaction():
        bench.journal.inputs.append_action(Action(START_MS, "log", "", {}))
        raise ZeroDivisionError
    bench.journal.inputs.number_again()
    with bench.journal.transaction():
        bench.journal.inputs.append_action(Action(START_MS, "log", "", {}))
    assert seals(bench.path)[-1][:2] == (last + 1, last + 1)
    assert finding(bench.journal) == ""


@pytest.mark.parametrize("upto", [2, 3, 57, 90])
def test_readings_that_are_let_go_leave_the_rest_under_seal(bench, upto):
    bench.take(swinging(40, START_MS + 130_000))
    bench.watch.stop()
    assert let_go(bench.journal, upto, Dating()) == upto - 1
    assert finding(bench.journal) == ""
    assert not [row for row in seals(bench.path) if row[1] <= upto and row[4] is not None]
    assert not [row for row in seals(bench.path) if row[1] <= upto and row[5] is None]
    for flip in (
        f"UPDATE reading SET value = value + 1 WHERE seq = {upto + 1}",
        "UPDATE action SET who = 'somebody' WHERE seq = 1",
        "UPDATE event SET at_ms = at_ms + 1 WHERE number = 1",
    ):
        with closing(sqlite3.connect(bench.path, isolation_level=None)) as db:
            db.execute("BEGIN")
            db.execute(flip)
            db.execute("COMMIT")
            assert finding(bench.journal) != "", flip
            db.execute(flip.replace("+ 1", "- 1").replace("'somebody'", "'settings'"))
            assert finding(bench.journal) == ""


def test_a_run_begins_with_the_journal_and_with_every_salvage_and_numbers_rise_through_all(bench):
    (first,) = bench.journal.state.runs()
    assert (first.first, len(first.id)) == (Place(1, 1), 32)
    before = (bench.journal.inputs.last_seq(), bench.journal.history.last_event_number())
    replace_damaged(bench.journal, "for the test")
    runs = bench.journal.state.runs()
    assert [run.reason for run in runs] == [FIRST_RUN, runs[1].reason]
    assert runs[1].reason.startswith("damaged (")
    assert runs[0] == first
    assert runs[1].first == Place(before[0] + 1, before[1] + 1)
    assert bench.journal.run_id == runs[1].id != first.id
    assert finding(bench.journal) == ""
    bench.watch.start_over()
    bench.take(swinging(60, START_MS + 131_000))
    numbers = [row[0] for row in contents(bench.path)["event"]]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) > before[1]
    bench.journal.reopen()
    assert bench.journal.run_id == runs[1].id, "a restart is no new run"


@pytest.mark.parametrize("stored", ["{", "[1, 2]", '{"file": "a", "files": 1}', '"x"', "\ufffd"])
def test_a_note_that_is_damaged_is_none_and_the_watch_goes_on(bench, stored):
    with bench.journal.transaction():
        for key in ("axis", "link", "oncall", "troubles", "retention", "room"):
            bench.journal.state.keep_note(key, stored)
    state = bench.journal.state
    assert state.record("room", _Room()) == _Room()
    assert (link_of(bench.journal), oncall_heard(bench.journal)) == (Link(), OnCallHeard())
    assert state.troubles() == []
    assert TimeKeeper(bench.journal, Wall(START_MS, True)).clock.now_ms() > state.clock_ms()


def test_a_record_comes_back_as_it_was_noted(bench):
    room = _Room({START_MS: 12_000_000, START_MS + 3_600_000: 11_000_000})
    with bench.journal.transaction():
        bench.journal.state.keep_record("room", room)
    assert bench.journal.state.record("room", _Room()) == room
