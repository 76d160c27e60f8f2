"""What was, as it is kept for drawing: the same however it was taken in, and what the journal itself says."""

import numpy as np
import pytest

from daemon.errors import JournalError
from daemon.journal.dating import Dating
from daemon.journal.retention import let_go
from daemon.page.extents import MINUTE_MS
from daemon.page.memory import Memory
from rules.quantities import Quantity
from tests.rigs.nights.recorded_nights import events_at
from tests.rigs.page_rack import HOUR_MS, page_rack


@pytest.fixture
def rack(tmp_path):
    with page_rack(tmp_path, days=0.2, drifts={("k1", "temperature"): (3.0, 4.0)}) as made:
        yield made


def whole(rack):
    memory = Memory()
    while memory.follow(rack.settings.journal.path) < 1:
        pass
    return memory


def span_of(memory, name, hours=4):
    columns = memory.fine[name].columns(memory.newest_ms - hours * HOUR_MS, memory.newest_ms, 1000)
    return columns.low, columns.high, columns.flag


def test_what_is_followed_as_it_comes_is_what_is_recalled_later(rack):
    followed = Memory()
    followed.begin(rack.settings.journal.path, 2 * HOUR_MS)
    rack.live(rack.now_ms + 30 * MINUTE_MS)
    followed.follow(rack.settings.journal.path)
    recalled = whole(rack)
    assert recalled.newest_ms == followed.newest_ms
    for name in ("k1/temperature", "t2/salinity", "k1/oxygen_saturation"):
        for one, other in zip(span_of(followed, name, 2), span_of(recalled, name, 2), strict=True):
            np.testing.assert_array_equal(one, other)
    assert followed.since_ms > recalled.since_ms == rack.start_ms


def test_its_alarms_are_those_of_the_journal(rack):
    memory = whole(rack)
    assert len(memory.events) == len(events_at(rack.settings.journal.path)) > 0
    assert [event.number for event in memory.events] == list(range(1, len(memory.events) + 1))


def test_limits_are_those_of_the_time_on_a_ramp_too(rack):
    moved_ms = rack.at_ms
    rack.ask("move_stage", vessel="k3", stage="strobila", over_s=3600.0)
    rack.live(rack.now_ms + 120 * MINUTE_MS)
    memory = whole(rack)

    def high(at_ms):
        return memory.limits("k3", Quantity.TEMPERATURE, at_ms).advisory.high

    before, after = high(moved_ms - 1), high(moved_ms + HOUR_MS)
    assert before != after
    assert high(moved_ms + HOUR_MS // 2) == pytest.approx((before + after) / 2)
    assert memory.limits("k3", Quantity.TEMPERATURE, memory.since_ms - 1) is None
    assert [deed.kind for deed in memory.deeds.values()] == ["move_stage"]


def test_another_journal_in_its_place_is_not_taken_for_the_same(rack):
    memory = whole(rack)
    rack.journal.begin_run("a test")
    with pytest.raises(JournalError, match="read anew"):
        memory.follow(rack.settings.journal.path)


def test_retired_hours_are_drawn_as_they_were(rack):
    before = whole(rack)
    rack.watch._keep_snapshot()
    rack.watch._keep_snapshot()
    gone = let_go(
        rack.journal, rack.journal.inputs.last_seq_before(rack.now_ms - 2 * HOUR_MS), Dating(), 10**6
    )
    assert gone > 1000
    after = whole(rack)
    span = (rack.start_ms, rack.now_ms, 1000)
    assert not np.isnan(after.coarse["k1/temperature"].columns(*span).low[1:3]).any(), (
        "the hour that it begins in may have no reading"
    )
    for name in ("k1/temperature", "t2/salinity", "k1/oxygen_saturation"):
        one, other = before.coarse[name].columns(*span), after.coarse[name].columns(*span)
        np.testing.assert_array_equal(one.low, other.low)
        np.testing.assert_array_equal(one.high, other.high)
