"""The box of requests: many writers, a daemon that is away or killed, rows that nobody of ours wrote."""

import json
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
import structlog
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from structlog.testing import LogCapture

from daemon.errors import RequestError
from daemon.journal.asking import BODY_AT_MOST, TAKEN_AT_ONCE, RequestBox, ask_daemon
from rules.deeds import DEEDS
from tests.rigs.bench import START_MS, Bench, contents, quick_folder, steady
from tests.rigs.daemon_run import ROOT
from tests.rigs.examples import examples

ALARM = "k1/temperature/high"


@pytest.fixture(autouse=True)
def said():
    heard = LogCapture()
    structlog.configure(processors=[heard])
    yield heard.entries
    structlog.reset_defaults()


@pytest.fixture
def bench(tmp_path):
    """A watch with a high temperature standing."""
    bench = Bench(tmp_path)
    bench.take(steady(30, 22))
    yield bench
    bench.power_cut()


def put_raw(box, **columns):
    """Write a row as somebody with an editor would."""
    row = {"id": "raw", "kind": "acknowledge", "who": "ada", "body": "{}"} | columns
    box.ask("log", "ada", {}, "to-have-the-box")
    with closing(sqlite3.connect(box.path)) as db:
        names = ", ".join(row)
        db.execute(f"INSERT INTO request ({names}) VALUES ({', '.join('?' * len(row))})", list(row.values()))
        db.commit()


def acted(bench):
    return [row[2] for row in contents(bench.path)["action"] if row[2] != "configure"]


def test_asking_never_opens_the_journal_and_waits_for_a_daemon_that_is_away(tmp_path, bench):
    bench.watch.stop()
    bench.power_cut()
    bench.path.chmod(0o000)
    try:
        with pytest.raises(RequestError, match="no answer from the daemon in 0 s; it takes this up"):
            ask_daemon(bench.path, "acknowledge", {"alarm": ALARM}, "kim", within_s=0.05)
    finally:
        bench.path.chmod(0o600)
    again = Bench(tmp_path, START_MS + 31_000)
    again.watch.take([], START_MS + 31_000)
    done = [(row[2], row[3]) for row in contents(again.path)["action"]][1:]
    assert done == [("away", "watch"), ("acknowledge", "kim")]
    again.power_cut()


def test_what_was_done_but_whose_answer_was_lost_is_answered_and_not_done_again(tmp_path, bench, monkeypatch):
    box = RequestBox(bench.path)
    done, refused = (box.ask("log", "ada", {"vessel": v, "what": "feed"}) for v in ("k1", "k9"))
    monkeypatch.setattr(RequestBox, "answer", lambda *_: None)  # killed between the two commits
    bench.watch.take([], START_MS + 31_000)
    bench.power_cut()
    monkeypatch.undo()
    assert box.answer_to(done) is None
    again = Bench(tmp_path, START_MS + 32_000)
    again.watch.take([], START_MS + 32_000)
    assert acted(again) == ["log", "log"]
    assert len(again.journal.history.entries("feed")) == 1
    assert box.answer_to(done) == ""
    assert "there is no k9" in box.answer_to(refused)
    again.power_cut()


def test_an_id_stands_for_one_request_also_after_the_box_was_lost(bench):
    box = RequestBox(bench.path)
    box.ask("log", "ada", {"vessel": "k1", "what": "feed"}, "mine-1")
    assert box.ask("log", "ada", {"vessel": "k1", "what": "feed"}, "mine-1") == "mine-1"
    with pytest.raises(RequestError, match="id: mine-1 was used for another"):
        box.ask("log", "ada", {"vessel": "k1", "what": "note"}, "mine-1")
    bench.watch.take([], START_MS + 31_000)
    box.path.unlink()
    box.ask("log", "ada", {"vessel": "k1", "what": "note"}, "mine-1")
    bench.watch.take([], START_MS + 32_000)
    assert acted(bench) == ["log"]
    assert "was used for another" in box.answer_to("mine-1")


def test_what_people_write_cannot_forge_a_line_nor_steer_a_terminal(bench):
    box = RequestBox(bench.path)
    body = {"vessel": "k1", "what": "note", "note": "fine\r\n\x9b2J\u202eCRITICAL \ud800k1: [red]0 °C"}
    put_raw(box, kind="log", who="ada\n\x07", body=json.dumps(body))
    bench.watch.take([], START_MS + 31_000)
    assert box.answer_to("raw") == ""
    (entry,) = bench.journal.history.entries("note")
    assert (entry.who, entry.body["note"]) == ("ada ", "fine  2JCRITICAL k1: [red]0 °C")


