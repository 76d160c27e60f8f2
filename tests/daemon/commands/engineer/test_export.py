"""`bellwatch export`: whole or not at all, and one line where it cannot be."""

from contextlib import closing

import pytest

from daemon.commands.cli import main
from daemon.commands.engineer.export import export
from daemon.journal.journal import Journal
from daemon.record.package import folder_tables
from tests.rigs.bench import START_MS, Bench, swinging

pytestmark = pytest.mark.usefixtures("quiet_logs")


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(100))
    yield bench
    bench.power_cut()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["out", "--vessel", "k9"], "no readings of vessel k9; the journal has: k1"),
        (["out", "--from", "yesterday"], "'yesterday' is no time; expected ISO 8601"),
        (["journal.sqlite"], "journal.sqlite: is there already; an export makes a new one"),
        (["none/out"], "none/out: No such file or directory; its folder must be writable and have room"),
        (["none/out.nc"], "none/out.nc: Permission denied; its folder must be writable and have room"),
    ],
)
def test_what_cannot_be_exported_is_said_in_one_line(bench, tmp_path, capsys, arguments, words, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["export", *arguments, "--journal", str(bench.path)]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
    assert not list(tmp_path.glob("out*"))


@pytest.mark.parametrize("target", ["out", "out.nc"])
def test_what_breaks_off_leaves_nothing(bench, tmp_path, target, monkeypatch):
    monkeypatch.setattr("daemon.record.from_journal.JournalTables._reading", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        export(bench.journal, tmp_path / target)
    assert not list(tmp_path.glob("out*"))


def test_an_export_goes_on_while_the_daemon_writes(bench, tmp_path):
    with closing(Journal(bench.path, writable=False)) as reader:
        reader._db.execute("BEGIN")
        reader._db.execute("SELECT count(*) FROM reading").fetchone()
        bench.take(swinging(50, START_MS + 100_000))
        reader._db.execute("ROLLBACK")
        assert export(reader, tmp_path / "out")[0] == 150


def test_a_journal_without_a_plan_says_what_is_missing(tmp_path, capsys):
    with closing(Journal(tmp_path / "bare.sqlite", writable=True)) as journal, journal.transaction():
        source = journal.inputs.source_id("p", "temperature", "v")
        journal.inputs.append_readings([(START_MS, source, START_MS, 15.0)])
    assert main(["export", str(tmp_path / "out"), "--journal", str(tmp_path / "bare.sqlite")]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said == [
        f"{tmp_path}/out: 1 readings",
        "not every reading has calibrated or derived values: the journal does not begin with a plan, so its "
        "readings cannot be judged",
    ]
    assert [name for name, part in folder_tables(tmp_path / "out") if part.num_rows] == [
        "source", "run", "reading",
    ]  # fmt: skip
