"""Every fault of the catalogue: told within T to whom it must be told, and nothing that must not happen.

Rows that the last recorded run found open are expected to fail; `python -m tests.faults.record` runs all and
writes the record anew.
"""

import pytest

from tests.faults.injections import EVERY_RUN, SLOW, SharedRacks, injection_of
from tests.faults.table import NEITHER, NOT_TRIED, RESULT, faults, results

ROWS = faults()
LAST = results()


def marked(row):
    marks = [pytest.mark.timeout(200)]
    fast = row.by in ("rules", "door") and row.key not in SLOW
    if not fast and row.key not in EVERY_RUN:
        marks.append(pytest.mark.long)
    if LAST.get(row.key, (NOT_TRIED,))[0] == NEITHER:
        marks.append(pytest.mark.xfail(reason=f"open: {LAST[row.key][2]}", strict=False))
    return pytest.param(row, id=row.key, marks=marks)


@pytest.fixture(scope="module")
def racks(tmp_path_factory):
    racks = SharedRacks(lambda: tmp_path_factory.mktemp("rack"))
    yield racks
    racks.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("row", [marked(row) for row in ROWS if injection_of(row)])
def test_a_fault_is_told_in_time(row, tmp_path, racks):
    function, shared = injection_of(row)
    came = racks.come(function) if shared else function(tmp_path)
    assert came.after_s is not None, f"nobody is told: {row.told}; {came.wrong}"
    assert came.after_s <= row.within_s, f"told after {came.after_s:.0f} s instead of {row.within}"
    assert not came.wrong, came.wrong


def test_every_class_has_a_row_with_real_parts_in_every_run():
    by_key = {row.key: row for row in ROWS}
    assert {by_key[key].kind for key in EVERY_RUN} == {row.kind for row in ROWS}
    assert all(by_key[key].by == "parts" and injection_of(by_key[key]) for key in EVERY_RUN)


def test_the_record_has_every_row_and_says_what_nobody_tells():
    assert set(LAST) == {row.key for row in ROWS}, f"run python -m tests.faults.record; {RESULT} lacks rows"
    nothing_built = {row.key for row in ROWS if not injection_of(row) and not row.duty}
    assert nothing_built <= {key for key, came in LAST.items() if came[0] == NOT_TRIED}
