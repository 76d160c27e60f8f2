"""Damage inside stored text: the watch starts from whatever can be read, and says what is missing."""

import re
import sqlite3
from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.errors import BellwatchError
from daemon.journal.asking import RequestBox
from daemon.journal.fold import UNUSABLE_INPUT
from daemon.journal.history import Entry
from daemon.journal.integrity import open_journal
from daemon.journal.journal import Journal
from daemon.journal.schema import PAGE_BYTES
from daemon.replay.replay import replay
from daemon.sources.journal import journal_recording
from rules.readings import Action, Notice
from tests.rigs.bench import START_MS, Bench, steady, swinging
from tests.rigs.daemon_run import write_settings

pytestmark = pytest.mark.usefixtures("quiet_logs")

BAD = b"\xff\xfe"


def damaged(folder, *changes):
    """A journal with alarms in which some rows were changed below everything."""
    bench = Bench(folder)
    bench.take(swinging(100, period=100))
    bench.watch.stop()
    bench.power_cut()
    with closing(sqlite3.connect(bench.path)) as db, db:
        for change, *values in changes:
            assert db.execute(change, values).rowcount, change
    return bench.path


SNAPSHOT = ("UPDATE snapshot SET state = CAST(? || substr(CAST(state AS BLOB), 3) AS TEXT)", BAD)
NO_JSON = ("UPDATE action SET body = '{' WHERE kind = 'configure'",)
NO_PLAN = ("UPDATE action SET body = '{\"rack\": 7}' WHERE kind = 'configure'",)
NO_TEXT = ("UPDATE action SET body = CAST(? || substr(CAST(body AS BLOB), 3) AS TEXT)", BAD)
NO_EVENT = ("UPDATE event SET body = '{\"alarm\": 1}' WHERE number = 2",)


@pytest.mark.parametrize(
    "changes",
    [
        (SNAPSHOT,),
        (SNAPSHOT, NO_JSON),
        (SNAPSHOT, NO_PLAN),
        (SNAPSHOT, NO_TEXT),
        (NO_EVENT,),
        (SNAPSHOT, NO_EVENT),
    ],
    ids=["snapshots", "no JSON", "no plan", "no text", "an event", "snapshots and an event"],
)
def test_the_watch_starts_raises_what_there_is_and_uses_no_number_twice(tmp_path, changes):
    path = damaged(tmp_path, *changes)
    before = open_journal(path)  # which may set it aside and begin anew
    known = before.history.last_event_number()
    before.close()
    assert known > 3
    bench = Bench(tmp_path, START_MS + 101_000)
    bench.take(steady(10, 15, START_MS + 102_000))
    bench.take(steady(20, 29, START_MS + 112_000))
    fresh = bench.journal.history.event_bodies(known)
    assert [body["number"] for body in fresh] == list(range(known + 1, known + 1 + len(fresh)))
    assert any(body["condition"] == "high" for body in fresh), "an alarm of after the damage"
    bench.power_cut()
    bench = Bench(tmp_path, START_MS + 140_000)
    bench.power_cut()


def test_inputs_that_make_no_sense_are_told(tmp_path):
    path = damaged(tmp_path, SNAPSHOT, NO_PLAN)
    bench = Bench(tmp_path, START_MS + 101_000)
    notice = bench.journal.history.newest_notice(UNUSABLE_INPUT, "rack")
    assert notice is not None
    assert notice.details["inputs"] == 101, "the plan, and a hundred readings without one"
    assert path == bench.path
    bench.power_cut()


def damage_schema(path):
    """Make the text no text by which SQLite knows a file's tables; its own message quotes it."""
    content = path.read_bytes()
    assert b"CREATE TABLE" in content
    path.write_bytes(content.replace(b"CREATE TABLE", b"CREATE TABL\xff"))


def test_a_journal_whose_schema_is_no_text_is_set_aside_and_told_to_who_replays_it(tmp_path):
    path = damaged(tmp_path)
    damage_schema(path)
    with pytest.raises(BellwatchError, match="malformed database schema"):
        journal_recording(path)
    open_journal(path).close()
    assert list(tmp_path.glob("*.damaged-*"))
    bench = Bench(tmp_path, START_MS + 101_000)
    bench.take(swinging(100, period=100, start_ms=START_MS + 102_000))
    assert bench.journal.history.last_event_number() > 3
    bench.power_cut()


def test_a_request_box_whose_schema_is_no_text_is_set_aside(tmp_path):
    bench = Bench(tmp_path)
    box = RequestBox(bench.path)
    box.ask("log", "ada", {"note": "invented"})
    damage_schema(box.path)
    bench.take(steady(3, 15))
    assert list(tmp_path.glob("*.requests.unusable-*"))
    bench.power_cut()


