"""The one reader of a journal: it follows cheaply, and is never behind, ahead or in the way."""

import json
import sqlite3
from contextlib import closing

import pytest
import structlog

import daemon.view.reader
from daemon.errors import JournalError
from daemon.journal.asking import RequestBox
from daemon.journal.sole_writer import SoleWriter
from daemon.view.reader import JournalView
from rules.readings import Readings
from tests.rigs.bench import START_MS, Bench, steady, swinging
from tests.rigs.places import DATA

SECOND_MS = 1_000


@pytest.fixture
def bench(tmp_path):
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    bench = Bench(tmp_path)
    bench.take(swinging(60))
    yield bench
    bench.power_cut()
    structlog.reset_defaults()


@pytest.fixture
def view(bench):
    return JournalView(bench.settings)


def state_of(sight):
    return json.dumps(sight.engine.snapshot())


def fresh(bench):
    return state_of(JournalView(bench.settings).look(START_MS))


def restores_counted(monkeypatch):
    counted, resume = [], daemon.view.reader.resume

    def counting(journal, **how):
        counted.append(journal.path)
        return resume(journal, **how)

    monkeypatch.setattr(daemon.view.reader, "resume", counting)
    return counted


def replace(bench, content):
    """Stop the watch, and put another file where its journal was."""
    bench.power_cut()
    for path in bench.path.parent.glob("journal.sqlite*"):
        path.unlink()
    bench.path.write_bytes(content)


def test_following_gives_what_restoring_would(bench, view, monkeypatch):
    restores = restores_counted(monkeypatch)
    for turn in range(1, 12):
        bench.take(swinging(17, START_MS + turn * 60 * SECOND_MS))
        if turn % 3 == 0:
            alarm = bench.watch.engine.alarms()[0].name
            RequestBox(bench.path).ask("shelve", "ada", {"alarm": alarm, "for_s": 30, "why": "x"})
            bench.watch.take([], START_MS + turn * 60 * SECOND_MS + 20 * SECOND_MS)
        assert state_of(view.look(START_MS)) == fresh(bench)
    del restores[1::2]  # those of the fresh ones
    assert len(restores) == 6, "the first look alone restores"


def test_only_what_is_new_is_read(bench, view, monkeypatch):
    view.look(START_MS)
    fed, fold = [], daemon.view.reader.fold

    def feeding(engine, item):
        fed.append(item)
        return fold(engine, item)

    monkeypatch.setattr(daemon.view.reader, "fold", feeding)
    view.look(START_MS)
    assert fed == []
    bench.take(steady(3, 15.0, START_MS + 120 * SECOND_MS))
    view.look(START_MS)
    (block,) = fed
    assert len(block) == 3


def test_another_run_of_the_watch_is_restored_anew(bench, view, monkeypatch):
    SoleWriter(bench.path).release()
    view.look(START_MS)
    restores = restores_counted(monkeypatch)
    view.look(START_MS)
    assert restores == []
    SoleWriter(bench.path).release()
    view.look(START_MS)
    assert len(restores) == 1


def test_another_file_at_the_path_is_looked_at_instead(bench, view, tmp_path):
    first = view.look(START_MS)
    (tmp_path / "other").mkdir()
    other = Bench(tmp_path / "other")
    other.take(steady(5, 15.0))
    its_id = other.journal.id
    other.power_cut()
    replace(bench, other.path.read_bytes())
    second = view.look(START_MS)
    assert first.journal.id != second.journal.id == its_id
    assert second.journal.newest_ms == START_MS + 4 * SECOND_MS
    assert second.engine.alarms() == []


def test_a_look_leaves_nothing_in_the_writers_way(bench, view):
    view.look(START_MS)
    bench.take(steady(5, 15.0, START_MS + 120 * SECOND_MS))
    view.look(START_MS)
    busy, *_ = bench.journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0


def test_a_journal_of_another_layout_is_refused_in_a_line_and_left_alone(bench):
    before = (DATA / "journal_layout_1.sqlite").read_bytes()
    replace(bench, before)
    with pytest.raises(JournalError) as refused:
        JournalView(bench.settings).look(START_MS)
    assert str(refused.value).startswith(
        f"journal {bench.path}: layout 1; the next `bellwatch run` brings it up"
    )
    assert "\n" not in str(refused.value)
    assert bench.path.read_bytes() == before


def test_a_broken_file_is_told_in_a_line(bench, view):
    view.look(START_MS)
    replace(bench, b"a note about jellyfish that is longer than a header" * 100)
    with pytest.raises(JournalError, match="file is not a database") as refused:
        view.look(START_MS)
    assert "\n" not in str(refused.value)


def test_a_log_that_a_reader_holds_is_told_and_one_that_is_only_long_for_a_moment_is_not(bench, view):
    def grow(from_s):
        for second in range(from_s, from_s + 4_000, 40):
            bench.watch.take(
                steady(40, 15, START_MS + second * SECOND_MS), START_MS + (second + 39) * SECOND_MS
            )

    grow(100)
    with bench.journal.transaction():
        bench.journal.state.keep_note("long", "x" * 3_000_000)
    seen = view.look(START_MS).journal
    assert (seen.log_bytes > 3_000_000, seen.log_held) == (True, False)
    with closing(sqlite3.connect(bench.path)) as other:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM reading").fetchone()
        for turn in range(3):
            with bench.journal.transaction():
                bench.journal.state.keep_note("long", str(turn) * 3_000_000)
        held = view.look(START_MS).journal
        assert (held.log_bytes > 6_300_000, held.log_held) == (True, True)
    grow(5_000)
    assert not view.look(START_MS).journal.log_held


def test_a_look_past_an_old_snapshot_reads_the_newest_days_only(bench, monkeypatch):
    bench.watch._keep_snapshot()
    for day in range(1, 6):
        start_ms = START_MS + day * 86_400_000
        bench.take(steady(100, 15.0, start_ms))
        bench.take(swinging(30, start_ms + 200_000))
    bench.journal._db.execute("DELETE FROM snapshot WHERE seq > (SELECT min(seq) FROM snapshot)")
    view, read = JournalView(bench.settings), []
    counted = view._counted

    def counting(journal, inputs):
        for item in counted(journal, inputs):
            read.append(item)
            yield item

    monkeypatch.setattr(view, "_counted", counting)
    sight = view.look(START_MS)
    judged = sum(len(it) for it in read if isinstance(it, Readings))
    assert 130 < judged <= 260, "two days out of six"
    assert view.share == 1
    standing = [(alarm.name, alarm.state) for alarm in bench.watch.engine.alarms()]
    assert [(alarm.name, alarm.state) for alarm in sight.engine.alarms()] == standing != []
