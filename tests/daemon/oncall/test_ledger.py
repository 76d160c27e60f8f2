"""The ledger reads back, out of both files, when people were told of what: numbers of the test's own."""

import csv
from contextlib import closing
from datetime import UTC

import pytest

from daemon.broker.messages import messages_of
from daemon.errors import JournalError, OnCallError
from daemon.journal.schema import PAGE_BYTES
from daemon.oncall.call_text import call_text
from daemon.oncall.ledger import ledger
from daemon.oncall.store import Ask, OnCallStore
from rules.alarms.life_cycle import Priority
from rules.calling.records import Answer, Call, CallKind, Reply, Voice
from tests.faults.whole_rack import WholeRack
from tests.rigs.bench import START_MS, Bench, steady
from tests.rigs.rack_words import word_of

pytestmark = pytest.mark.usefixtures("quiet_logs")

MINUTE_MS = 60_000


def called(store, number, person, at_ms, vessel="k1"):
    """Owe a call about a vessel's high temperature, in the words that people get."""
    word = word_of(f"{vessel}/temperature/high_high", at_ms, rack="bench")
    call = Call(f"7.{number}", CallKind.ALARM, 7, person, Priority.CRITICAL, at_ms, (word,))
    store.owe(call, "", call_text(call, {}, UTC))
    return call.id


def test_each_step_from_the_water_to_the_person_has_its_time(tmp_path):
    bench = Bench(tmp_path)
    bench.watch._words = lambda said: messages_of(
        said, Voice(bench.journal.id, bench.journal.run_id), "b/bench", UTC
    )
    bench.take(steady(10, 15.0))
    bench.take(steady(20, 30.0, START_MS + 10_000))
    bodies = bench.journal.history.event_bodies()
    first = next(body for body in bodies if body["condition"].startswith("high"))
    alarm_ms, head = first["at_ms"], f'{{"id": "{bench.journal.run_id}:{first["number"]}"'
    waiting = [it for it in bench.journal.outbox.waiting(0, 99) if it.message.payload.startswith(head)]
    event = next(it.id for it in waiting if it.message.topic.endswith("/event"))
    with bench.journal.transaction():
        bench.journal.outbox.mark_delivered(event, alarm_ms + 40)
    store = OnCallStore(tmp_path / "oncall.sqlite")
    with store.transaction():
        store.mark_sent(called(store, 1, "ada", alarm_ms + 15_000), alarm_ms + 16_000)
        called(store, 2, "bo", alarm_ms + 15 * MINUTE_MS)
        called(store, 3, "bo", alarm_ms + 15 * MINUTE_MS, vessel="k2")
    asked = store.ask(7, Answer(Reply.SEEN, "bo"))
    with store.transaction():
        store.answer(Ask(asked, 7, Answer(Reply.SEEN, "bo")), alarm_ms + 20 * MINUTE_MS, "")
    with closing(store):
        steps = [step for step in ledger(bench.path, tmp_path / "oncall.sqlite") if step.person]
    bench.power_cut()
    told = [(s.person, s.broker_ms, s.call_ms, s.taken_ms, s.seen_ms) for s in steps]
    seen_ms = alarm_ms + 20 * MINUTE_MS
    assert told == [
        ("ada", alarm_ms + 40, alarm_ms + 15_000, alarm_ms + 16_000, seen_ms),
        ("bo", alarm_ms + 40, alarm_ms + 15 * MINUTE_MS, None, seen_ms),
    ]
    assert all(s.since_ms <= s.alarm_ms == alarm_ms for s in steps)
    assert steps[0].alarm.startswith("k1/temperature/high")


def test_an_alarm_that_called_nobody_is_a_step_without_a_person(tmp_path):
    bench = Bench(tmp_path)
    bench.take(steady(10, 15.0))
    bench.take(steady(20, 30.0, START_MS + 10_000))
    with closing(OnCallStore(tmp_path / "oncall.sqlite")):
        steps = ledger(bench.path, tmp_path / "oncall.sqlite")
    bench.power_cut()
    assert steps
    assert {(step.person, step.call_ms) for step in steps} == {("", None)}


def test_what_a_real_rack_and_its_on_call_process_wrote_is_read_off_by_a_command(tmp_path):
    with WholeRack(tmp_path) as rack:
        rack.mark()
        rack.line.celsius[1] = 30.0
        assert rack.called("north k1: temperature").after_s is not None
        (text,) = {text for text in rack.texts() if "north k1: temperature" in text}
        number = text.rpartition("#")[2].partition(".")[0]
        assert rack.team.asks("ack", number, "--who", "bo").returncode == 0
        done = rack.team.asks("ledger", str(rack.journal))
        refused = rack.team.asks("ledger", str(tmp_path / "no.sqlite"))
    assert (done.returncode, done.stderr) == (0, "")
    row = next(it for it in csv.DictReader(done.stdout.splitlines()) if it["person"])
    assert (row["alarm"].rpartition("/")[0], row["person"]) == ("k1/temperature", "ada")
    times = [row[step] for step in ("began", "announced", "called", "service_took", "seen")]
    assert times == sorted(times)
    assert all(times)
    assert row["announced"] <= row["broker_took"] <= row["seen"]
    assert refused.returncode == 2
    assert len(refused.stderr.splitlines()) == 1


def test_a_damaged_file_of_either_is_told_in_a_line(tmp_path):
    bench = Bench(tmp_path)
    bench.power_cut()
    path = tmp_path / "oncall.sqlite"
    path.write_bytes(b"no database " * 20)
    with pytest.raises(OnCallError, match="file is not a database; it is damaged, or none"):
        ledger(bench.path, path)
    path.unlink()
    OnCallStore(path).close()
    content = bench.path.read_bytes()
    bench.path.write_bytes(content[: 4 * PAGE_BYTES] + bytes(len(content) - 4 * PAGE_BYTES))
    with pytest.raises(JournalError, match=r"malformed; .* saves what can be read"):
        ledger(bench.path, path)
