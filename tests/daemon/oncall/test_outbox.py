"""What is owed to people is tried in order, never forgotten, and never counted as sent too soon."""

import tempfile
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.errors import OnCallError
from daemon.oncall import outbox as oncall_outbox
from daemon.oncall.outbox import OnCallOutbox
from daemon.oncall.settings import DeliverySettings
from daemon.oncall.store import OnCallStore
from rules.alarms.life_cycle import Priority
from rules.calling.records import Call, CallKind

pytestmark = pytest.mark.usefixtures("quiet_logs")

PATIENCE_S = 10.0


class Phones:
    """Two routes for ada, one for bo; `works` says which take a message, `tried` what was tried."""

    def __init__(self, works):
        self.works = works
        self.tried = []
        self.let_go = threading.Event()
        self.let_go.set()

    def count(self, person):
        return {"ada": 2, "bo": 1}.get(person, 0)

    def send(self, person, place, title, text):
        assert title
        self.let_go.wait(PATIENCE_S)
        self.tried.append((text, person, place))
        return self.works(person, place)


def owe(store, call_id, person="ada", problem=1, priority=Priority.HIGH, at_ms=0, kind=CallKind.ALARM):
    with store.transaction():
        store.owe(Call(call_id, kind, problem, person, priority, at_ms, ()), "a title", call_id)


class Desk:
    """An outbox turned by the test's own thread and clock."""

    def __init__(self, folder, works=lambda *_: True):
        self.store = OnCallStore(folder / "state.sqlite")
        self.phones = Phones(works)
        delivery = DeliverySettings(tries=2, retry_s=5, again_s=60)
        self.outbox = OnCallOutbox(self.store, self.phones, delivery)
        self.undelivered = []

    def turn(self, now_ms):
        """One turn, and the next once everything that was begun has come to something."""
        self.outbox.send(now_ms)
        self.outbox.close()
        with self.store.transaction():
            self.outbox.settle(now_ms, self.undelivered.append)


def test_each_route_is_tried_twice_then_the_next_person_is_called_and_the_rounds_grow_longer(tmp_path):
    desk = Desk(tmp_path, works=lambda *_: False)
    owe(desk.store, "1.1")
    tried_at = []
    for second in range(400):
        before = len(desk.phones.tried)
        desk.turn(second * 1000)
        tried_at += [(second, place) for _, _, place in desk.phones.tried[before:]]
    assert tried_at[:8] == [(0, 0), (5, 0), (6, 1), (11, 1), (71, 0), (76, 0), (77, 1), (82, 1)]
    assert tried_at[8] == (202, 0), "two minutes after the second round"
    assert desk.undelivered[:2] == ["1.1", "1.1"]
    assert desk.store.waiting() == 1


def test_it_is_sent_once_and_marked_only_then(tmp_path):
    desk = Desk(tmp_path)
    owe(desk.store, "1.1")
    desk.phones.let_go.clear()
    desk.outbox.send(0)
    assert desk.store.waiting() == 1
    desk.outbox.send(1)
    desk.phones.let_go.set()
    desk.turn(2)
    desk.turn(3)
    assert desk.phones.tried == [("1.1", "ada", 0)]
    assert desk.store.waiting() == 0


def test_what_was_not_marked_before_a_crash_is_sent_again_under_its_id(tmp_path):
    first = Desk(tmp_path)
    owe(first.store, "1.1")
    first.outbox.send(0)
    first.outbox.close()
    first.store.close()
    second = Desk(tmp_path)
    second.turn(1)
    assert first.phones.tried == second.phones.tried == [("1.1", "ada", 0)]
    assert second.store.waiting() == 0


def test_the_most_urgent_goes_first(tmp_path):
    desk = Desk(tmp_path)
    for number in range(1, 9):
        owe(desk.store, f"{number}.1", problem=number, at_ms=number)
    owe(desk.store, "9.1", problem=9, priority=Priority.CRITICAL, at_ms=9)
    desk.turn(10)
    assert "9.1" in {text for text, _, _ in desk.phones.tried}


