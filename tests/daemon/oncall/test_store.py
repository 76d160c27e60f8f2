"""The on-call process's file of the version before: it opens, and nothing that was owed is forgotten."""

import gzip
import re
import sqlite3
import threading
import time as system_time
from contextlib import closing
from datetime import UTC, date, time

import pytest

from daemon import clock
from daemon.errors import OnCallError
from daemon.oncall.assembly import put_damaged_aside, resumed
from daemon.oncall.store import Link, OnCallStore, Passed
from rules.alarms.life_cycle import Priority
from rules.calling.duty import Duty
from rules.calling.escalation import Escalation
from rules.calling.records import Answer, Call, CallKind, Reply
from rules.calling.rota import Rota
from tests.faults.inject_passing import SystemTime
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
    answer = Answer(Reply.ON_MY_WAY, "bo", 2**41)
    store.ask(3, answer)
    assert [ask.answer for ask in store.asked()] == [answer], "what this version adds has its place"
    assert store.link(store.link_for("bo", [3], 0, 100), 99) == Link("bo", [3])
    store.close()


def test_a_file_of_layout_2_opens_with_what_was_asked_and_the_links_that_are_out(tmp_path):
    """See tests/data/README.md for how it was made."""
    path = tmp_path / "oncall.sqlite"
    path.write_bytes(gzip.decompress((DATA / "oncall_layout_2.sqlite.gz").read_bytes()))
    for _ in range(2):  # the second time it is of this layout
        store = OnCallStore(path)
        assert [(each.id, each.person) for each in store.owed(2**62, 10)] == [("7.1", "ada")]
        (ask,) = store.asked()
        assert (ask.answer, ask.answer.by_link) == (Answer(Reply.ON_MY_WAY, "ada", 1_760_000_000_000), False)
        assert store.link("VFCDKWTtHxeaMnHu", 2**40) == Link("ada", [7])
        store.close()
    store = OnCallStore(path)
    store.ask(7, Answer(Reply.SEEN, "ada", by_link=True))
    assert store.asked()[-1].answer.by_link
    store.close()


def test_a_link_is_one_for_one_person_and_its_problems_and_is_forgotten_when_it_is_over(tmp_path):
    store = OnCallStore(tmp_path / "oncall.sqlite")
    first = store.link_for("ada", [2, 1], 0, 100)
    assert re.fullmatch(r"[A-Za-z0-9]{16}", first)
    assert store.link_for("ada", [1, 2], 50, 150) == first, "a repeat carries the same one, good for longer"
    others = {store.link_for(*whose, 50, 150) for whose in (("ada", [1]), ("bo", [1, 2]), ("ada", []))}
    assert len(others | {first}) == 4
    assert (store.link(first, 149), store.link(first, 150)) == (Link("ada", [1, 2]), None)
    assert store.link_for("ada", [1, 2], 150, 300) != first
    store.close()


def test_the_calls_of_a_rack_gone_wild_do_not_keep_those_of_another_back(tmp_path):
    store = OnCallStore(tmp_path / "oncall.sqlite")
    for number, rack in enumerate(("south",) * 9 + ("north", "south"), 1):
        call = Call(f"{number}.1", CallKind.ALARM, number, "ada", Priority.CRITICAL, number, ())
        store.owe(call, f"bellwatch alarm critical {rack}", f"{rack} {number}")
    high = Call("0.1", CallKind.FLOOD, 0, "ada", Priority.HIGH, 0, ())
    store.owe(high, "bellwatch flood high north", "all the rest")
    assert [owed.text for owed in store.owed(100, 3)] == ["south 1", "north 10", "south 2"]
    store.mark_sent("10.1", 100)
    assert store.owed(100, 100)[-1].text == "all the rest"
    store.close()


def test_what_a_rack_refuses_or_never_answers_is_known_for_as_long_as_somebody_may_look(tmp_path):
    store = OnCallStore(tmp_path / "oncall.sqlite")
    asked = [Passed(name, "north", f"{name}/temperature/high", "ada") for name in ("k1", "k2", "k3")]
    store.pass_on(asked, 1_000, 2_000)
    store.answered("k2", "no such alarm")
    store.answered("k3", "")
    assert store.not_taken(1_999) == [(asked[0], ""), (asked[1], "no such alarm")]
    assert store.not_taken(2_000) == []
    store.close()


def test_who_opens_a_new_file_while_another_makes_it_waits_for_that(tmp_path):
    path, began, opened = tmp_path / "oncall.sqlite", threading.Event(), []

    def open_it():
        began.set()
        with closing(OnCallStore(path)) as store:
            opened.append(store.id)

    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        thread = threading.Thread(target=open_it)
        thread.start()
        assert began.wait(10)
        thread.join(0.5)  # it would have been refused by then
        assert thread.is_alive()
        other.execute("COMMIT")
        thread.join(10)
    with closing(OnCallStore(path)) as store:
        assert opened == [store.id]


