"""A journal of the layout before: refused to who only reads, brought up by the daemon, judged as it was."""

import gzip
import json
import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest
import structlog
from structlog.testing import LogCapture

from daemon.errors import JournalError, RequestError
from daemon.journal.asking import RequestBox, ask_daemon
from daemon.journal.integrity import open_journal
from daemon.journal.journal import Journal
from daemon.replay.replay import replay
from daemon.sources.journal import journal_recording, recorded_events
from rules.alarms.history import alarm_event_from_json, says_the_same
from rules.alarms.life_cycle import Condition, Priority, Trigger
from tests.rigs.bench import START_MS, Bench, contents, steady
from tests.rigs.places import DATA

pytestmark = pytest.mark.usefixtures("quiet_logs")

KEPT = ("meta", "source", "reading", "action", "flag", "event", "notice", "outbox", "snapshot", "dating")
KEPT += ("hourly", "mirror", "mirror_refused")
PLAN = """
[stages.ephyra.temperature]
advisory_low_c = 10
advisory_high_c = 20
critical_low_c = 5
critical_high_c = 24
"""
ALARM = "k1/temperature/high"


@pytest.fixture
def before(tmp_path):
    """The file that the version before left: see tests/data/README.md."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(gzip.decompress((DATA / "journal_layout_2.sqlite.gz").read_bytes()))
    return path


def rows(path, *tables):
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return {table: db.execute(f"SELECT * FROM {table}").fetchall() for table in tables}


def test_everything_that_was_in_it_is_in_it_afterwards(before):
    old = rows(before, *KEPT, "request", "command")
    assert all(old[table] for table in old if table != "hourly"), "the file has something of everything"
    Journal(before, writable=True).close()
    new = rows(before, *KEPT, "taken", "run")
    assert {table: new[table] for table in KEPT} == {table: old[table] for table in KEPT}
    answered = {row[0]: row[5] for row in old["request"] if row[4] is not None}
    assert len(new["taken"]) == len(answered) == 18
    assert sorted(refusal for _, _, refusal in new["taken"]) == sorted(answered.values())
    kinds = {seq: kind for seq, _, kind, _, _ in new["action"]}
    assert {kinds[seq] for _, seq, _ in new["taken"]} == {kind for _, kind, *_ in old["request"]}
    last_seq, last_event = max(kinds | {row[0]: "" for row in new["reading"]}), new["event"][-1][0]
    ((_, run, first_seq, first_event, _),) = new["run"]
    assert (len(run), first_seq, first_event) == (32, last_seq + 1, last_event + 1)


def test_what_people_had_written_down_and_was_not_refused_becomes_an_entry(before):
    Journal(before, writable=True).close()
    with closing(Journal(before, writable=False)) as journal:
        found = {kind: journal.history.entries(kind) for kind in ("note", "count", "bell_diameter")}
        (measured,) = journal.history.entries("hand_measurement")
    assert [(entry.who, entry.vessel, entry.body["text"]) for entry in found["note"]] == [
        ("ada", "k1", "clear water")
    ], "that of a vessel which is not there was refused"
    assert [entry.body["value"] for entry in found["count"] + found["bell_diameter"]] == [42, 14.5]
    assert (measured.who, measured.body["value"], measured.corrects) == ("kim", 25.4, None)


def test_people_are_told_what_they_were_told_before_at_the_same_moments(before):
    """High-high has an alarm of its own since: what worsened then is raised now. A silence is told as what it
    hides; here it ends before that. What crosses a milder limit to and fro is told twice."""
    Journal(before, writable=True).close()
    (again,) = replay(journal_recording(before), [None])
    lived = [json.loads(line) for line in recorded_events(before)]
    told = (Trigger.RAISED, Trigger.WORSENED, Trigger.REANNOUNCED)
    then = [alarm_event_from_json(body) for body in lived]
    assert len(then) == 29
    said = [
        [(it.at_ms, it.channel, it.priority) for it in events if it.trigger in told]
        for events in (then, again.events)
    ]
    silences = {it.at_ms for it in then if it.condition == Condition.SILENT}
    lived_by = [it for it in said[0] if it[0] not in silences]
    urgent, milder = (
        [[it for it in one if (it[2] > Priority.MEDIUM) is wanted] for one in (lived_by, said[1])]
        for wanted in (True, False)
    )
    assert urgent[0] == urgent[1]
    assert milder[0][:2] == milder[1][:2], "the third time it is told later, as it lasts or is worse"
    assert len(milder[0]) >= len(milder[1])
    assert says_the_same(lived[0], again.events[0])
    other = replace(again.events[0], evidence=replace(again.events[0].evidence, value=-1.0))
    assert not says_the_same(lived[0], other)
    flagged = sum(counts[3] + counts[4] for counts in again.flags.values())
    assert flagged == len(contents(before)["flag"]) == 73


def test_what_was_asked_and_not_answered_is_done_once_and_a_repeat_does_nothing(before):
    Journal(before, writable=True).close()
    waiting = RequestBox(before).waiting()
    assert [(it.kind, it.who) for it in waiting] == [("log", "bob"), ("acknowledge", "ada")]
    assert waiting[0].id == "phone-0002", "a command keeps the id under which its sender repeats it"
    box = RequestBox(before)
    box.ask("acknowledge", "bob", {"alarm": ALARM}, "phone-0001")
    known = len(contents(before)["action"])
    bench = Bench(before.parent, START_MS + 1_000_000, more=PLAN)
    bench.watch.take([], START_MS + 1_000_000)
    kinds = [row[2] for row in contents(before)["action"]][known:]
    assert kinds == ["away", "configure", "log", "acknowledge"], "and phone-0001 was done before"
    assert box.answer_to("phone-0001") == ""
    assert [entry.body["text"] for entry in bench.journal.history.entries("feed")] == ["rotifers"]
    bench.power_cut()


def test_the_daemon_goes_on_from_it_and_says_that_the_rules_are_others(before):
    numbers = [row[0] for row in contents_of_events(before)]
    heard = LogCapture()
    structlog.configure(processors=[heard])
    bench = Bench(before.parent, START_MS + 1_000_000, more=PLAN)
    bench.take(steady(60, 26, START_MS + 1_020_000))  # after a silence
    assert [event["judged_by"] for event in heard.entries if event["event"] == "rules_changed"] == [
        "a version before 1"
    ]
    new = [row[0] for row in contents_of_events(before)]
    assert new[: len(numbers)] == numbers
    assert new == list(range(1, len(new) + 1))
    assert len(new) > len(numbers)
    bench.power_cut()
    heard.entries.clear()
    Bench(before.parent, START_MS + 1_080_000, more=PLAN).power_cut()
    assert [event for event in heard.entries if event["event"] in ("rules_changed", "restart_differs")] == []


def contents_of_events(path):
    return rows(path, "event")["event"]


def test_who_reads_or_asks_leaves_it_as_it_is_and_says_so_in_a_line(before):
    was = before.read_bytes()
    with pytest.raises(JournalError, match="layout 2; the next `bellwatch run` brings it up to 3") as refused:
        Journal(before, writable=False)
    assert "\n" not in str(refused.value)
    with pytest.raises(RequestError, match="it takes this up when it runs"):
        ask_daemon(before, "acknowledge", {"alarm": ALARM}, "ada", within_s=0.1)
    assert before.read_bytes() == was


def test_a_step_that_fails_changes_nothing(before):
    with closing(sqlite3.connect(before)) as db:
        db.execute("CREATE TABLE seal (mine TEXT)")
        db.commit()
        was = list(db.iterdump())
    with pytest.raises(JournalError):
        Journal(before, writable=True)
    with closing(sqlite3.connect(before)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (2,)
        assert list(db.iterdump()) == was


@pytest.mark.parametrize("killed", [False, True])
def test_a_journal_of_a_newer_layout_is_refused_and_none_of_its_bytes_change(tmp_path, killed):
    """Also where the newer program was killed, and left its write-ahead log."""
    bench = Bench(tmp_path)
    bench.take(steady(5, 15))
    bench.power_cut()
    db = sqlite3.connect(bench.path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("CREATE TABLE of_the_future (one INTEGER)")
    db.execute("PRAGMA user_version = 99")
    if killed:
        for path in (bench.path, *tmp_path.glob("journal.sqlite-*")):
            (tmp_path / f"left-{path.name}").write_bytes(path.read_bytes())
    db.close()
    path = tmp_path / "left-journal.sqlite" if killed else bench.path
    parts = {part: part.read_bytes() for part in tmp_path.glob(f"{path.name}*") if part.stat().st_size}
    parts.pop(tmp_path / f"{path.name}-shm", None)
    for open_it in (lambda: Journal(path, writable=True), lambda: open_journal(path)):
        with pytest.raises(JournalError, match=r"layout 99, of a newer bellwatch"):
            open_it()
    assert {part: part.read_bytes() for part in parts} == parts