def test_a_repeat_takes_the_place_of_the_one_that_waits_and_goes_on_where_that_stood(tmp_path):
    desk = Desk(tmp_path, works=lambda person, place: person == "ada" and place == 1)
    owe(desk.store, "1.1")
    desk.turn(0)
    owe(desk.store, "1.2", at_ms=1000)
    owe(desk.store, "1.3", person="bo", at_ms=1000)
    for second in (1, 5, 6):
        desk.turn(second * 1000)
    assert [(text, place) for text, person, place in desk.phones.tried if person == "ada"] == [
        ("1.1", 0),
        ("1.2", 0),
        ("1.2", 1),
    ]


def test_after_an_outage_a_new_call_does_not_wait_for_the_next_round_of_the_one_before(tmp_path):
    """Seen: what had become critical meanwhile waited up to ten minutes more, though the network was back."""
    back = threading.Event()
    desk = Desk(tmp_path, works=lambda *_: back.is_set())
    owe(desk.store, "1.1", priority=Priority.HIGH)
    for second in range(600):
        desk.turn(second * 1000)
    before = len(desk.phones.tried)
    back.set()
    desk.turn(600_000)
    assert len(desk.phones.tried) == before, "the next round is minutes away"
    owe(desk.store, "1.2", at_ms=601_000)
    desk.turn(601_000)
    assert desk.phones.tried[before:] == [("1.2", "ada", 0)]
    assert desk.store.waiting() == 0


def test_a_call_that_nobody_needs_any_more_is_dropped_but_word_of_its_end_is_not(tmp_path):
    desk = Desk(tmp_path)
    owe(desk.store, "1.1")
    owe(desk.store, "1.2", person="bo", kind=CallKind.RETURNED)
    with desk.store.transaction():
        desk.store.drop(1, 0)
    desk.turn(0)
    assert [text for text, _, _ in desk.phones.tried] == ["1.2"]


def test_a_person_who_left_the_rota_cannot_be_reached(tmp_path):
    desk = Desk(tmp_path)
    owe(desk.store, "1.1", person="cy")
    desk.turn(0)
    desk.turn(5000)
    assert desk.undelivered == ["1.1"]


def test_a_try_that_takes_too_long_counts_as_refused_and_keeps_no_place(tmp_path, monkeypatch):
    """Seen: a service that answered byte by byte kept every place, and the process ended again and again."""
    desk = Desk(tmp_path)
    for number in range(1, 5):
        owe(desk.store, f"{number}.1", problem=number)
    owe(desk.store, "5.1", person="bo", problem=5, at_ms=1)
    desk.phones.let_go.clear()
    desk.outbox.send(10)
    monkeypatch.setattr(oncall_outbox, "STUCK_AFTER_S", -1.0)  # any time is too long
    with desk.store.transaction():
        desk.outbox.settle(10, desk.undelivered.append)
    monkeypatch.undo()
    desk.outbox.send(10)
    assert "1.1" in desk.outbox._under_way, "by the next route at once, while the other four go on and on"
    desk.phones.let_go.set()
    for second in range(20):
        desk.turn(10 + second * 1000)
    assert desk.store.waiting() == 0


def test_what_was_given_up_and_taken_after_all_is_not_sent_again(tmp_path, monkeypatch):
    desk = Desk(tmp_path)
    owe(desk.store, "1.1")
    desk.phones.let_go.clear()
    desk.outbox.send(0)
    (slow,) = [its.thread for its in desk.outbox._under_way.values()]
    monkeypatch.setattr(oncall_outbox, "STUCK_AFTER_S", -1.0)
    with desk.store.transaction():
        desk.outbox.settle(0, desk.undelivered.append)
    monkeypatch.undo()
    desk.phones.let_go.set()
    slow.join(PATIENCE_S)
    with desk.store.transaction():
        desk.outbox.settle(1, desk.undelivered.append)
    desk.turn(10_000)
    assert desk.phones.tried == [("1.1", "ada", 0)]


