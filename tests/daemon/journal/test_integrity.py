"""The check beside the watch finds what SQLite's own check does not: a bit that flipped in a row."""

import sqlite3
import threading
from contextlib import closing

import pytest
import structlog
from structlog.testing import LogCapture

from daemon.clock import SteadyClock
from daemon.journal import integrity
from daemon.journal.integrity import IntegrityCheck, open_journal
from daemon.journal.journal import Journal
from daemon.journal.repair import JournalRepair
from daemon.wiring import build
from drivers.readings import Reading
from tests.rigs.bench import START_MS, Bench, contents, swinging
from tests.rigs.daemon_run import PATIENCE_S


@pytest.fixture(autouse=True)
def heard(monkeypatch):
    monkeypatch.setattr(integrity, "BREATHES_S", 0.001)
    heard = LogCapture()
    structlog.configure(processors=[heard])
    yield heard
    structlog.reset_defaults()


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(250))
    bench.watch.stop()
    yield bench
    bench.power_cut()


def checked(path):
    """Run the check once; return it with what it has found."""
    check, stop = IntegrityCheck(path), threading.Event()
    thread = threading.Thread(target=check.run, args=(stop,))
    thread.start()
    for _ in range(int(PATIENCE_S * 100)):
        if not check._findings.empty() or any("journal_" in line["event"] for line in said()):
            break
        stop.wait(0.01)
    stop.set()
    thread.join(PATIENCE_S)
    return check


def said():
    (capture,) = structlog.get_config()["processors"]
    return capture.entries


def test_a_sound_journal_is_said_to_be_sound(bench):
    checked(bench.path).step(0)
    assert [line["event"] for line in said() if "journal_" in line["event"]] == ["journal_sound"]


def test_a_flipped_value_is_told_as_damage_is_and_the_watch_goes_on_under_a_new_run(bench):
    with closing(sqlite3.connect(bench.path)) as db:
        db.execute("UPDATE reading SET value = value + 0.001 WHERE seq = 200")
        db.commit()
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    check = checked(bench.path)
    with pytest.raises(
        sqlite3.DatabaseError, match=r"inputs 200 to 200, .* is not what was written"
    ) as damage:
        check.step(0)
    run, events = bench.journal.run_id, contents(bench.path)["event"]
    JournalRepair(bench.journal, bench.journal.state.dating).mend(damage.value)
    bench.watch.start_over()
    bench.take(swinging(10, START_MS + 251_000))
    (aside,) = bench.path.parent.glob("*.damaged-*[0-9]")
    assert bench.journal.run_id != run
    assert contents(bench.path)["event"][: len(events)] == events
    assert aside.name in str([line for line in said() if line["event"] == "journal_damaged"])
    open_journal(bench.path).close()


def test_a_journal_that_is_away_for_a_moment_is_looked_at_another_day(bench, monkeypatch):
    bench.power_cut()
    gone = bench.path.with_name("elsewhere")
    bench.path.rename(gone)
    checked(bench.path).step(0)
    assert [line["event"] for line in said() if "journal_" in line["event"]] == ["journal_not_checked"]
    gone.rename(bench.path)


def test_a_plan_that_is_no_json_any_more_is_set_aside_at_the_start_and_the_watch_goes_on(bench):
    with closing(sqlite3.connect(bench.path)) as db:
        db.execute("UPDATE action SET body = 'z' || substr(body, 2) WHERE kind = 'configure'")
        db.commit()
    bench.power_cut()
    open_journal(bench.path).close()
    assert "action 1: what is stored is not what was written" in str(said())
    again = Bench(bench.path.parent, now_ms=START_MS + 300_000)
    assert [action.kind for _, action in again.journal.inputs.numbered_actions()] == ["configure"]
    assert again.watch.engine.plan == bench.plan
    again.power_cut()
    open_journal(bench.path).close()
    assert len(list(bench.path.parent.glob("*.damaged-*[0-9]"))) == 1


@pytest.mark.parametrize("pages", [1, 3])
def test_whichever_page_is_torn_the_watch_starts_and_readings_keep_their_probe(tmp_path, pages):
    """Overwrite each page of a small journal in turn; `wiring.build` starts as `bellwatch run` does."""
    bench = Bench(tmp_path)
    bench.take(swinging(60))
    bench.watch.stop()
    bench.power_cut()
    sound = bench.path.read_bytes()
    named = rows_of(bench.path)
    for page in range(1, len(sound) // 4096):
        folder = tmp_path / f"page-{page}"
        folder.mkdir()
        path = folder / bench.path.name
        torn = bytearray(sound)
        torn[page * 4096 : (page + pages) * 4096] = b"\x13" * (pages * 4096)
        path.write_bytes(torn[: len(sound)])
        journal = bench.settings.journal.model_copy(update={"path": path})
        service = build(
            bench.settings.model_copy(update={"journal": journal}), SteadyClock(START_MS + 90_000)
        )
        service._watch.take([Reading("k1-ct", "temperature", 15.0, START_MS + 91_000)], START_MS + 91_000)
        service._leave(on_purpose=False)
        kept = rows_of(path)
        assert kept[-1][2:] == ("k1-ct", "temperature", 15.0), f"page {page}"
        assert set(kept[:-1]) <= set(named), f"page {page}: a reading became another"
        with closing(Journal(path, writable=False)) as after:
            assert after.finding() == "", f"page {page}"


def rows_of(path):
    question = (
        "SELECT seq, at_ms, probe, quantity, value FROM reading JOIN source ON id = source ORDER BY seq"
    )
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return db.execute(question).fetchall()
