"""The copy of a journal's readings: whatever is wrong with it, the same comes of the journal.

That the same inputs give the same events is for `tests/rules/test_engine_law.py`; one replay shows it here.
"""

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from argparse import Namespace
from collections import deque

import numpy as np
import pytest

from daemon.commands.engineer.source_options import open_recording
from daemon.journal.fold import configuring
from daemon.journal.journal import Journal
from daemon.replay.replay import replay
from daemon.sources.columns import folder_of
from daemon.sources.journal import ALONE_BELOW, journal_recording
from daemon.sources.recording import one_by_one
from rules.quality.settings import DEFAULT_QUALITY
from rules.quantities import Quantity
from rules.rack.plan import RackPlan, Source
from rules.rack.stages import DEFAULT_TOLERANCES
from rules.readings import Action, Readings
from tests.rigs.parts.orphans import left_by
from tests.rigs.places import ROOT

START_MS = 1_767_225_600_000  # 2026-01-01 00:00 UTC: three months, so three files
TICKS, STEP_MS = 210_000, 30_000
MONTHS = ["2026-01", "2026-02", "2026-03"]
SOURCES = (
    Source(1, "thermometer", Quantity.TEMPERATURE, "kreisel-1", 120_000),
    Source(2, "cell", Quantity.CONDUCTIVITY, "kreisel-1", 120_000),
)
PLAN = RackPlan(
    "copied", SOURCES, {"kreisel-1": "ephyra"}, {"ephyra": DEFAULT_TOLERANCES["ephyra"]}, DEFAULT_QUALITY
)
DEEDS = (
    ("log", {"vessel": "kreisel-1", "what": "feed", "value": 1.0}),
    ("log", {"vessel": "kreisel-1", "what": "note", "note": "invented"}),
    ("acknowledge", {"alarm": "kreisel-1/temperature/high_high"}),
    (
        "hand_measurement",
        {"vessel": "kreisel-1", "quantity": "temperature", "value": 15.0, "method": "glass"},
    ),
)


