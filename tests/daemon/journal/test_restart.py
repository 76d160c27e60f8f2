"""A restart at any moment leaves states, delays and windows as they would have been without it."""

import json
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from daemon.journal.asking import RequestBox
from daemon.journal.dating import Dating
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.journal.retention import let_go
from daemon.watch import watch
from drivers.readings import Reading
from rules.alarms.event import AlarmEvent
from rules.plain import to_plain
from tests.rigs.bench import (
    START_MS,
    Bench,
    contents,
    events_in,
    quick_folder,
    refolded_events,
    steady,
    swinging,
)

pytestmark = pytest.mark.usefixtures("quiet_logs")


step = st.tuples(
    st.sampled_from([100, 500, 1_000, 1_000, 3_000, 20_000]),
    st.sampled_from([4.0, 9.0, 12.0, 15.0, 19.8, 21.0, 26.0]) | st.floats(0, 30),
)


def run_through(folder, steps, cuts, acknowledged, commit_every_ms=0):
    """Take the steps in turn; cut the power before those in `cuts`, acknowledge before `acknowledged`."""
    bench, at_ms = Bench(folder, commit_every_ms=commit_every_ms), START_MS
    for place, (wait_ms, celsius) in enumerate(steps):
        at_ms += wait_ms
        if place in acknowledged:
            for alarm in bench.watch.engine.alarms():
                RequestBox(bench.path).ask("acknowledge", "kim", {"alarm": alarm.name})
        if place in cuts:
            before = bench.journal.inputs.last_seq()
            bench.power_cut()
            bench = Bench(folder, at_ms - wait_ms, commit_every_ms)
            assert bench.journal.inputs.last_seq() >= before
        bench.take([Reading("k1-ct", "temperature", celsius, at_ms)])
    bench.watch.stop()
    bench.power_cut()
    return contents(bench.path)


def state_of(engine):
    """The engine's state as it is written down; the clock may have gone a little further on."""
    return json.loads(json.dumps(engine.snapshot() | {"clock_ms": 0}))


@settings(max_examples=20, deadline=None)
@given(
    st.lists(step, min_size=5, max_size=60),
    st.sets(st.integers(0, 60), max_size=8),
    st.sets(st.integers(0, 60), max_size=4),
)
def test_any_restarts_leave_the_journal_as_without_them(steps, cuts, acknowledged):
    with quick_folder() as one, quick_folder() as other:
        whole = run_through(Path(one), steps, set(), acknowledged)
        cut = run_through(Path(other), steps, cuts, acknowledged)
    for table in ("reading", "event", "flag"):
        assert cut[table] == whole[table]
    assert [row[3:] for row in cut["action"]] == [row[3:] for row in whole["action"]]
    assert [json.loads(row[1])[1] for row in cut["outbox"]] == [
        json.loads(row[1])[1] for row in whole["outbox"]
    ]


@settings(max_examples=15, deadline=None)
@given(st.lists(step, min_size=5, max_size=60), st.sets(st.integers(0, 60), max_size=8))
def test_readings_that_were_not_written_yet_go_with_the_power_and_nothing_else(steps, cuts):
    """Alarms are written at once with all before them; what a cut takes was never judged for anybody."""
    with quick_folder() as folder:
        rows = run_through(Path(folder), steps, cuts, set(), commit_every_ms=60_000)
        events, again = (
            events_in(Path(folder) / "journal.sqlite"),
            refolded_events(Path(folder) / "journal.sqlite"),
        )
    assert [event["number"] for event in events] == list(range(1, len(events) + 1))
    assert again == events[: len(again)]
    assert all(event["condition"] == "silent" for event in events[len(again) :])
    assert [row[0] for row in rows["reading"]] == sorted(row[0] for row in rows["reading"])


