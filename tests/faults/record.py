"""Runs the catalogue and writes what came of it into last_result.md.

python -m tests.faults.record               every row
python -m tests.faults.record probe clock   of these classes, or whose name begins so
"""

import subprocess
import sys
import tempfile
import time
import traceback
from itertools import groupby
from pathlib import Path

import pytest

from tests.faults.chain import Came
from tests.faults.injections import SharedRacks, injection_of
from tests.faults.table import MACHINE, NEITHER, NOT_TRIED, PEOPLE, RESULT, faults, results
from tests.rigs.places import ROOT

HEAD = """\
# What came of the catalogue last

Each row beside the commit at which it was tried. *By the machine*: told within T, after so long at shipped
settings. *By a duty*: told only by a duty of people, within its longest time. *Neither*: not told within T,
or something happened that must not; these are open faults. *Not tried*: nothing injects it yet. Written by
`python -m tests.faults.record`.

"""
COLUMNS = "| name | by the machine | by a duty | neither | remark | commit |\n" + "| --- " * 6 + "|\n"


def came_of(row, racks, folder):
    """Return the state, the time in words and a remark."""
    found = injection_of(row)
    if found is None:
        return (PEOPLE, row.within, row.duty) if row.duty else (NOT_TRIED, "", "")
    function, shared = found
    try:
        came = racks.come(function) if shared else function(folder)
    except pytest.skip.Exception as skipped:
        return NOT_TRIED, "", f"skipped: {skipped}"
    except Exception as error:
        traceback.print_exc()
        came = Came(None, f"the test itself: {type(error).__name__}: {str(error)[:80]}")
    late = came.after_s is None or came.after_s > row.within_s
    if late or came.wrong:
        why = came.wrong or (
            "nobody is told" if came.after_s is None else f"only after {words(came.after_s)}"
        )
        return NEITHER, row.within, why
    return (PEOPLE, row.within, row.duty) if row.duty else (MACHINE, words(came.after_s), "")


def words(seconds):
    seconds = max(seconds, 0.0)
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def page(found):
    """Return the record: key to (state, time in words, remark, commit)."""
    parts = [HEAD, totals(found)]
    for kind, rows in groupby(faults(), lambda row: row.kind):
        parts.append(f"\n## {kind}\n\n{COLUMNS}")
        for row in rows:
            state, took, remark, commit = found[row.key]
            cells = [took if state == column else "" for column in (MACHINE, PEOPLE, NEITHER)]
            cells[2] = state if state == NOT_TRIED else cells[2]
            remark = " ".join(remark.replace("|", "/").split())[:160]
            parts.append(f"| {row.name} | {' | '.join(cells)} | {remark} | {commit} |\n")
    return "".join(parts)


def totals(found):
    count = {
        state: sum(its[0] == state for its in found.values())
        for state in (MACHINE, PEOPLE, NEITHER, NOT_TRIED)
    }
    words = {MACHINE: "by the machine", PEOPLE: "by a duty", NEITHER: "neither", NOT_TRIED: "not tried"}
    return (
        ", ".join(f"{words[state]} {number}" for state, number in count.items()) + f"; {len(found)} rows.\n"
    )


def main(chosen):
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()
    own = {}
    rows = [row for row in faults() if not chosen or row.kind in chosen or row.key.startswith(tuple(chosen))]
    for word in chosen:
        if not any(row.kind == word or row.key.startswith(word) for row in rows):
            sys.exit(f"{word}: no class and no beginning of a key; a key is CLASS_NAME, as person_asleep")
    with tempfile.TemporaryDirectory() as folder:
        racks = SharedRacks(lambda: Path(tempfile.mkdtemp(dir=folder)))
        for row in rows:
            began_s = time.monotonic()
            own[row.key] = (*came_of(row, racks, Path(tempfile.mkdtemp(dir=folder))), commit)
            print(f"{time.monotonic() - began_s:6.1f} s  {row.key}: {own[row.key][:3]}", flush=True)
            blank = {other.key: (NOT_TRIED, "", "", commit) for other in faults()}
            RESULT.write_text(page(blank | results() | own))  # another part may run beside this one
        racks.close()


if __name__ == "__main__":
    main(sys.argv[1:])
