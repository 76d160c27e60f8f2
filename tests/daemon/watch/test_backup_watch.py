"""A backup that fails or grows old is told, once a day; one that is well is not."""

import pytest

from daemon.broker.notices import DAY_MS, Notices
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from daemon.watch.backup_watch import HOUR_MS, BackupWatch, LastBackup, last_backup, note_backup
from tests.rigs.bench import START_MS, Bench, steady

pytestmark = pytest.mark.usefixtures("quiet_logs")


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    bench.take(steady(5, 15))
    yield bench
    bench.power_cut()


def told(bench):
    view = rack_now(JournalView(bench.settings), START_MS + 5_000)
    return sorted(it.kind for it in view.said if it.kind.startswith("backup"))


def watching(bench):
    return BackupWatch(Notices(bench.journal, lambda _: []), 50.0, lambda at_ms: at_ms)


def test_one_that_was_made_is_not_told_until_it_is_old(bench):
    watch = watching(bench)
    note_backup(bench.path, LastBackup(START_MS, "journal-x.sqlite"))
    watch.step(START_MS + 49 * HOUR_MS)
    assert told(bench) == []
    watch.step(START_MS + 51 * HOUR_MS)
    assert told(bench) == ["backup old"]
    times = []
    for hour in range(52, 52 + 24):
        watch.step(START_MS + hour * HOUR_MS)
        times.append(bench.journal.history.newest_notice("backup old", "rack").at_ms)
    assert sorted(set(times)) == [START_MS + 51 * HOUR_MS, START_MS + 51 * HOUR_MS + DAY_MS]


def test_none_yet_and_a_note_that_makes_no_sense_are_old(bench):
    bench.path.with_name(bench.path.name + ".backup").write_bytes(b"\xff{")
    assert last_backup(bench.path) == LastBackup()
    watching(bench).step(START_MS)
    assert told(bench) == ["backup old"]


def test_a_failure_is_told_with_its_reason_and_ends_with_the_next_success(bench):
    watch = watching(bench)
    note_backup(bench.path, LastBackup(START_MS, "journal-x.sqlite", "no room"))
    watch.step(START_MS + 1)
    assert told(bench) == ["backup failed"]
    assert bench.journal.history.newest_notice("backup failed", "rack").details == {"why": "no room"}
    note_backup(bench.path, LastBackup(START_MS + 2, "journal-y.sqlite"))
    watch.step(START_MS + 2 * DAY_MS)
    assert told(bench) == ["backup failed"]
