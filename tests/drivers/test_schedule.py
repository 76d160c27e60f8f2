"""The polling schedule: fixed grids, and nobody starves."""

from hypothesis import given
from hypothesis import strategies as st

from drivers.schedule import Schedule


def play(every_ms, costs_ms, turns, start_ms=1_000):
    """Poll `turns` times, each poll costing what its probe costs; return (index, due, started) of each."""
    schedule, now, history = Schedule(every_ms, start_ms), start_ms, []
    for _ in range(turns):
        index, due = schedule.next()
        now = max(now, due)
        history.append((index, due, now))
        now += costs_ms[index]
        schedule.polled(index, now)
    return history


def test_a_lone_probe_is_polled_on_its_grid_without_drift():
    assert [due for _, due, _ in play([500], [37], 4)] == [1_000, 1_500, 2_000, 2_500]


def test_an_overrun_skips_slots_and_keeps_the_grid():
    assert [due for _, due, _ in play([100], [250], 3)] == [1_000, 1_300, 1_600]


probes = st.lists(st.tuples(st.integers(1, 5_000), st.integers(0, 3_000)), min_size=1, max_size=6)


@given(probes)
def test_every_due_time_lies_on_the_grid_and_no_poll_is_early(probes):
    every, costs = zip(*probes, strict=True)
    for index, due, started in play(list(every), costs, 60):
        assert (due - 1_000) % every[index] == 0
        assert started >= due


@given(probes)
def test_nobody_waits_for_more_than_one_poll_of_each_other(probes):
    every, costs = zip(*probes, strict=True)
    for index, due, started in play(list(every), costs, 60):
        others = sum(cost for i, cost in enumerate(costs) if i != index)
        own_and_others = others + costs[index]
        assert started - due <= own_and_others