def test_a_silence_told_before_the_power_cut_is_not_told_again_nor_taken_back(tmp_path):
    """A reading dated before the silence arrives only after the restart: the alarm must not change."""
    bench = Bench(tmp_path)
    bench.take(steady(3, 15))
    bench.watch.take([], START_MS + 10_000)
    told = events_in(bench.path)
    assert [event["condition"] for event in told] == ["silent"]
    bench.power_cut()
    bench = Bench(tmp_path, START_MS + 12_000)
    late = Reading("k1-ct", "temperature", 15.0, START_MS + 2_500)
    with capture_logs() as said:
        bench.watch.take([late], START_MS + 12_500)
    assert not [line for line in said if line["event"] == "restart_differs"]
    assert events_in(bench.path)[:1] == told
    assert [event["trigger"] for event in events_in(bench.path)] == ["suppressed", "released"]


def spoil_snapshots(path, state):
    with sqlite3.connect(path) as db:
        spoilt = db.execute("UPDATE snapshot SET state = ?", (state,)).rowcount
    db.close()
    return spoilt


@pytest.mark.parametrize(
    "state",
    ["", "{", '{"version": 1}', '{"version": 999}', "[]", "null", '{"version": 1, "plan": {"rack": 3}}'],
)
def test_without_a_usable_snapshot_the_journal_alone_gives_the_same(tmp_path, state):
    bench = Bench(tmp_path)
    bench.take(swinging(130, period=130))
    RequestBox(bench.path).ask("acknowledge", "kim", {"alarm": bench.watch.engine.alarms()[0].name})
    bench.watch.take([], START_MS + 130_000)
    bench.watch.stop()
    as_it_was = state_of(bench.watch.engine)
    bench.power_cut()
    assert spoil_snapshots(bench.path, state) == 2
    again = Bench(tmp_path, START_MS + 131_000)
    assert state_of(again.watch.engine) == as_it_was
    before = len(events_in(bench.path))
    again.take(swinging(80, START_MS + 131_000))
    numbers = [event["number"] for event in events_in(bench.path)]
    assert len(numbers) > before
    assert numbers == list(range(1, len(numbers) + 1))


def test_a_snapshot_of_before_they_were_packed_is_taken(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(50))
    bench.watch.stop()
    as_it_was = state_of(bench.watch.engine)
    bench.power_cut()
    with sqlite3.connect(bench.path) as db:
        packed = len(db.execute("SELECT state FROM snapshot ORDER BY seq DESC").fetchone()[0])
        db.execute("DELETE FROM reading")  # only the snapshot knows what these were
    db.close()
    assert packed < 0.7 * len(json.dumps(as_it_was))
    assert spoil_snapshots(bench.path, json.dumps(as_it_was)) == 2
    journal = Journal(bench.path, writable=False)
    assert state_of(engine_of(journal)) == as_it_was
    journal.close()


def test_a_damaged_newest_snapshot_gives_way_to_the_older_one(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(50))
    bench.watch.stop()
    bench.take(swinging(50, START_MS + 50_000))
    bench.watch.stop()
    as_it_was = state_of(bench.watch.engine)
    bench.power_cut()
    with sqlite3.connect(bench.path) as db:
        db.execute("UPDATE snapshot SET state = 'x' WHERE seq = (SELECT max(seq) FROM snapshot)")
        # Only the older snapshot knows what these readings were.
        db.execute("DELETE FROM reading WHERE seq <= (SELECT min(seq) FROM snapshot)")
    db.close()
    journal = Journal(bench.path, writable=False)
    assert state_of(engine_of(journal)) == as_it_was
    journal.close()


