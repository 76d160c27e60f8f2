"""What an install asks of the version that is to come: whether it can go on, and what it would forget."""

import json
import sqlite3
from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.commands.install.fits import what_is_carried
from daemon.errors import JournalError
from daemon.journal.journal import Journal
from daemon.journal.schema import SCHEMA_VERSION
from rules.engine import SNAPSHOT_VERSION
from tests.rigs.bench import Bench, contents, steady
from tests.rigs.daemon_run import write_settings

pytestmark = pytest.mark.usefixtures("quiet_logs")


@pytest.fixture
def journal(tmp_path):
    """A journal in which one alarm stands, left by a clean stop."""
    bench = Bench(tmp_path)
    bench.take(steady(100, 30))
    bench.watch.stop()
    bench.power_cut()
    return bench.path


def changed(journal, *statements):
    with closing(sqlite3.connect(journal)) as db, db:
        for statement in statements:
            db.execute(*statement)
    return journal


def test_the_same_version_carries_everything_and_changes_nothing(journal):
    held = contents(journal)
    (line,) = what_is_carried(journal)
    assert line.startswith("carried: ")
    assert "of 0 standing" not in line
    standing, of = line.removeprefix("carried: ").split(" standing")[0].split(" of ")
    assert standing == of
    assert contents(journal) == held


def test_a_snapshot_of_another_version_is_told_by_its_channels(journal):
    with closing(Journal(journal, writable=False)) as kept:
        seq, text = kept.state.snapshots()[0]
    state = json.loads(text) | {"version": 999}
    changed(
        journal, ("DELETE FROM snapshot",), ("INSERT INTO snapshot VALUES (?, ?)", (seq, json.dumps(state)))
    )
    lines = list(what_is_carried(journal))
    (told,) = [line for line in lines if line.startswith("not carried: what was learned")]
    assert "k1/temperature" in told
    assert "999" in told
    assert lines[-1].startswith("carried: ")


@pytest.mark.parametrize("text", ["", '{"packed": "eJ', "[]"])
def test_a_damaged_snapshot_is_told_in_a_line(journal, text):
    """Seen: it ended with a JSONDecodeError, and the install with it."""
    changed(journal, ("UPDATE snapshot SET state = ?", (text,)))
    lines = list(what_is_carried(journal))
    assert lines[0].startswith("not carried: what was learned of the probes (")
    assert lines[-1].startswith("carried: ")


def test_who_cannot_unpack_a_snapshot_reads_of_which_version_it_is(journal):
    """A version of before they were packed goes back by that, with the line above."""
    with closing(sqlite3.connect(journal)) as db:
        stored = [json.loads(text) for (text,) in db.execute("SELECT state FROM snapshot")]
    assert [state["version"] for state in stored] == [SNAPSHOT_VERSION] * len(stored)
    assert len(stored) > 0


def test_a_newer_layout_is_refused_and_an_older_one_told(journal):
    held = contents(journal)
    changed(journal, (f"PRAGMA user_version = {SCHEMA_VERSION + 1}",))
    with pytest.raises(JournalError, match=f"layout {SCHEMA_VERSION + 1}, of a newer bellwatch"):
        list(what_is_carried(journal))
    changed(journal, (f"PRAGMA user_version = {SCHEMA_VERSION}",))
    assert contents(journal) == held
    journal.write_bytes(b"no journal" * 1_000)
    with pytest.raises(JournalError, match="not a database"):
        list(what_is_carried(journal))


def test_wrong_settings_are_said_before_the_journal_is_looked_at(tmp_path, capsys):
    wrong = write_settings(tmp_path, tmp_path / "serial", 1883, journal="kep_days = 3")
    assert main(["fits", "--settings", str(wrong)]) == 2
    assert "keep_days" in capsys.readouterr().err
    right = write_settings(tmp_path, tmp_path / "serial", 1883)
    assert main(["fits", "--settings", str(right)]) == 0
    assert "no journal yet" in capsys.readouterr().out
