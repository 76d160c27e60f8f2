"""Where old readings have gone, a replay goes on from the snapshot of a week: as it was, byte for byte."""

import json
import sqlite3

import numpy as np
import pytest
import structlog

from daemon.commands.cli import main
from daemon.journal.dating import Dating
from daemon.journal.inputs import CONFIGURE
from daemon.journal.retention import DAY_MS, let_go
from daemon.replay.replay import replay
from daemon.sources.journal import journal_recording, recorded_events
from daemon.sources.store import stored
from drivers.readings import Reading
from rules.plain import from_plain
from rules.rack.plan import RackPlan
from tests.rigs.bench import START_MS, Bench

DAYS, KEPT_FROM_DAY = 24, 11


@pytest.fixture(autouse=True)
def quiet():
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    yield
    structlog.reset_defaults()


@pytest.fixture
def weeks(tmp_path):
    """Twenty-four days of readings, warm for an hour of each, a snapshot a day; then the oldest eleven go."""
    bench = Bench(tmp_path, silent_after_s=3_600.0)
    dice = np.random.default_rng(3)
    for day in range(DAYS):
        at_ms = START_MS + day * DAY_MS + np.arange(288) * 300_000
        celsius = np.where(
            (np.arange(288) >= 100) & (np.arange(288) < 112), 24.5, dice.normal(15.0, 0.1, 288)
        )
        pairs = zip(at_ms.tolist(), celsius.tolist(), strict=True)
        bench.watch.take([Reading("k1-ct", "temperature", value, at) for at, value in pairs], int(at_ms[-1]))
        bench.watch._keep_snapshot()
    upto = bench.journal.inputs.last_seq_before(START_MS + KEPT_FROM_DAY * DAY_MS)
    while let_go(bench.journal, upto, Dating()):
        pass
    bench.journal.close()
    return bench.path


def numbers(lines):
    return [json.loads(line)["number"] for line in lines]


def test_as_it_was(weeks, capsys):
    assert main(["replay", str(weeks)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    begins = journal_recording(weeks).begins
    lived = recorded_events(weeks, begins["last_number"])
    assert f"all {len(lived)} events since the oldest readings that are kept are those of the time" in said
    assert len(lived) >= 2 * 6, "else hardly anything is compared"
    days = (begins["clock_ms"] - START_MS) / DAY_MS
    assert KEPT_FROM_DAY <= days <= KEPT_FROM_DAY + 7.1, "at most a week is not judged again"


def test_under_a_plan_nothing_is_silent_that_was_not(weeks, tmp_path):
    """The plan of the time given as other settings are: the same events, also from a store."""
    recording = journal_recording(weeks)
    with sqlite3.connect(weeks) as db:
        (body,) = db.execute("SELECT body FROM action WHERE kind = ?", (CONFIGURE,)).fetchone()
    plan = from_plain(RackPlan, {key: value for key, value in json.loads(body).items() if key != "rules"})
    lived = replay(recording, [None])[0].events
    assert [event.condition for event in lived if event.condition == "silent"] == []
    assert replay(recording, [plan])[0].events == lived
    assert replay(stored(recording, tmp_path).recording(), [plan])[0].events == lived


def test_an_unusable_snapshot_gives_way_to_the_next(weeks):
    first = journal_recording(weeks).begins["clock_ms"]
    with sqlite3.connect(weeks) as db:
        db.execute("UPDATE snapshot SET state = '{}' WHERE seq = (SELECT min(seq) FROM snapshot)")
    assert journal_recording(weeks).begins["clock_ms"] > first
    with sqlite3.connect(weeks) as db:
        db.execute("UPDATE snapshot SET state = 'x'")
    assert journal_recording(weeks).begins is None


def test_snapshots_of_what_has_gone_go_too(weeks):
    with sqlite3.connect(weeks) as db:
        kept = [seq for (seq,) in db.execute("SELECT seq FROM snapshot ORDER BY seq")]
        (oldest,) = db.execute("SELECT min(seq) FROM reading").fetchone()
    assert kept[0] >= oldest - 1
    assert len(kept) == 2 + 2, "the newest two, and one of each week that began since"
