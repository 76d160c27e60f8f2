"""One daemon to a journal, also between processes, and until the end of the process however it comes."""

import os
import subprocess
import sys

import pytest

from daemon.errors import JournalError
from daemon.journal.sole_writer import SoleWriter
from tests.rigs.daemon_run import PATIENCE_S, ROOT

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
    with pytest.raises(JournalError, match=r"the folder must exist and be writable") as refused:
        SoleWriter(tmp_path / "file" / "journal.sqlite")
    assert "\n" not in str(refused.value)