def test_what_was_taken_after_all_reached_its_person_though_the_next_route_refuses_it(tmp_path, monkeypatch):
    """Else the next person would be called for nothing."""
    gates = [threading.Event(), threading.Event()]
    desk = Desk(tmp_path, works=lambda _, place: gates[place].wait(PATIENCE_S) and place == 0)
    desk.outbox._tries = 1
    owe(desk.store, "1.1")
    tries = []
    for stuck_after_s in (-1.0, PATIENCE_S):
        monkeypatch.setattr(oncall_outbox, "STUCK_AFTER_S", stuck_after_s)
        desk.outbox.send(0)
        tries += [its.thread for its in desk.outbox._under_way.values()]
        with desk.store.transaction():
            desk.outbox.settle(0, desk.undelivered.append)
    for gate, thread in zip(gates, tries, strict=True):
        gate.set()
        thread.join(PATIENCE_S)
        with desk.store.transaction():
            desk.outbox.settle(1, desk.undelivered.append)
    assert (desk.store.waiting(), desk.undelivered, desk.outbox._endless) == (0, [], 0)
    assert desk.store.waiting() == 0


def test_too_many_tries_that_never_end_end_the_process_instead(tmp_path, monkeypatch):
    monkeypatch.setattr(oncall_outbox, "STUCK_AFTER_S", -1.0)
    monkeypatch.setattr(oncall_outbox, "ENDLESS_AT_MOST", 2)
    desk = Desk(tmp_path)
    for number in range(1, 4):
        owe(desk.store, f"{number}.1", problem=number)
    desk.phones.let_go.clear()
    desk.outbox.send(0)
    with desk.store.transaction():
        desk.outbox.settle(0, desk.undelivered.append)
    with pytest.raises(OnCallError, match="3 calls neither taken nor refused; start again"):
        desk.outbox.send(1)
    desk.phones.let_go.set()


def test_what_fails_in_an_unforeseen_way_is_raised_and_not_swallowed(tmp_path):
    def broken(*_):
        raise ZeroDivisionError

    desk = Desk(tmp_path, broken)
    owe(desk.store, "1.1")
    with pytest.raises(ZeroDivisionError):
        desk.turn(0)


def test_a_state_file_that_cannot_be_used_is_refused_in_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OnCallError, match="its folder must exist"):
        OnCallStore(tmp_path / "file" / "state.sqlite")
    store = OnCallStore(tmp_path / "other.sqlite")
    store._db.execute("PRAGMA user_version = 99")
    store.close()
    with pytest.raises(OnCallError, match="layout 99"):
        OnCallStore(tmp_path / "other.sqlite")


owings = st.tuples(st.integers(1, 3), st.sampled_from(["ada", "bo"]), st.booleans())


@settings(max_examples=40, deadline=None)
@given(st.lists(owings, min_size=1, max_size=12), st.lists(st.booleans(), max_size=30))
def test_however_the_network_fails_the_newest_call_of_each_person_and_problem_arrives(owed, luck):
    works = iter(luck)
    with tempfile.TemporaryDirectory() as folder:
        desk = Desk(Path(folder), lambda *_: next(works, True))
        newest, now_ms = {}, 0
        for place, (problem, person, turn_between) in enumerate(owed):
            newest[problem, person] = f"{problem}.{place}"
            owe(desk.store, f"{problem}.{place}", person, problem, at_ms=now_ms)
            if turn_between:
                now_ms += 2000
                desk.turn(now_ms)
        for _ in range(400):
            now_ms += 5000
            desk.turn(now_ms)
            if not desk.store.waiting():
                break
        assert desk.store.waiting() == 0
        desk.store.close()
    assert set(newest.values()) <= {text for text, _, _ in desk.phones.tried}
