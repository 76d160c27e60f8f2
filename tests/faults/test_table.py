"""The catalogue itself: whole, clear about the receiver, and drawn for users as it is."""

from collections import Counter

import pytest

from tests.faults.drawn import PAGE, TITLES, page
from tests.faults.table import DUTIES, MEANS, RECEIVERS, faults

ROWS = faults()


def test_the_catalogue_is_whole():
    assert len(ROWS) >= 150
    assert [key for key, count in Counter(row.key for row in ROWS).items() if count > 1] == []
    assert list(dict.fromkeys(row.kind for row in ROWS)) == list(TITLES)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.key)
def test_a_row_names_its_receiver_its_time_and_what_must_not_happen(row):
    assert row.to in RECEIVERS or row.duty in DUTIES, row.to
    assert row.within_s > 0
    assert all((row.fault, row.told, row.never))
    assert row.by in MEANS
    assert row.by != "people" or row.duty, "what nothing injects is a duty"


def test_the_page_for_users_is_drawn_from_the_catalogue():
    assert PAGE.read_text() == page(), "draw it anew: python -m tests.faults.drawn"
