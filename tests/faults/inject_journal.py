"""Damage of the journal's pages while the watch lives, which is killed and begins again on it."""

import os
import sqlite3
from contextlib import closing, contextmanager
from pathlib import Path

from daemon.journal.schema import PAGE_BYTES
from tests.faults.inject_doors import bellwatch, refused_line
from tests.faults.inject_rack import and_watches_on, hot_is_called, told_of
from tests.faults.whole_rack import WholeRack
from tests.rigs.journal_file import asked, pages_of_readings

EVER = 10**9
SAVED = "`bellwatch import FILE NEW` saves"


@contextmanager
def killed(folder):
    """A whole rack whose watch is killed after a hundred readings; its log is folded into the file."""
    with WholeRack(folder) as rack:
        rack.watch.wait_for(lambda: rack.readings() > 120, "some pages")
        rack.watch.kill_after(0.0)
        with closing(sqlite3.connect(rack.journal)) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        yield rack


def begins_anew(rack):
    """Start the watch: it says in one line what it set aside, tells people, and watches on."""
    rack.watch.start()
    rack.watch.wait_for(lambda: "journal_damaged" in rack.watch.log, "the damaged journal set aside")
    rack.watch.wait_for(lambda: rack.readings() > 20, "readings")
    rack.mark()
    came = rack.shown(lambda view: any("damaged" in said.text for said in view.said), 30.0)
    (aside,) = rack.folder.glob("north.sqlite.damaged-????????T??????")
    lines = [line for line in rack.watch.log.splitlines() if "journal_damaged" in line]
    wrong = "" if len(lines) == 1 and str(aside) in lines[0] else f"{len(lines)} lines say it"
    wrong = "a traceback" if "Traceback" in rack.watch.log else wrong
    return and_watches_on(rack, came._replace(wrong=wrong), EVER)


def disk_schema_torn(folder):
    """One bit of the text by which SQLite knows the table of readings: it is no text any more."""
    with killed(folder) as rack:
        content = rack.journal.read_bytes()
        assert content.count(b"CREATE TABLE reading") == 1
        rack.journal.write_bytes(content.replace(b"CREATE TABLE reading", b"CREATE TABL\xc5 reading"))
        return begins_anew(rack)


def disk_readings_torn(folder):
    """A page in the middle of the readings says that it holds fewer: SQLite passes the others over."""
    with killed(folder) as rack:
        content = bytearray(rack.journal.read_bytes())
        head = (pages_of_readings(rack.journal)[3] - 1) * PAGE_BYTES
        assert content[head] == 13, "a leaf of a table; bytes 3 and 4: its count (SQLite file format 1.6)"
        content[head + 4] -= 3
        rack.journal.write_bytes(content)
        for command in (["replay", rack.journal], ["export", folder / "record", "--journal", rack.journal]):
            done, after_s = bellwatch(*command)
            came = refused_line(done, after_s, SAVED)
            if came.after_s is None or len(done.stderr.splitlines()) != 1 or (folder / "record").exists():
                return came._replace(wrong=came.wrong or f"{command[0]}: {done.stderr[-200:]}")
        return begins_anew(rack)


def disk_journal_cut(folder):
    """A third of the file is gone, as of a card that lost what was written last; the alarms lie before."""
    with WholeRack(folder) as rack:
        assert hot_is_called(rack).after_s is not None
        rack.watch.wait_for(lambda: rack.readings() > 300, "some pages")
        rack.watch.stop()
        events = asked(rack.journal, "SELECT number, body FROM event")
        os.truncate(rack.journal, rack.journal.stat().st_size * 2 // 3)
        came = begins_anew(rack)
        kept = asked(rack.journal, "SELECT number, body FROM event")[: len(events)] == events
        return came._replace(wrong=came.wrong or ("" if kept else "what was told before is forgotten"))


def disk_wal_cut(folder):
    """Half of the write-ahead log is gone when the watch begins again after it was killed."""
    with WholeRack(folder) as rack:
        rack.watch.wait_for(lambda: rack.readings() > 120, "some pages")
        rack.watch.kill_after(0.0)
        log = Path(f"{rack.journal}-wal")
        os.truncate(log, log.stat().st_size // 2)
        Path(f"{rack.journal}-shm").unlink()
        rack.begin_anew()
        rack.mark()
        came = rack.shown(lambda view: told_of(view, "journal went back"), 20.0)
        return and_watches_on(rack, came, EVER)