def test_after_an_upgrade_a_standing_alarm_stands_on_with_its_acknowledgement_and_age(tmp_path):
    """The readings of the alarm's beginning are long gone; its history is not."""
    bench = Bench(tmp_path)
    bench.take(steady(20, 15))
    bench.take(steady(200, 22, START_MS + 20_000))
    RequestBox(bench.path).ask("acknowledge", "kim", {"alarm": "k1/temperature/high"})
    bench.watch.take([], START_MS + 220_000)
    bench.watch.stop()
    (alarm,) = bench.watch.engine.alarms()
    told = events_in(bench.path)
    bench.watch.stop()
    bench.take(steady(30, 22, START_MS + 221_000))
    bench.watch.stop()
    assert let_go(bench.journal, 150, Dating()) == 150 - 1
    bench.power_cut()
    spoil_snapshots(bench.path, '{"version": 0}')
    again = Bench(tmp_path, START_MS + 251_000)
    (after,) = again.watch.engine.alarms()
    assert (
        (after.state, after.since_ms)
        == (alarm.state, alarm.since_ms)
        == ("acknowledged", told[0]["since_ms"])
    )
    assert [event for event in events_in(bench.path) if event["condition"] == "high"] == told
    assert refolded_events(bench.path) != told, "the readings that are left would tell another story"


def test_after_an_upgrade_alarms_go_on_from_what_people_were_told(tmp_path):
    """Another version raised one alarm that this one would not have, and missed one that it would."""
    bench = Bench(tmp_path)
    bench.take(steady(60, 22))
    bench.watch.stop()
    bench.power_cut()
    with sqlite3.connect(bench.path) as db:
        (body,) = db.execute("SELECT body FROM event WHERE number = 1").fetchone()
        other = json.loads(body) | {"condition": "low", "number": 1}
        db.execute("UPDATE event SET alarm = 'k1/temperature/low', body = ?", (json.dumps(other),))
    db.close()
    spoil_snapshots(bench.path, '{"version": 0}')
    again = Bench(tmp_path, START_MS + 60_000)
    new = [(e["number"], e["condition"], e["trigger"], e["state"]) for e in events_in(bench.path)[1:]]
    assert new == [
        (2, "high", "raised", "unacknowledged"),
        (3, "low", "returned", "returned unacknowledged"),
    ]
    assert {alarm.name for alarm in again.watch.engine.alarms()} == {
        "k1/temperature/high",
        "k1/temperature/low",
    }
    waiting = again.journal.outbox.waiting(0, 10)
    assert [json.loads(message.message.payload)[1] for message in waiting] == [1, 2, 3], "and people are told"
    snapshot = state_of(again.watch.engine)
    again.power_cut()
    assert state_of(Bench(tmp_path, START_MS + 60_000).watch.engine) == snapshot


def test_another_plan_is_an_input_and_what_both_have_keeps_its_state(tmp_path):
    bench = Bench(tmp_path)
    bench.take(steady(60, 22))
    bench.watch.stop()
    bench.power_cut()
    again = Bench(tmp_path, START_MS + 60_000, more="[stages.bench.oxygen]\nadvisory_low_mg_l = 5")
    assert [alarm.name for alarm in again.watch.engine.alarms()] == ["k1/temperature/high"]
    kinds = [row[2] for row in contents(bench.path)["action"]]
    assert kinds == ["configure", "configure"]


def test_events_of_the_newest_are_whole(tmp_path):
    """What `take_over` rests on: the newest event of each alarm, in order, as it was written."""
    bench = Bench(tmp_path)
    bench.take(swinging(130))
    bodies = events_in(bench.path)
    newest = {body["channel"] + body["condition"]: body for body in bodies}
    found = [to_plain(event) for event in bench.journal.history.newest_event_of_each_alarm()]
    assert sorted(found, key=lambda body: body["number"]) == sorted(
        newest.values(), key=lambda b: b["number"]
    )
    assert set(bodies[0]) == set(AlarmEvent.__dataclass_fields__)


def test_a_restart_that_had_much_to_judge_again_keeps_a_snapshot_for_the_next(tmp_path, monkeypatch):
    monkeypatch.setattr(watch, "LONG_TAIL", 30)
    bench = Bench(tmp_path)
    bench.take(swinging(60))
    bench.power_cut()
    again = Bench(tmp_path, START_MS + 60_000)
    assert again.journal.state.snapshots()[0][0] == again.journal.inputs.last_seq() == 61
    again.power_cut()