@pytest.mark.parametrize(
    ("row", "refusal"),
    [
        ({"body": "{"}, "body: no JSON"),
        ({"body": "[" * 30_000}, "body: no JSON"),
        ({"body": "[1]"}, "body: must be a JSON object"),
        ({"body": json.dumps({"text": "x" * BODY_AT_MOST})}, f"at most {BODY_AT_MOST}"),
        ({"kind": "configure"}, "'configure': nothing that people do; known are: acknowledge"),
        ({"kind": "redate"}, "'redate': nothing that people do"),
        ({"kind": "two\nlines\x1b[2J"}, "'two lines[2J'"),
        ({"who": "x" * 201}, "at most 200 characters each"),
        ({"body": '{"alarm": 1e999}'}, "expected a number"),
        ({"body": '{"alarm": NaN}'}, "expected a number"),
        ({"body": '{"alarm": ' + "[" * 8 + "]" * 8 + "}"}, "nested deeper than 8"),
        ({"kind": b"\xff\xfe"}, "id, kind, who and body must be text"),
        ({"who": ""}, "who"),
        ({"body": '{"alarm": ["k1"]}'}, "alarm"),
        ({"body": '{"alarm": "\\udcf8"}'}, "alarm: acknowledge needs one, in words"),
    ],
)
def test_a_row_that_cannot_be_done_is_refused_in_a_line(bench, row, refusal):
    if "who" in row:
        row |= {"kind": "shelve", "body": json.dumps({"alarm": ALARM, "why": "w", "for_s": 60})}
    box = RequestBox(bench.path)
    put_raw(box, **row)
    bench.watch.take([], START_MS + 31_000)
    assert refusal in box.answer_to("raw")
    assert "\n" not in box.answer_to("raw")
    assert set(acted(bench)) <= {"log", "shelve", "acknowledge"}
    assert box.waiting() == []


@pytest.mark.parametrize(("who", "why"), [("ad\udcf8", "w"), ("ada", "k\udcf8ling")])
def test_what_a_terminal_of_another_alphabet_sends_is_refused_before_it_is_asked(bench, who, why):
    with pytest.raises(RequestError, match=r"shelve: a character that cannot be written down; .* UTF-8"):
        ask_daemon(bench.path, "shelve", {"alarm": ALARM, "why": why, "for_s": 60}, who)
    assert not RequestBox(bench.path).path.exists()


def test_however_many_ask_a_turn_takes_up_some_of_them_in_their_order(bench):
    box = RequestBox(bench.path)
    body = json.dumps({"vessel": "k1", "what": "count", "value": 1})
    box.put_first((f"r{number}", "log", "ada", body) for number in range(2 * TAKEN_AT_ONCE + 1))
    waited = 2 * TAKEN_AT_ONCE + 1
    while waited:
        bench.watch.take([], START_MS + 31_000)
        with closing(sqlite3.connect(box.path)) as db:
            (waits,) = db.execute("SELECT count(*) FROM request WHERE answered_ms IS NULL").fetchone()
        assert waited - TAKEN_AT_ONCE <= waits < waited, "at most so many, and none but slow ones fewer"
        waited = waits
    assert len(acted(bench)) == 2 * TAKEN_AT_ONCE + 1


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
KEYS = ("alarm", "why", "for_s", "vessel", "stage", "over_s", "target", "what", "value", "probe", "quantity")
KEYS += (
    "points",
    "standard",
    "note",
    "cleaned",
    "method",
    "instrument",
    "accuracy",
    "scale",
    "temperature_c",
)
KNOWN = st.sampled_from([ALARM, "k1", "vessel/k1", "bench", "k1-ct", "temperature", "salinity", "note", 60])
POINTS = st.sampled_from([[{"read": 1, "true": 2}], [{"read": 1, "true": 1}, {"read": 1, "true": 2}], [1]])


@settings(
    max_examples=examples(75),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    kind=st.sampled_from(sorted(DEEDS)),
    body=st.dictionaries(st.sampled_from(KEYS), KNOWN | POINTS | json_values, max_size=8),
)
def test_whatever_stands_in_the_box_the_watch_goes_on(shared, kind, body):
    bench = shared
    box = RequestBox(bench.path)
    now_ms = bench.watch.engine.clock_ms + 1
    asked = box.ask(kind, "ada", body)
    bench.watch.take([], now_ms)
    assert box.answer_to(asked) is not None
    json.loads(json.dumps(bench.watch.engine.snapshot()))


