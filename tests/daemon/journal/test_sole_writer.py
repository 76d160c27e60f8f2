"""One daemon to a journal, also between processes, and until the end of the process however it comes."""

import os
import subprocess
import sys
from sqlite3 import OperationalError

import pytest

from daemon.errors import JournalError
from daemon.journal.sole_writer import SoleWriter, holder_of
from tests.rigs.daemon_run import PATIENCE_S, ROOT
from tests.rigs.parts.ordinary_user import needs_root, ordinary_user

HOLDER = """
import sys
from pathlib import Path
from daemon.journal.sole_writer import SoleWriter
holding = SoleWriter(Path(sys.argv[1]))
print("holding", flush=True)
sys.stdin.read()
"""


def test_another_process_is_refused_until_the_first_one_ends_even_by_a_kill(tmp_path):
    journal = tmp_path / "journal.sqlite"
    pipe = subprocess.PIPE
    command = [sys.executable, "-c", HOLDER, str(journal)]
    with subprocess.Popen(command, cwd=ROOT, stdin=pipe, stdout=pipe, text=True) as first:
        assert first.stdout.readline() == "holding\n"
        with pytest.raises(JournalError) as refused:
            SoleWriter(journal)
        first.kill()
        first.wait(PATIENCE_S)
    assert f"process {first.pid} is writing it" in str(refused.value)
    assert "\n" not in str(refused.value)
    SoleWriter(journal).release()


def test_it_is_let_go_and_taken_again(tmp_path):
    journal = tmp_path / "deep" / "journal.sqlite"
    first = SoleWriter(journal)
    with pytest.raises(JournalError, match=f"process {os.getpid()} is writing it"):
        SoleWriter(journal)
    first.release()
    second = SoleWriter(journal)
    second.release()


def test_a_folder_that_cannot_be_is_told_in_a_line(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match=r"its folder must exist, and both be writable") as refused:
        SoleWriter(tmp_path / "file" / "journal.sqlite")
    assert "\n" not in str(refused.value)


def test_a_folder_in_the_place_of_the_beat_is_told_in_a_line(tmp_path):
    """Seen: the watch ended with a traceback of its second thought, the file that was closed already."""
    writer = SoleWriter(tmp_path / "journal.sqlite")
    beat = holder_of(tmp_path / "journal.sqlite").beat
    beat.unlink()
    beat.mkdir()
    try:
        with pytest.raises(JournalError, match="Is a directory; a file of this user must fit there"):
            writer.beat()
        writer.release(on_purpose=False)
    finally:
        beat.rmdir()


@needs_root
def test_a_folder_that_may_not_be_entered_is_the_journals_trouble_also_where_the_beat_finds_it_first():
    """Seen: the watch ended at once and was told to "ask as a user who may, such as that of the watch"."""
    with ordinary_user() as user:
        writer = SoleWriter(user.folder / "journal.sqlite")
        user.folder.chmod(0)
        with user.rights(), pytest.raises(OperationalError, match=r"journal.sqlite.lock: Permission denied$"):
            writer.beat()
        writer.beat()
        writer.release()


def test_a_folder_in_the_place_of_the_lock_is_told_to_who_looks(tmp_path):
    (tmp_path / "journal.sqlite.lock").mkdir()
    with pytest.raises(JournalError, match="lock: Is a directory; look at it as the user of the watch"):
        holder_of(tmp_path / "journal.sqlite")