@pytest.mark.parametrize("written", [b"[rota]\npeople = ['ada']\n" * 99, b"", b"\x00" * 4 + b"not ours"])
def test_what_is_no_damaged_file_of_ours_is_not_put_aside(tmp_path, written):
    """Another file, whose name somebody has written into the settings by mistake, stays where it is."""
    path = tmp_path / "oncall.toml"
    path.write_bytes(written)
    put_damaged_aside(path)
    put_damaged_aside(tmp_path / "nowhere")
    assert path.read_bytes() == written
    assert [*tmp_path.iterdir()] == [path]
    OnCallStore(sound := tmp_path / "oncall.sqlite").close()
    put_damaged_aside(sound)
    assert sorted(it.name for it in tmp_path.iterdir()) == ["oncall.sqlite", "oncall.toml"]


@pytest.mark.parametrize(("table", "column"), [("state", "body"), ("page", "text")])
def test_a_text_in_which_a_bit_has_flipped_is_damage(tmp_path, table, column):
    """SQLite's own check passes it over, but it cannot be read: the process would end at each start."""
    store = OnCallStore(path := tmp_path / "oncall.sqlite")
    store.keep_state({"clock_ms": 7})
    store.owe(Call("1.1", CallKind.ALARM, 1, "ada", Priority.HIGH, 1, ()), "a title", "a text")
    store.close()
    put_damaged_aside(path)
    assert path.exists(), "it is sound"
    with closing(sqlite3.connect(path)) as db:
        text = bytearray(db.execute(f"SELECT CAST({column} AS BLOB) FROM {table}").fetchone()[0])
        text[3] ^= 0x80
        db.execute(f"UPDATE {table} SET {column} = CAST(? AS TEXT)", (bytes(text),))
        db.commit()
        assert db.execute("PRAGMA quick_check").fetchone() == ("ok",)
    put_damaged_aside(path)
    assert not path.exists()
    assert len([*tmp_path.glob("oncall.sqlite.damaged-*")]) == 1


def test_a_state_that_does_not_say_its_time_is_behind_no_clock(tmp_path):
    """Of a later version that was taken back, say: the calling begins anew."""
    with closing(OnCallStore(tmp_path / "oncall.sqlite")) as store:
        store.keep_state({"version": 9})
        duty = Duty(Rota(("ada", "bo"), date(2026, 1, 5), time(9), UTC), digest_at=(time(9),))
        team, given = resumed(store, duty, store.clock())
        assert (team.problems(), given) == ([], [(0, 0, 0)])


@pytest.mark.parametrize(
    ("off_h", "knows", "behind"), [(-2, False, 2), (-26_000, False, 0), (-26_000, True, 26_000)]
)
def test_turns_go_by_a_system_that_is_years_behind_only_where_it_was_synchronised(
    tmp_path, monkeypatch, off_h, knows, behind
):
    """A machine without a battery begins years ago; what was kept last is nearer to the people's clock."""
    duty = Duty(Rota(("ada", "bo"), date(2026, 1, 5), time(9), UTC), digest_at=(time(9),))
    hour_ms, now_ms = 3_600_000, round(system_time.time() * 1000)
    with closing(OnCallStore(tmp_path / "oncall.sqlite")) as store:
        store.keep_state(Escalation(duty, now_ms).snapshot())
        at = store.clock()
        monkeypatch.setattr(clock, "time", SystemTime(off_h * 3600))
        monkeypatch.setattr(clock, "SYNCHRONISED_MARK", tmp_path if knows else tmp_path / "nowhere")
        team, _ = resumed(store, duty, at)
    assert round(team.duty.ahead_ms / hour_ms, 2) == behind
    assert team.duty.on_call(now_ms) == duty.rota.on_call(now_ms - behind * hour_ms)


def test_numbers_go_on_beyond_those_of_the_version_before_whose_clock_ran_far_ahead(tmp_path):
    path = tmp_path / "oncall.sqlite"
    path.write_bytes(gzip.decompress((DATA / "oncall_before.sqlite.gz").read_bytes()))
    duty = Duty(Rota(("ada", "bo"), date(2026, 1, 5), time(9), UTC), digest_at=(time(9),))
    with closing(OnCallStore(path)) as store:
        state = store.state()
        assert state["version"] == 1
        _, ((newest, *_),) = resumed(store, duty, clock.SteadyClock(state["clock_ms"] - 2 * clock.AHEAD_MS))
    assert newest == 3


def test_a_file_whose_id_is_gone_is_damage_and_who_opens_it_is_told(tmp_path):
    """One bit of its key, which SQLite's own check passes over: the process would end at each start."""
    OnCallStore(path := tmp_path / "oncall.sqlite").close()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE meta SET key = 'ie' WHERE key = 'id'")
    with pytest.raises(OnCallError, match="its id is gone; the process sets it aside"):
        OnCallStore(path)
    put_damaged_aside(path)
    OnCallStore(path).close()
    assert len([*tmp_path.glob("oncall.sqlite.damaged-*")]) == 1