@pytest.fixture(scope="module")
def shared():
    with quick_folder() as folder:
        bench = Bench(Path(folder))
        bench.take(steady(30, 22))
        yield bench
        bench.power_cut()


def test_many_ask_at_once_and_each_is_done_once(bench):
    script = "import sys; from pathlib import Path; from daemon.journal.asking import RequestBox\n"
    script += "for k in range(10): RequestBox(Path(sys.argv[1])).ask('log', 'kim',"
    script += " {'vessel': 'k1', 'what': 'count', 'value': k})"
    command = [sys.executable, "-c", script, str(bench.path)]
    askers = [subprocess.Popen(command, cwd=ROOT) for _ in range(4)]
    now_ms = START_MS + 31_000
    while any(asker.poll() is None for asker in askers):
        now_ms += 10
        bench.watch.take([], now_ms)
        threading.Event().wait(0.01)
    for turn in range(20):  # a turn in which the box was locked passes it over
        bench.watch.take([], now_ms + turn + 1)
    assert [asker.returncode for asker in askers] == [0] * 4
    counts = [entry.body["value"] for entry in bench.journal.history.entries("count")]
    assert sorted(counts) == sorted(list(range(10)) * 4)


def test_a_box_of_another_layout_is_refused_and_never_migrated(bench, said):
    box = RequestBox(bench.path)
    box.ask("log", "ada", {"vessel": "k1", "what": "feed"})
    with closing(sqlite3.connect(box.path)) as db:
        db.execute("PRAGMA user_version = 7")
    was = box.path.read_bytes()
    with pytest.raises(RequestError, match="layout 7; this bellwatch reads 1") as refused:
        box.ask("log", "ada", {"vessel": "k1", "what": "feed"})
    assert "\n" not in str(refused.value)
    assert box.path.read_bytes() == was
    bench.watch.take([], START_MS + 31_000)
    (aside,) = bench.path.parent.glob("*.requests.unusable-*")
    assert aside.read_bytes() == was, "the daemon goes on without it, and says where it is"
    assert [line["set_aside"] for line in said if line["event"] == "request_box_set_aside"] == [aside.name]
    assert bench.journal.history.newest_notice("requests set aside", "rack").details == {"file": aside.name}


def test_a_box_that_is_no_box_is_set_aside_and_one_that_is_locked_is_looked_at_later(bench, said):
    box = RequestBox(bench.path)
    box.path.write_bytes(b"not a database at all, but long enough to look like one" * 100)
    with pytest.raises(RequestError, match="a running watch sets it aside; then ask again"):
        box.ask("log", "ada", {"vessel": "k1", "what": "feed"})
    bench.watch.take([], START_MS + 31_000)
    assert len(list(bench.path.parent.glob("*.requests.unusable-*"))) == 1
    asked = box.ask("log", "ada", {"vessel": "k1", "what": "feed"})
    with closing(sqlite3.connect(box.path, isolation_level=None)) as holder:
        holder.execute("BEGIN EXCLUSIVE")
        bench.watch.take([], START_MS + 32_000)
        bench.watch.take([], START_MS + 33_000)
    assert sum(line["event"] == "request_box_not_usable" for line in said) == 1
    bench.watch.take([], START_MS + 34_000)
    assert box.answer_to(asked) == ""
    box.path.unlink()
    assert RequestBox(bench.path, 0.1).known_answer(asked) is None
    with pytest.raises(RequestError, match="it and its folder must be writable"):
        box.answer_to(asked)


def test_what_an_older_journal_was_asked_is_done_before_what_was_asked_since(bench):
    box = RequestBox(bench.path)
    box.ask("log", "ada", {}, "since")
    box.put_first([("first", "log", "kim", "{}"), ("second", "log", "kim", "{}")])
    box.put_first([("first", "log", "kim", "{}"), ("earlier", "log", "kim", "{}")])
    assert [request.id for request in box.waiting()] == ["earlier", "first", "second", "since"]


def test_old_answers_are_let_go(bench):
    box = RequestBox(bench.path)
    first = box.ask("log", "ada", {"vessel": "k1", "what": "feed"})
    bench.watch.take([], START_MS + 31_000)
    second = box.ask("log", "ada", {"vessel": "k1", "what": "feed"})
    bench.watch.take([], START_MS + 31_000 + 90_000_000)
    assert (box.answer_to(first), box.answer_to(second)) == (None, "")
