"""A damaged journal gives the readings that were written, or says so; whatever part of it is damaged."""

import random
import sqlite3

import numpy as np
import pytest
from structlog.testing import capture_logs

from daemon.commands.engineer.export import export
from daemon.errors import BellwatchError, SourceError
from daemon.journal.journal import Journal
from daemon.journal.schema import PAGE_BYTES
from daemon.sources.journal import journal_recording
from rules.readings import Action
from tests.rigs.journal_file import pages_of_readings

START_MS = 1_800_000_000_000
COMMITS, AT_ONCE = 60, 31


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A journal of 60 commits, with one note among its readings."""
    path = tmp_path_factory.mktemp("whole") / "journal.sqlite"
    journal = Journal(path, writable=True)
    source = journal.inputs.source_id("k1-multi", "temperature", "k1")
    for commit in range(COMMITS):
        times = [START_MS + 10_000 * (commit * AT_ONCE + each) for each in range(AT_ONCE)]
        with journal.transaction():
            journal.inputs.append_readings((at_ms, source, at_ms, 14 + at_ms % 7 / 10) for at_ms in times)
            if commit == COMMITS // 2:
                journal.inputs.append_action(Action(times[-1], "log", "ada", {"note": "invented"}))
    journal.close()
    return path


def rows_of(path):
    blocks = [block for block in journal_recording(path, block=500).inputs() if hasattr(block, "seq")]
    return np.concatenate([np.array([it.seq, it.at_ms, it.source, it.time_ms, it.value]) for it in blocks], 1)


def copy_of(whole, tmp_path):
    damaged = tmp_path / "journal.sqlite"
    damaged.write_bytes(whole.read_bytes())
    return damaged


def let_go(path, upto):
    """Do to readings up to a number what retention does."""
    journal = Journal(path, writable=True)
    with journal.transaction():
        journal.inputs.let_go(upto)
        journal.state.unseal_readings(upto)
    journal.close()


@pytest.mark.parametrize("part", ["head", "tail", "all", "a bit", "another bit"])
def test_what_comes_of_a_damaged_page_is_what_was_written_or_it_is_said(whole, tmp_path, part):
    written, pages = rows_of(whole), pages_of_readings(whole)
    assert written.shape[1] == COMMITS * AT_ONCE
    assert len(pages) > 60
    dice, told = random.Random(f"20261129 {part}"), 0
    for page in pages:
        damaged = copy_of(whole, tmp_path)
        content = bytearray(damaged.read_bytes())
        start, end = (page - 1) * PAGE_BYTES, page * PAGE_BYTES
        if part.endswith("bit"):
            content[dice.randrange(start, end)] ^= 1 << dice.randrange(8)
        else:
            start += PAGE_BYTES // 2 if part == "tail" else 0
            end -= PAGE_BYTES // 2 if part == "head" else 0
            content[start:end] = dice.randbytes(end - start)
        damaged.write_bytes(content)
        with capture_logs() as logs:
            try:
                came = rows_of(damaged)
            except BellwatchError:
                told += 1
                continue
        said = any(it["event"] == "readings_not_as_written" for it in logs)
        assert said or np.array_equal(came, written), f"page {page}"
        told += said
    assert told > len(pages) / 2


@pytest.mark.parametrize("gone", ["seq <= 200", "seq BETWEEN 300 AND 340", "seq > 1700"])
def test_a_recovered_journal_is_judged_as_it_is_and_what_is_missing_is_said(whole, tmp_path, gone):
    path = copy_of(whole, tmp_path)
    with sqlite3.connect(path) as db:
        lost = db.execute(f"DELETE FROM reading WHERE {gone}").rowcount
    db.close()
    with capture_logs() as logs:
        assert rows_of(path).shape[1] == COMMITS * AT_ONCE - lost
    (said,) = logs
    assert said["event"] == "readings_not_as_written"


def test_of_readings_from_before_there_were_seals_it_is_said_how_many_are_missing(whole, tmp_path):
    path = copy_of(whole, tmp_path)
    with sqlite3.connect(path) as db:
        db.execute("DELETE FROM seal")
        db.execute("DELETE FROM reading WHERE seq BETWEEN 600 AND 640")
    db.close()
    with capture_logs() as logs:
        assert rows_of(path).shape[1] == COMMITS * AT_ONCE - 41
    assert [it["why"] for it in logs] == ["of 499 numbered 501 to 1000 are 458"]


def test_a_reading_that_was_changed_is_said_by_its_commit(whole, tmp_path):
    path = copy_of(whole, tmp_path)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE reading SET value = value + 1 WHERE seq = 40")
    db.close()
    with capture_logs() as logs:
        rows_of(path)
    assert "32 to 62 is not what was written" in logs[0]["why"]


def test_what_retention_let_go_is_not_missing(whole, tmp_path):
    path = copy_of(whole, tmp_path)
    let_go(path, 100)
    with capture_logs() as logs:
        assert rows_of(path).shape[1] == COMMITS * AT_ONCE - 100
    assert logs == []


def test_a_record_is_not_made_of_a_damaged_journal_and_says_what_was_changed(whole, tmp_path):
    path = copy_of(whole, tmp_path)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE reading SET value = value + 1 WHERE seq = 40")
    db.close()
    journal = Journal(path, writable=False)
    _, notes = export(journal, tmp_path / "changed")
    assert any("not what was written" in note for note in notes)
    journal.close()
    page = pages_of_readings(path)[5]
    content = bytearray(path.read_bytes())
    content[(page - 1) * PAGE_BYTES + 200 : page * PAGE_BYTES] = bytes(PAGE_BYTES - 200)
    path.write_bytes(content)
    journal = Journal(path, writable=False)
    with pytest.raises(SourceError, match="bellwatch import"):
        export(journal, tmp_path / "damaged")
    journal.close()
    assert not (tmp_path / "damaged").exists()


def test_numbers_before_the_first_reading_or_past_the_last_are_asked_for_in_peace(whole, tmp_path):
    path = copy_of(whole, tmp_path)
    let_go(path, 100)
    with capture_logs() as logs:
        for after, upto in ((0, 50), (100, 60), (5_000, 9_000)):
            recording = journal_recording(path, after=after, upto=upto)
            assert not [it for it in recording.inputs() if hasattr(it, "seq")]
    assert logs == []


@pytest.mark.parametrize("gone", ["seq = 1", "seq <= 10", "seq > 1850"])
def test_a_part_of_the_first_or_the_last_commit_that_is_missing_is_said(whole, tmp_path, gone):
    path = copy_of(whole, tmp_path)
    with sqlite3.connect(path) as db:
        db.execute(f"DELETE FROM reading WHERE {gone}")
    db.close()
    with capture_logs() as logs:
        rows_of(path)
    (said,) = logs
    assert "not what was written" in said["why"]


def test_what_retention_lets_go_while_a_replay_goes_on_is_not_missing(whole, tmp_path):
    path = copy_of(whole, tmp_path)
    with capture_logs() as logs:
        inputs = journal_recording(path, block=500).inputs()
        for upto in (200, 700):
            let_go(path, upto)
            next(inputs)
        list(inputs)
    assert logs == []


def test_a_commit_that_a_copied_month_cuts_is_not_held_against_what_is_in_the_copy(tmp_path, monkeypatch):
    path = tmp_path / "journal.sqlite"
    journal = Journal(path, writable=True)
    source = journal.inputs.source_id("k1-multi", "temperature", "k1")
    for commit in range(COMMITS):  # over 70 days: three months
        times = [START_MS + 3_250_000 * (commit * AT_ONCE + each) for each in range(AT_ONCE)]
        with journal.transaction():
            journal.inputs.append_readings((at_ms, source, at_ms, 14.0) for at_ms in times)
    journal.close()
    monkeypatch.setattr("daemon.sources.journal.ALONE_BELOW", 0)

    def read():
        return list(journal_recording(path, through_copies=True).inputs())

    read()
    first, _, last = sorted(tmp_path.glob("journal.sqlite.columns/*"))
    first.unlink()
    last.unlink()
    with capture_logs() as logs:
        read()
    assert logs == []
