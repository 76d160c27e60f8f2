"""The engine's inputs and outputs: what a block of readings must be, and how events are written down."""

import json
from dataclasses import replace

import numpy as np
import pytest

from rules.alarms.event import AlarmEvent, Evidence
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.errors import InputError
from rules.plain import to_plain
from rules.quality.history import DAY_MS
from rules.quality.settings import HOUR_MS
from rules.readings import Action, Notice, Readings, by_day


def block(size):
    count = np.arange(size, dtype=np.int64)
    return Readings(count + 1, count * 10, count % 3, count * 10 - 5, count / 2)


def test_a_part_of_a_block_is_a_block():
    part = block(10).part(3, 6)
    assert len(part) == 3
    assert part.seq.tolist() == [4, 5, 6]
    assert part.at_ms.tolist() == [30, 40, 50]
    assert part.source.tolist() == [0, 1, 2]
    assert part.time_ms.tolist() == [25, 35, 45]
    assert part.value.tolist() == [1.5, 2.0, 2.5]


def test_parts_put_together_are_the_whole():
    whole = block(10)
    parts = [whole.part(0, 4), whole.part(4, 4), whole.part(4, 10)]
    assert np.concatenate([part.seq for part in parts]).tolist() == whole.seq.tolist()
    assert len(parts[1]) == 0


@pytest.mark.parametrize("waits_h", [[0, 1, 22, 1, 0, 24], [0], [30, 500, 2], [30, -30], [25, 25, -50, 75]])
def test_days_are_cut_at_midnight_and_nothing_is_left_out(waits_h):
    """Also of what does not come in order, which is to be refused, not to be passed over."""
    at_ms = np.cumsum(np.array(waits_h, dtype=np.int64)) * HOUR_MS
    days = [day.at_ms.tolist() for day in by_day(replace(block(at_ms.size), at_ms=at_ms))]
    assert [at for day in days for at in day] == at_ms.tolist()
    if min(waits_h) >= 0:
        assert [{at // DAY_MS for at in day} for day in days] == [{it} for it in sorted(set(at_ms // DAY_MS))]


def test_columns_of_different_lengths_are_refused():
    count = np.arange(3, dtype=np.int64)
    with pytest.raises(InputError, match=r"differ in length: \[2, 3\]"):
        Readings(count, count, count, count, np.zeros(2))


def test_an_event_is_written_down_in_words():
    event = AlarmEvent(
        number=7,
        at_ms=100,
        vessel="k1",
        channel="k1/temperature",
        condition=Condition.HEADING_OUT,
        trigger=Trigger.RAISED,
        state=State.UNACKNOWLEDGED,
        priority=Priority.HIGH,
        since_ms=90,
        vessels=("k1", "k2"),
        evidence=Evidence(21.5, 23.0, rate_per_hour=1.0, reached_ms=5_400_100),
    )
    assert event.alarm == "k1/temperature/heading_out"
    written = json.loads(json.dumps(to_plain(event)))
    assert written["priority"] == "high"
    assert written["state"] == "unacknowledged"
    assert written["vessels"] == ["k1", "k2"]
    assert written["evidence"]["reached_ms"] == 5_400_100


def test_the_same_notice_has_the_same_id_and_others_have_others():
    notice = Notice("stage runs long", 5, "k1", {"stage": "planula"})
    assert notice.id == Notice("stage runs long", 5, "k1", {}).id
    assert notice.id not in {
        Notice("stage runs long", 6, "k1", {}).id,
        Notice("stage runs long", 5, "k2", {}).id,
        Notice("stage review", 5, "k1", {}).id,
    }


@pytest.mark.parametrize(
    ("acts", "from_ms", "in_order"),
    [
        ([], 0, True),
        ([(0, 0), (3, 20), (3, 30), (9, 90)], 0, True),
        ([(0, 0)], 1, False),  # before what was there already
        ([(3, 19)], 0, False),  # before the reading that it comes after
        ([(3, 31)], 0, False),  # after the one that it comes before
        ([(3, 25), (3, 24)], 0, False),  # before what was done before it
    ],
)
def test_what_people_did_lies_between_the_readings_beside_it(acts, from_ms, in_order):
    """Readings come every 10 ms, the first at 0."""
    placed = tuple((place, Action(at_ms, "log", "kim", {})) for place, at_ms in acts)
    assert replace(block(10), acts=placed).is_in_order(from_ms) is in_order


def test_one_by_one_readings_and_acts_come_in_their_places():
    acts = tuple((place, Action(place, "log", "kim", {})) for place in (0, 4, 4, 10))
    parts = list(replace(block(10), acts=acts).one_by_one())
    assert [len(it) if isinstance(it, Readings) else it.at_ms for it in parts] == [0, 4, 4, 4, 6, 10]
    assert all(not it.acts for it in parts if isinstance(it, Readings))
