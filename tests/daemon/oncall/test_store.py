"""The on-call process's file of the version before: it opens, and nothing that was owed is forgotten."""

import gzip

from daemon.oncall.store import OnCallStore
from tests.rigs.places import DATA


def test_the_file_of_the_version_before_opens_with_all_that_is_owed(tmp_path):
    """See tests/data/README.md for how it was made."""
    path = tmp_path / "oncall.sqlite"
    path.write_bytes(gzip.decompress((DATA / "oncall_before.sqlite.gz").read_bytes()))
    store = OnCallStore(path)
    owed = store.owed(2**62, 10)
    assert [(each.id, each.person, each.route, each.rounds) for each in owed] == [
        ("3.1", "ada", 0, 3),
        ("3.2", "bo", 1, 2),
    ]
    assert all(each.text.startswith("CRITICAL north k3: temperature high 19.24 C") for each in owed)
    assert store.waiting() == 2
    assert store.answer_to(1) == "", "ada had seen the first problem"
    state = store.state()
    assert state is not None
    assert [problem["number"] for problem in state["problems"]] == [1, 3], "the second is over"
    assert store.id == "dcc561298c8d4604a78be47e20c7aacf"
    store.close()
