"""A writer killed a thousand times, and a disk that drops or tears what was not synced.

The kills: a child forked from this process (no interpreter to start), writing as fast as it can, is
killed with SIGKILL at a random moment; the next one goes on from what it finds. A killed process
leaves what it wrote in the kernel's cache, so this shows that every moment is safe, not that the
disk is.

The disk: strace records every write, truncation and sync that a real writer makes on the journal and
its write-ahead log. From the record any moment of a power cut can be built: what was synced before
is there; of the writes since, any subset is, in whole or torn at 512-byte sectors, in any order. That
is more than a disk that honours fsync can do to us, and less than one that lies about it.
"""

import json
import os
import random
import re
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from daemon.journal.fold import fold
from daemon.journal.journal import Journal
from tests.rigs import journal_writer
from tests.rigs.bench import START_MS, events_in, quick_folder, refolded_events
from tests.rigs.daemon_run import PATIENCE_S, ROOT

KILLS = int(os.environ.get("BELLWATCH_TEST_KILLS", "20"))
CUTS = int(os.environ.get("BELLWATCH_TEST_POWER_CUTS", "30"))
SEED = 20260815
SECTOR = 512


def check(path):
    """Return readings and events of a journal that must be sound, in order, and true to its inputs."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = db.execute("SELECT seq, at_ms, lag_ms, value FROM reading ORDER BY seq").fetchall()
        events = db.execute("SELECT number, body FROM event ORDER BY number").fetchall()
        outbox = [json.loads(text)[1] for (text,) in db.execute("SELECT payload FROM outbox ORDER BY id")]
    for place, (_, at_ms, lag_ms, value) in enumerate(rows):
        assert (at_ms, lag_ms) == (START_MS + place * 1_000, 0), "none lost, doubled or out of order"
        assert value == journal_writer.celsius(place)
    assert [number for number, _ in events] == list(range(1, len(events) + 1))
    assert outbox == [number for number, _ in events]
    return rows, events


def forked_writer(folder, at_once):
    """Fork a writer; return its process and the pipe on which it says what it has committed."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.dup2(write_end, 1)
            journal_writer.main(folder, at_once, sys.maxsize)
        finally:
            os._exit(1)
    os.close(write_end)
    return child, os.fdopen(read_end, "rb", buffering=0)


def kill_after(child, pipe, seconds):
    """Let a writer commit something and kill it a while later; return the last line that it wrote whole."""
    said = b""
    until = time.monotonic() + PATIENCE_S
    while b"\n" not in said:
        ready, _, _ = select.select([pipe], [], [], max(until - time.monotonic(), 0))
        assert ready, "the writer commits nothing"
        said += pipe.read(65_536)
    deadline = time.monotonic() + seconds
    while (left := deadline - time.monotonic()) > 0:
        if select.select([pipe], [], [], left)[0]:
            said += pipe.read(65_536)
    os.kill(child, signal.SIGKILL)
    while more := pipe.read(65_536):
        said += more
    pipe.close()
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL, "the writer ended by itself"
    whole = said[: said.rindex(b"\n")].splitlines()
    return tuple(map(int, whole[-1].split()))


@pytest.mark.timeout(3_600)
def test_killed_at_any_moment_a_writer_loses_nothing_that_it_has_committed():
    dice = random.Random(SEED)
    with quick_folder() as folder:
        path = Path(folder) / "journal.sqlite"
        kept_events = []
        for kill in range(KILLS):
            child, pipe = forked_writer(Path(folder), dice.choice([1, 3, 20]))
            seq, number = kill_after(child, pipe, dice.uniform(0, 0.03))
            if kill % 10 == 9 or kill == KILLS - 1:
                rows, events = check(path)
                assert rows[-1][0] >= seq
                assert len(events) >= number
                assert events[: len(kept_events)] == kept_events
                kept_events = events
            else:
                with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
                    assert db.execute("SELECT max(seq) FROM reading").fetchone()[0] >= seq
                    assert db.execute("SELECT max(number) FROM event").fetchone()[0] >= number
        assert refolded_events(path) == events_in(path)
        assert len(kept_events) >= 10, "alarms were among it; how many is the machine's affair"


# A disk that drops and tears

CALL = re.compile(
    r"^\d+ +(?P<call>openat|pwrite64|write|ftruncate|fdatasync|fsync|unlink|close)"
    r"\((?P<args>.*?)\) += (?P<result>-?\d+)"
)


def recorded(folder, turns):
    """Run a writer under strace; return its steps on each file: write, truncate or sync, in order.

    A step is (file, what, offset, data). Also returns what the writer said, at its places as steps.
    """
    trace = folder / "trace"
    command = ["strace", "-f", "-xx", "-s", "1000000", "-o", str(trace)]
    command += ["-e", "trace=openat,pwrite64,write,ftruncate,fdatasync,fsync,unlink,close"]
    command += [sys.executable, "-m", "tests.rigs.journal_writer", str(folder), "5", str(turns)]
    subprocess.run(command, cwd=ROOT, check=True, timeout=10 * PATIENCE_S, stdout=subprocess.DEVNULL)
    names, steps = {}, []
    for line in trace.read_text().splitlines():
        found = CALL.match(line)
        if not found or int(found["result"]) < 0:
            continue
        step = _step(found["call"], found["args"], int(found["result"]), names)
        if step:
            steps.append(step)
    return steps


