"""The journal against a model of it, its layouts, and what it says when it cannot be used."""

import ast
import shutil
import sqlite3
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from daemon.errors import JournalError
from daemon.journal.fold import configuring
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.journal.schema import SCHEMA_VERSION
from rules.readings import Action, Amendment, Outcome, Readings
from tests.rigs.bench import START_MS, Bench, contents, quick_folder, refolded_events, steady, swinging
from tests.rigs.places import DATA, ROOT


class PowerCutError(Exception):
    """What ends a transaction half way in these tests."""


class JournalAgainstAModel(RuleBasedStateMachine):
    """Appends, aborted transactions, reopening and outbox work, beside plain lists that do the same."""

    def __init__(self):
        super().__init__()
        self.folder = quick_folder()
        self.path = Path(self.folder.name) / "journal.sqlite"
        self.journal = Journal(self.path, writable=True)
        self.source = self.journal.inputs.source_id("k1-ct", "temperature", "k1")
        self.at_ms = START_MS
        self.inputs = []
        self.outbox = {}
        self.confirmed = set()

    def teardown(self):
        self.journal.close()
        self.folder.cleanup()

    values = st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=5)

    @rule(values=values, lag_ms=st.integers(0, 5_000))
    def take_readings(self, values, lag_ms):
        rows = []
        for value in values:
            self.at_ms += 10
            rows.append((self.at_ms, self.source, self.at_ms - lag_ms, value))
        with self.journal.transaction():
            numbered = self.journal.inputs.append_readings(rows)
        self.inputs += [("reading", *row) for row in rows]
        assert numbered.seq.tolist()[-1] == len(self.inputs)

    @rule(kind=st.sampled_from(["acknowledge", "note"]), why=st.text())
    def act(self, kind, why):
        self.at_ms += 1
        with self.journal.transaction():
            self.journal.inputs.append_action(Action(self.at_ms, kind, "kim", {"why": why}))
        self.inputs.append((kind, self.at_ms, "kim", {"why": why}))

    @rule(values=values)
    def cut_the_power_before_the_commit(self, values):
        with suppress(PowerCutError), self.journal.transaction():
            self.journal.inputs.append_readings(
                [(self.at_ms, self.source, self.at_ms, value) for value in values]
            )
            self.journal.outbox.put([Message("lost", "", retain=False)])
            raise PowerCutError
        self.journal.inputs.number_again()

    @rule(payload=st.text())
    def put_into_the_outbox(self, payload):
        number = max(self.outbox, default=0) + 1
        with self.journal.transaction():
            self.journal.outbox.put([Message(f"topic/{number}", payload, retain=True)])
        self.outbox[number] = payload

    @rule(data=st.data())
    def confirm(self, data):
        waiting = [key for key in self.outbox if key not in self.confirmed]
        if waiting:
            key = data.draw(st.sampled_from(waiting))
            self.journal.outbox.mark_delivered(key, self.at_ms)
            self.confirmed.add(key)

    @rule()
    def reopen(self):
        self.journal.close()
        self.journal = Journal(self.path, writable=True)

    @invariant()
    def inputs_come_back_in_order(self):
        found = []
        for item in self.journal.inputs.after(0, block=3):
            if isinstance(item, Readings):
                columns = (item.at_ms, item.source, item.time_ms, item.value)
                found += [("reading", *row) for row in zip(*(c.tolist() for c in columns), strict=True)]
            else:
                found.append((item.kind, item.at_ms, item.who, item.body))
        assert found == self.inputs
        assert self.journal.inputs.last_seq() == len(self.inputs)

    @invariant()
    def the_outbox_holds_what_nobody_confirmed(self):
        waiting = {item.id: item.message.payload for item in self.journal.outbox.waiting(0, 1_000)}
        assert waiting == {key: text for key, text in self.outbox.items() if key not in self.confirmed}
        assert list(waiting) == sorted(waiting)

    @invariant()
    def a_search_by_time_finds_the_place(self):
        readings = [(seq, row[1]) for seq, row in enumerate(self.inputs, 1) if row[0] == "reading"]
        for at_ms in (0, self.at_ms - 25, self.at_ms, self.at_ms + 1):
            expected = max((seq for seq, taken in readings if taken < at_ms), default=0)
            assert self.journal.inputs.last_seq_before(at_ms) == expected


