"""A transaction keeps everything or nothing, whatever ends it."""

import sqlite3
from contextlib import closing

import pytest

from daemon.transaction import transaction


@pytest.mark.parametrize("trouble", [ValueError, KeyboardInterrupt])
def test_what_breaks_off_leaves_nothing_and_is_told(trouble):
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        db.execute("CREATE TABLE kept (number INTEGER)")
        with transaction(db):
            db.execute("INSERT INTO kept VALUES (1)")
        with pytest.raises(trouble), transaction(db):  # noqa: PT012 - the block is what is broken off
            db.execute("INSERT INTO kept VALUES (2)")
            raise trouble
        assert db.execute("SELECT number FROM kept").fetchall() == [(1,)]
        assert not db.in_transaction
