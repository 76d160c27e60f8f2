"""A rack of one vessel for tests of the journal: readings by the second, alarms that come and go.

All numbers are invented. `Bench` is the watch as the daemon runs it, on a file, without wires.
"""

import json
import math
import tempfile
from pathlib import Path

from daemon.check.load import load_settings
from daemon.journal.fold import fold
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.settings.plan import rack_plan
from daemon.watch.watch import Watch
from drivers.readings import Reading
from rules.plain import to_plain
from rules.readings import Notice
from tests.rigs.daemon_run import write_settings

START_MS = 1_760_000_000_000


def swinging(count, start_ms=START_MS, every_ms=1_000, period=40):
    """Readings that swing through every limit of the bench."""
    return [
        Reading("k1-ct", "temperature", 15 + 14 * math.sin(k * 2 * math.pi / period), start_ms + k * every_ms)
        for k in range(count)
    ]


def steady(count, celsius, start_ms=START_MS, every_ms=1_000):
    """Readings that hardly move."""
    return [
        Reading("k1-ct", "temperature", celsius + 0.01 * (k % 7), start_ms + k * every_ms)
        for k in range(count)
    ]


def quick_folder():
    """A folder in memory where there is one: thousands of commits need no disk to wait for."""
    return tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)


class Bench:
    """A watch on a journal in `folder`; a new one on the same folder is a restart after a power cut."""

    def __init__(self, folder: Path, now_ms=START_MS, commit_every_ms=0, more="", silent_after_s=5.0):
        self.path = folder / "journal.sqlite"
        written = write_settings(
            folder,
            folder / "serial",
            1883,
            silent_after_s=silent_after_s,
            every_s=1,
            more=more,
            name="bench.toml",
        )
        self.settings = load_settings(written)
        self.journal = Journal(self.path, writable=True)
        self.plan = rack_plan(self.settings, self.journal.inputs.source_id)
        self.watch = Watch(self.journal, self.plan, now_ms, self.words, commit_every_ms)

    def words(self, said):
        """Messages of events alone: a notice (the watch was away) is not told here."""
        if isinstance(said, Notice):
            return []
        return [Message("bench/event", json.dumps([self.journal.id, said.number]), retain=False)]

    def take(self, readings, later_ms=0):
        """Take readings one by one, the clock showing `later_ms` after each."""
        for reading in readings:
            self.watch.take([reading], reading.time_ms + later_ms)

    def power_cut(self):
        self.journal.close()


def contents(path):
    """Everything that the rules put in and took out, as plain rows."""
    journal = Journal(path, writable=False)
    tables = {
        table: journal._db.execute(f"SELECT * FROM {table} ORDER BY {key}").fetchall()
        for table, key in (
            ("reading", "seq"),
            ("event", "number"),
            ("flag", "seq, channel"),
            ("action", "seq"),
        )
    }
    tables["outbox"] = journal._db.execute("SELECT topic, payload FROM outbox ORDER BY id").fetchall()
    journal.close()
    return tables


def refolded_events(path):
    """The events that a fresh engine makes of the journal's inputs."""
    journal = Journal(path, writable=False)
    engine, events = None, []
    for item in journal.inputs.after(0):
        engine, outcome = fold(engine, item)
        events += outcome.events
    journal.close()
    return [json.loads(json.dumps(to_plain(event))) for event in events]


def events_in(path):
    journal = Journal(path, writable=False)
    bodies = journal.history.event_bodies()
    journal.close()
    return bodies