JournalAgainstAModel.TestCase.settings = settings(max_examples=30, stateful_step_count=25, deadline=None)
TestJournalAgainstAModel = JournalAgainstAModel.TestCase


def test_values_come_back_to_the_last_bit(tmp_path):
    journal = Journal(tmp_path / "j.sqlite", writable=True)
    source = journal.inputs.source_id("p", "temperature", "k1")
    values = np.array([0.1 + 0.2, 5e-324, -5e-324, 1e15, 1.7976931348623157e308, 1 / 3])
    with journal.transaction():
        journal.inputs.append_readings([(k, source, k, float(value)) for k, value in enumerate(values)])
    (back,) = journal.inputs.after(0)
    assert back.value.tobytes() == values.tobytes()
    journal.close()


def test_a_journal_of_the_first_layout_is_brought_up_with_all_that_is_in_it(tmp_path):
    """The file was written by the first layout's own code, before there was a second."""
    path = tmp_path / "journal.sqlite"
    shutil.copy(DATA / "journal_layout_1.sqlite", path)
    tables = ("reading", "action", "event", "flag", "outbox", "snapshot", "source", "meta")
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
        before = {table: db.execute(f"SELECT * FROM {table}").fetchall() for table in tables}
    db.close()
    assert all(before[table] for table in ("reading", "action", "event", "outbox", "snapshot"))
    with pytest.raises(JournalError, match="layout 1; the next `bellwatch run` brings it up to"):
        Journal(path, writable=False)
    journal = Journal(path, writable=True)
    assert journal._db.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    assert {table: journal._db.execute(f"SELECT * FROM {table}").fetchall() for table in tables} == before
    fresh = Journal(tmp_path / "fresh.sqlite", writable=True)
    layout = "SELECT type, name, sql FROM sqlite_schema ORDER BY name"
    assert journal._db.execute(layout).fetchall() == fresh._db.execute(layout).fetchall()
    assert journal._db.execute("SELECT * FROM mirror").fetchall() == [(1, 0, 0, None, "")]
    fresh.close()
    journal.close()


def test_a_step_to_the_next_layout_that_fails_changes_nothing(tmp_path):
    path = tmp_path / "journal.sqlite"
    shutil.copy(DATA / "journal_layout_1.sqlite", path)
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE hourly (mine TEXT)")
        before = db.execute("SELECT name FROM sqlite_schema ORDER BY name").fetchall()
    db.close()
    with pytest.raises(JournalError, match="table hourly already exists"):
        Journal(path, writable=True)
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
        assert db.execute("SELECT name FROM sqlite_schema ORDER BY name").fetchall() == before
    db.close()


def test_a_journal_of_a_newer_bellwatch_is_refused_in_one_line(tmp_path):
    path = tmp_path / "journal.sqlite"
    Journal(path, writable=True).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    for writable in (True, False):
        with pytest.raises(JournalError, match="layout 99, of a newer bellwatch"):
            Journal(path, writable=writable)


def test_a_journal_that_is_not_there_is_named(tmp_path):
    with pytest.raises(JournalError, match="no such file; `bellwatch run` makes it"):
        Journal(tmp_path / "none.sqlite", writable=False)
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match="its folder must exist, be writable"):
        Journal(tmp_path / "file" / "journal.sqlite", writable=True)


def test_the_first_input_is_the_plan_and_the_rest_can_be_judged_again(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(60))
    bench.watch.stop()
    assert contents(bench.path)["action"][0][2] == configuring(bench.plan, 0).kind
    assert [event["number"] for event in refolded_events(bench.path)]
    bench.power_cut()