def rows_from(tick, ticks):
    """Readings with a warm spell each week; invented."""
    ticks = np.arange(tick, tick + ticks)
    warm = 15.0 + 9.0 * (ticks % 20_160 > 19_000) + 0.01 * (ticks % 7)
    at_ms = (START_MS + ticks * STEP_MS).tolist()
    both = zip(at_ms, warm.tolist(), strict=True)
    return [row for at, value in both for row in ((at, 1, at, value), (at, 2, at - 7, 39.5))]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A journal in commits of a few hours, each sealed, with a note and a move of stage in it."""
    path = tmp_path_factory.mktemp("copied") / "rack.sqlite"
    journal = Journal(path, writable=True)
    with journal.transaction():
        for source in SOURCES:
            assert journal.inputs.source_id(source.probe, source.quantity, source.vessel) == source.id
        journal.inputs.append_action(configuring(PLAN, START_MS))
    for tick in range(0, TICKS, 3_000):
        with journal.transaction():
            journal.inputs.append_readings(rows_from(tick, 3_000))
            at_ms = START_MS + (tick + 2_999) * STEP_MS
            for kind, body in DEEDS:
                journal.inputs.append_action(Action(at_ms, kind, "kim", body))
    journal.close()
    return path


@pytest.fixture
def journal(made, tmp_path):
    """The same journal, without a copy."""
    return moved(made, tmp_path)


def moved(journal, folder):
    path = folder / "rack.sqlite"
    with sqlite3.connect(journal) as one, sqlite3.connect(path) as other:
        one.backup(other)
    other.close()
    return path


@pytest.fixture(scope="module")
def made_and_copied(made, tmp_path_factory):
    path = moved(made, tmp_path_factory.mktemp("with-copies"))
    deque(journal_recording(path, through_copies=True).inputs(), 0)
    return path


@pytest.fixture
def copied(made_and_copied, tmp_path):
    """The same journal with its copies beside it."""
    path = moved(made_and_copied, tmp_path)
    shutil.copytree(folder_of(made_and_copied), folder_of(path))
    return path


@pytest.fixture(scope="module")
def plain(made):
    """What comes of the journal without a copy."""
    recording = journal_recording(made)
    assert recording.readings > ALONE_BELOW, "else nothing is copied"
    return seen(recording)


def seen(recording):
    """All that a recording tells: its readings, bit by bit, and deeds."""
    inputs = list(one_by_one(recording.inputs()))
    items = [item for item in inputs if isinstance(item, Readings)]
    deeds = [item for item in inputs if isinstance(item, Action)]
    names = ("seq", "at_ms", "source", "time_ms", "value")
    return [np.concatenate([getattr(it, name) for it in items]).tobytes() for name in names], deeds


def judged(recording):
    result = replay(recording, [PLAN])[0]
    return result.events, result.refused


def through(path):
    return seen(journal_recording(path, through_copies=True))


def copies(path):
    """The files beside a journal, and when each was written."""
    return {file.name: file.stat().st_mtime_ns for file in sorted(folder_of(path).iterdir())}


def test_absent_and_present(journal, plain):
    events = judged(journal_recording(journal))
    assert events[0], "else nothing is compared"
    assert through(journal) == plain
    first = copies(journal)
    assert list(first) == MONTHS
    assert through(journal) == plain
    assert judged(journal_recording(journal, through_copies=True)) == events
    assert copies(journal) == first
    with sqlite3.connect(journal) as db:
        db.execute("UPDATE reading SET value = 15.0")
    assert through(journal) == plain, "the copies are what is read"


def test_a_journal_that_went_on_has_only_its_last_month_copied_again(copied):
    before = copies(copied)
    with_more = Journal(copied, writable=True)
    with with_more.transaction():
        with_more.inputs.append_readings(rows_from(TICKS, 100))
    with_more.close()
    assert through(copied) == seen(journal_recording(copied))
    after = copies(copied)
    assert [name for name in MONTHS if after[name] == before[name]] == MONTHS[:2]


def test_what_stands_under_other_seals_is_copied_again(copied):
    """A reading that was written anew, and sealed anew, is not hidden by its copy."""
    with sqlite3.connect(copied) as db:
        db.execute("UPDATE reading SET value = 23.9 WHERE seq = 1000")
        db.execute("UPDATE seal SET readings = readings + 1 WHERE last_seq >= 1000 AND first_seq <= 1000")
    assert through(copied) == seen(journal_recording(copied))


def test_copies_of_another_journal_are_not_taken(journal, made_and_copied, plain):
    shutil.copytree(folder_of(made_and_copied), folder_of(journal))
    with sqlite3.connect(journal) as db:
        db.execute("UPDATE meta SET value = 'another' WHERE key = 'id'")
        db.execute("UPDATE reading SET value = 15.0")
    db.close()
    assert through(journal) == seen(journal_recording(journal)) != plain


@pytest.mark.parametrize("damage", ["a bit", "cut", "empty", "longer", "gone"])
def test_a_damaged_copy_is_made_anew(copied, plain, damage):
    file = folder_of(copied) / "2026-02"
    whole = file.read_bytes()
    middle = len(whole) // 2
    broken = {
        "a bit": whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :],
        "cut": whole[: middle - middle % 40],
        "empty": b"",
        "longer": whole + whole[:40],
    }
    if damage == "gone":
        file.unlink()
    else:
        file.write_bytes(broken[damage])
    assert through(copied) == plain
    assert file.read_bytes() == whole


def test_killed_while_it_copies(journal, plain):
    """SIGKILL at several places: what is half written counts for nothing, and goes."""
    code = (
        "import sys; from collections import deque; from pathlib import Path\n"
        "from daemon.sources.journal import journal_recording\n"
        "if __name__ == '__main__':\n"
        "    recording = journal_recording(Path(sys.argv[1]), block=20_000, through_copies=True)\n"
        "    deque(recording.inputs(), 0)\n"
    )
    script = journal.with_name("load.py")
    script.write_text(code)
    for least in (1, 2_000_000, 9_000_000):
        copying = subprocess.Popen(
            [sys.executable, script, journal], env=os.environ | {"PYTHONPATH": str(ROOT)}
        )
        ends = time.monotonic() + 60
        while written(journal) < least and copying.poll() is None and time.monotonic() < ends:
            time.sleep(0.001)
        copying.kill()
        copying.wait(10)
        half = [name for name in copies(journal) if name not in MONTHS]
        assert half or copying.returncode == 0
    assert through(journal) == plain
    assert list(copies(journal)) == MONTHS


def test_killed_while_it_loads_it_leaves_no_process_behind(journal, tmp_path):
    assert left_by(tmp_path / "left", "-m", "daemon", "replay", str(journal)) == []


def written(path):
    folder = folder_of(path)
    return sum(file.stat().st_size for file in folder.iterdir()) if folder.exists() else 0


def test_where_nothing_can_be_written_it_goes_on_without(journal, plain, capsys):
    folder_of(journal).write_text("a file where the folder would be")
    assert through(journal) == plain
    assert "readings_not_copied" in capsys.readouterr().out


def test_what_is_few_is_not_copied(tmp_path):
    path = tmp_path / "few.sqlite"
    few = Journal(path, writable=True)
    with few.transaction():
        few.inputs.source_id("thermometer", "temperature", "kreisel-1")
        few.inputs.append_readings([(START_MS, 1, START_MS, 15.0)])
    few.close()
    deque(journal_recording(path, through_copies=True).inputs(), 0)
    assert not folder_of(path).exists()


def test_where_a_watch_writes_nothing_is_copied_unless_asked(journal):
    """The lock of a watch stays beside its journal; a copy of the journal elsewhere has none."""
    lock = journal.with_name(f"{journal.name}.lock")
    lock.write_text("1\n/nowhere\n")
    asked = {"source": str(journal), "correct_drift": False}
    deque(open_recording(Namespace(**asked, copy=False), None).inputs(), 0)
    assert not folder_of(journal).exists()
    deque(open_recording(Namespace(**asked, copy=True), None).inputs(), 0)
    assert list(copies(journal)) == MONTHS