def _step(call, args, result, names):
    if call == "openat":
        name = _bytes(args.split('"')[1]).decode()
        if Path(name).name in ("journal.sqlite", "journal.sqlite-wal"):
            names[result] = Path(name).name
        else:
            names.pop(result, None)
        return None
    if call == "unlink":
        return (Path(_bytes(args.split('"')[1]).decode()).name, "unlink", 0, b"")
    handle = int(args.split(",")[0])
    if call == "close":
        names.pop(handle, None)
        return None
    if call == "write" and handle == 1:
        return ("said", "said", 0, _bytes(args.split('"')[1]))
    return _step_on(names[handle], call, args) if handle in names else None


def _step_on(name, call, args):
    assert call != "write", "SQLite writes at offsets"
    if call == "pwrite64":
        return (name, "write", int(args.rsplit(", ", 1)[1]), _bytes(args.split('"')[1]))
    if call == "ftruncate":
        return (name, "truncate", int(args.rsplit(", ", 1)[1]), b"")
    return (name, "sync", 0, b"")


def _bytes(escaped):
    return bytes.fromhex(escaped.replace("\\x", ""))


class Disk:
    """What lies on a disk after a power cut: all that was synced, and chance's choice of the rest."""

    def __init__(self):
        self.files = {"journal.sqlite": bytearray(), "journal.sqlite-wal": bytearray()}
        self._pending = {name: [] for name in self.files}

    def do(self, step):
        name, what, _, _ = step
        if name not in self.files:
            return
        if what == "sync":
            for waiting in self._pending[name]:
                self._apply(waiting)
            self._pending[name] = []
        else:
            self._pending[name].append(step)

    def cut(self, dice):
        """Return the files as they may lie there after a power cut now."""
        after = Disk()
        after.files = {name: bytearray(data) for name, data in self.files.items()}
        for name, waiting in self._pending.items():
            luck = dice.choice([0.0, 0.5, 0.9, 1.0])
            chosen = [step for step in waiting if dice.random() < luck]
            if dice.random() < 0.3:
                dice.shuffle(chosen)
            for step in chosen:
                after._apply(_torn(step, dice))
            assert name in after.files
        return after.files

    def _apply(self, step):
        name, what, offset, data = step
        content = self.files[name]
        if what in ("truncate", "unlink"):
            del content[offset:]
            content.extend(b"\0" * (offset - len(content)))
        else:
            content.extend(b"\0" * (offset + len(data) - len(content)))
            content[offset : offset + len(data)] = data


def _torn(step, dice):
    """A write as it may reach the disk: whole, or only some of its sectors."""
    name, what, offset, data = step
    if what != "write" or dice.random() < 0.5:
        return step
    keep = dice.randrange(0, len(data) + 1, SECTOR) if len(data) >= SECTOR else dice.choice([0, len(data)])
    return (name, what, offset, data[:keep])


@pytest.mark.timeout(3_600)
@pytest.mark.skipif(
    shutil.which("strace") is None, reason="strace (Debian package strace) records the writes"
)
def test_a_disk_that_drops_and_tears_what_was_not_synced_loses_nothing_committed(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    steps = recorded(folder, turns=400)
    syncs = sum(step[1] == "sync" for step in steps)
    assert syncs > 400, "every commit is synced"
    assert sum(step[1] == "sync" and step[0] == "journal.sqlite" for step in steps) > 1, (
        "checkpoints are in it"
    )
    dice = random.Random(SEED)
    places = sorted(dice.sample(range(len(steps)), min(CUTS, len(steps))))
    disk, said, losses = Disk(), (0, 0), 0
    for place, step in enumerate(steps):
        if places and place == places[0]:
            places.pop(0)
            losses += after_a_cut(tmp_path, disk.cut(dice), said)
        if step[0] == "said":
            said = tuple(map(int, step[3].split()))
        disk.do(step)
    assert losses < CUTS, "most cuts leave something"


def after_a_cut(tmp_path, files, said):
    """Check what is left after a power cut against what the writer had said; 1 where that was nothing yet."""
    place = tmp_path / "after"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    for name, data in files.items():
        if data:
            (place / name).write_bytes(data)
    path = place / "journal.sqlite"
    seq, number = said
    if seq == 0:
        return 1
    Journal(path, writable=True).close()
    rows, events = check(path)
    assert rows[-1][0] >= seq
    assert len(events) >= number
    journal = Journal(path, writable=False)
    engine, again = None, []
    for item in journal.inputs.after(0):
        engine, outcome = fold(engine, item)
        again += outcome.events
    journal.close()
    assert [event.number for event in again] == [number for number, _ in events]
    return 0