def test_readings_wait_in_memory_and_alarms_do_not(tmp_path):
    """Between commits nothing is written; an alarm takes everything before it along."""
    bench = Bench(tmp_path, commit_every_ms=10_000)
    bench.take(steady(9, 15))
    assert contents(bench.path)["reading"] == []
    bench.take(steady(3, 15, START_MS + 9_000))
    assert len(contents(bench.path)["reading"]) == 11
    bench.take(steady(2, 22, START_MS + 12_000))
    rows = contents(bench.path)
    assert len(rows["reading"]) == 14
    assert len(rows["event"]) == len(rows["outbox"]) == 1
    bench.power_cut()


def test_retained_and_plain_messages_and_refusals_are_kept_apart(tmp_path):
    journal = Journal(tmp_path / "j.sqlite", writable=True)
    with journal.transaction():
        journal.outbox.put([Message("a", "1", retain=True), Message("b", "2", retain=False)])
    first, second = journal.outbox.waiting(0, 5)
    assert (first.message.retain, second.message.retain) == (True, False)
    journal.outbox.mark_refused(first.id, "Not authorized")
    assert journal.outbox.counts() == (2, 1)
    journal.outbox.mark_delivered(first.id, 5)
    assert journal.outbox.counts() == (1, 0)
    assert [item.id for item in journal.outbox.waiting(0, 5)] == [second.id]
    journal.close()


def test_a_flag_is_kept_only_where_it_is_worse_than_pass_also_when_it_is_amended(tmp_path):
    """Most flags are amended once the next reading is in; a row for each would outweigh the readings."""
    journal = Journal(tmp_path / "j.sqlite", writable=True)
    for amended, kept in (((5, 1), []), ((5, 4), [(5, "c", 4, 7)]), ((5, 3), [(5, "c", 3, 7)]), ((5, 2), [])):
        with journal.transaction():
            journal.history.record(Outcome(amendments=[Amendment("c", *amended, 7)]))
        assert journal._db.execute("SELECT * FROM flag").fetchall() == kept
    journal.close()


def test_steady_water_leaves_no_flags(tmp_path):
    bench = Bench(tmp_path)
    bench.take(steady(50, 15))
    assert contents(bench.path)["flag"] == []
    bench.power_cut()


def test_nobody_else_opens_the_journal_or_speaks_sql_to_it():
    """On-call and the devices of people have files of their own; what they share is a transaction."""
    oncall = tuple(f"daemon/oncall/{it}.py" for it in ("store", "ledger", "assembly"))
    own = ("daemon/journal/", *oncall, "daemon/web/sign_in.py", "daemon/transaction.py")
    speaking = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in (ROOT / "daemon").rglob("*.py")
        if not str(path.relative_to(ROOT)).startswith(own)
        for node in ast.walk(ast.parse(path.read_text()))
        if (isinstance(node, ast.Attribute) and node.attr in ("execute", "executemany", "_db"))
        or (
            isinstance(node, ast.Attribute | ast.Name) and ast.unparse(node) in ("sqlite3.connect", "connect")
        )
    ]
    assert speaking == []


def test_ten_seconds_of_a_rack_take_six_times_their_size_of_the_log_at_most(tmp_path):
    """A commit writes whole pages; what goes to the card beside them the benchmark measures."""
    path, log = tmp_path / "journal.sqlite", tmp_path / "journal.sqlite-wal"
    journal, commits, channels = Journal(path, writable=True), 60, 48
    sources = [journal.inputs.source_id(f"p{n}", "temperature", "k1") for n in range(channels)]
    journal.checkpoint()
    assert log.stat().st_size == 0
    for nth in range(commits):
        at_ms = START_MS + 10_000 * nth
        with journal.transaction():
            journal.inputs.append_readings((at_ms, source, at_ms, 18.0 + nth / 100) for source in sources)
    assert log.stat().st_size <= 6 * 27 * commits * channels  # 27 bytes a row
    journal.close()