@pytest.mark.parametrize("command", [["calibrations"], ["status"], ["due"]])
def test_a_look_at_a_journal_that_is_damaged_is_one_line(tmp_path, capsys, command):
    settings = write_settings(tmp_path, tmp_path / "none", 1)
    path = damaged(tmp_path)
    assert path == tmp_path / "journal.sqlite"
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(2 * PAGE_BYTES)
        file.write(bytes(size - 2 * PAGE_BYTES))
    assert main([*command, "--settings", str(settings)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "malformed" in line
    assert "in a moment" not in line


CHANGED_PLAN = ("UPDATE action SET body = replace(body, 'every_ms', 'evesy_ms') WHERE kind = 'configure'",)
HANDOVER = ["handover", "--night", "2025-10-09"]


def one_line(capsys, arguments):
    """What a command says of damage in its last line, as it ends with an error."""
    assert main([str(it) for it in arguments]) == 2
    said = capsys.readouterr().err
    assert "Traceback" not in said
    return said.splitlines()[-1]


@pytest.mark.parametrize("plan", [NO_JSON, NO_PLAN, NO_TEXT, CHANGED_PLAN])
@pytest.mark.parametrize("command", [["replay"], HANDOVER])
def test_a_plan_that_is_damaged_is_told_to_whoever_has_the_water_judged_again(
    tmp_path, capsys, command, plan
):
    settings = write_settings(tmp_path, tmp_path / "none", 1)
    path = damaged(tmp_path, plan)
    of = [path] if command == ["replay"] else ["--settings", settings]
    assert "a plan in the journal is damaged" in one_line(capsys, [*command, *of])


@pytest.mark.parametrize("command", [["status"], ["due"], ["calibrations"], HANDOVER])
def test_a_journal_of_which_nothing_can_be_judged_is_not_called_empty(tmp_path, capsys, command):
    settings = write_settings(tmp_path, tmp_path / "none", 1)
    damaged(tmp_path, SNAPSHOT, NO_PLAN)
    line = one_line(capsys, [*command, "--settings", settings])
    assert line.endswith("nothing in it can be judged; it is damaged")


def test_under_other_settings_a_damaged_plan_is_not_asked_for(tmp_path, capsys):
    path = damaged(tmp_path, NO_TEXT)
    assert main(["replay", str(path), "--settings", str(tmp_path / "bench.toml")]) == 0
    assert "unreadable" not in capsys.readouterr().out


def test_an_event_that_is_damaged_is_not_as_it_was(tmp_path, capsys):
    path = damaged(tmp_path, NO_EVENT)
    assert main(["replay", str(path)]) == 1
    assert "the first that differs is number 2" in " ".join(capsys.readouterr().out.split())


def test_a_calibration_that_is_damaged_is_missed(tmp_path, capsys):
    bench = Bench(tmp_path)
    points = [{"read": 15.2, "true": 15.0, "uncertainty": 0.05}]
    about = {"probe": "k1-ct", "quantity": "temperature", "standard": "ice point", "points": points}
    with bench.journal.transaction():
        for _ in range(2):
            bench.journal.inputs.append_action(Action(START_MS, "calibrate", "ada", about))
    settings = write_settings(tmp_path, tmp_path / "none", 1)
    assert main(["calibrations", "--settings", str(settings)]) == 0
    with closing(sqlite3.connect(bench.path)) as db, db:
        db.execute("UPDATE action SET body = '{' WHERE seq = (SELECT max(seq) FROM action)")
    assert "1 more cannot be read" in one_line(capsys, ["calibrations", "--settings", settings])
    bench.power_cut()


@pytest.mark.parametrize("command", [["status"], ["due"], HANDOVER, ["log", "k1"]])
def test_an_entry_and_a_notice_that_are_damaged_take_no_screen_with_them(tmp_path, capsys, command):
    bench = Bench(tmp_path)
    settings = write_settings(tmp_path, tmp_path / "none", 1)
    bench.take(steady(120, 15))
    said = {"vessel": "k1", "quantity": "temperature", "value": 15.0}
    with bench.journal.transaction():
        bench.journal.history.keep_entry(Entry(50, "hand_measurement", START_MS + 50_000, "ada", "k1", said))
    notice = Notice("backup old", START_MS + 100_000, "rack", {"why": "invented"})
    bench.journal.history.keep_notices([notice])
    assert bench.journal.history.newest_notice("backup old", "rack") == notice
    bench.watch.stop()
    bench.power_cut()
    with closing(sqlite3.connect(bench.path)) as db, db:
        assert db.execute("UPDATE entry SET body = replace(body, 'temperature', 'temPerature')").rowcount == 1
        assert db.execute("UPDATE notice SET body = replace(body, 'kind', 'kinD')").rowcount > 0
    assert main([*command, "--settings", str(settings)]) in (0, 5)
    shown = " ".join(capsys.readouterr().out.split())
    assert ("damaged: it cannot be read" in shown) == (command[0] == "log")


@pytest.mark.parametrize("where", ["action", "snapshot"])
def test_a_digit_that_makes_a_plan_absurd_is_damage_and_ends_no_watch(tmp_path, where):
    path = damaged(tmp_path)
    with closing(Journal(path, writable=False)) as journal:
        states = dict(journal.state.snapshots())
    with closing(sqlite3.connect(path)) as db, db:
        bodies = dict(db.execute("SELECT seq, body FROM action")) if where == "action" else states
        column = "body" if where == "action" else "state"
        for seq, body in bodies.items():
            absurd = re.sub(r'("sensor_range": \{"low": )[-.0-9]+', r"\g<1>99", body)
            assert absurd != body
            db.execute(f"UPDATE {where} SET {column} = ? WHERE seq = ?", (absurd, seq))
    bench = Bench(tmp_path, START_MS + 101_000)
    bench.take(steady(20, 29, START_MS + 102_000))
    assert any(alarm.name.endswith("high_high") for alarm in bench.watch.engine.alarms())
    bench.power_cut()
    if where == "action":
        with pytest.raises(BellwatchError, match="a plan in the journal is damaged"):
            replay(journal_recording(path), [None])
