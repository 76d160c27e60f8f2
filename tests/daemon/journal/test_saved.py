"""What can be read of a damaged journal is saved: by the watch, and by whoever has a new one made of it."""

import os
import random
from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.journal.integrity import open_journal
from daemon.journal.journal import reading
from daemon.journal.schema import PAGE_BYTES
from tests.rigs.bench import Bench, contents, steady, swinging
from tests.rigs.journal_file import asked, pages_of_readings

pytestmark = pytest.mark.usefixtures("quiet_logs")

LEAF = 13
"""The first byte of a page of rows, by SQLite's file format, 1.6."""
ROWS_OF_A_PAGE = 40


@pytest.fixture
def whole(tmp_path):
    """A journal of a thousand readings with alarms among them, in one file."""
    bench = Bench(tmp_path)
    bench.take([*swinging(100, period=100), *steady(900, 15, 1_760_000_200_000)])
    bench.watch.stop()
    bench.journal.checkpoint()
    bench.power_cut()
    return bench.path


def readings_of(path):
    return asked(path, "SELECT seq, at_ms, source, lag_ms, value FROM reading ORDER BY seq")


def leaves(path):
    """Where the pages of rows of readings begin in the file, from the last to the first."""
    content, starts = path.read_bytes(), [(page - 1) * PAGE_BYTES for page in pages_of_readings(path)]
    return [start for start in starts if content[start] == LEAF]


def test_the_watch_goes_on_with_the_alarms_and_numbers_of_a_journal_that_was_cut_short(whole):
    before = contents(whole)["event"]
    assert len(before) > 3
    os.truncate(whole, leaves(whole)[9])
    with closing(open_journal(whole)) as journal:
        assert journal.history.last_event_number() == len(before)
        assert [run.reason.split()[0] for run in journal.state.runs()] == ["first", "damaged"]
    assert contents(whole)["event"] == before


def test_what_lies_between_torn_pages_is_saved_and_what_is_lost_is_missed(whole, tmp_path, capsys):
    written, made, dice = readings_of(whole), tmp_path / "saved.sqlite", random.Random(20261129)
    events, content = contents(whole)["event"], bytearray(whole.read_bytes())
    torn = [leaves(whole)[place] for place in (5, 6, 20)]
    for start in torn:
        content[start : start + PAGE_BYTES] = dice.randbytes(PAGE_BYTES)
    whole.write_bytes(content)
    assert main(["replay", str(whole)]) == 2
    assert "`bellwatch import FILE NEW` saves what can be read" in capsys.readouterr().err
    assert main(["import", str(whole), str(made)]) == 0
    saved = readings_of(made)
    assert set(saved) < set(written)
    assert len(torn) <= len(written) - len(saved) <= len(torn) * ROWS_OF_A_PAGE
    assert contents(made)["event"] == events
    with reading(made) as journal:
        assert journal.finding() == ""
        assert "damaged" in journal.state.runs()[-1].reason
    assert main(["replay", str(made), "--settings", str(tmp_path / "bench.toml")]) == 0


def test_of_a_journal_that_was_cut_short_all_before_the_cut_is_saved(whole, tmp_path):
    written, made = readings_of(whole), tmp_path / "saved.sqlite"
    os.truncate(whole, leaves(whole)[9])
    assert main(["import", str(whole), str(made)]) == 0
    saved = readings_of(made)
    assert 400 < len(saved) < len(written)
    assert saved == written[: len(saved)]


def test_a_number_that_became_a_larger_one_hides_only_what_is_on_its_page(whole, tmp_path):
    written, made, content = readings_of(whole), tmp_path / "saved.sqlite", bytearray(whole.read_bytes())
    start = leaves(whole)[10]
    cell = start + int.from_bytes(content[start + 16 : start + 18], "big")  # of the fifth row
    assert content[cell + 1] & 0x80, "a number of two bytes, behind the row's length in one"
    content[cell + 1] = 0xFF
    whole.write_bytes(content)
    assert main(["import", str(whole), str(made)]) == 0
    saved = readings_of(made)
    assert set(saved) < set(written)
    assert len(written) - len(saved) <= ROWS_OF_A_PAGE


def test_a_sound_journal_and_one_of_which_nothing_can_be_read_are_refused(whole, tmp_path, capsys):
    made = tmp_path / "saved.sqlite"
    assert main(["import", str(whole), str(made)]) == 2
    assert "which `bellwatch replay` takes as it is" in capsys.readouterr().err
    whole.write_bytes(whole.read_bytes()[:100] + bytes(5_000))
    assert main(["import", str(whole), str(made)]) == 2
    assert "nothing of it can be read" in capsys.readouterr().err
    assert not made.exists()
