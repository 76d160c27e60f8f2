"""The geometry of a vessel's drawing: areas that break off, what nobody watched, the nights."""

from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.axis import PLOT_HEIGHT, area, nights, plot_of, unwatched
from daemon.page.extents import MINUTE_MS, Columns
from daemon.report.scale import Scale
from rules.rack.tolerance import Band, Tolerance

COPENHAGEN = ZoneInfo("Europe/Copenhagen")
EPHYRA = Tolerance(15.0, Band(12.0, 18.0), Band(8.0, 23.0), unwatched_after_ms=3 * MINUTE_MS)
HOUR_MS = 60 * MINUTE_MS


def columns(values):
    """Columns of a minute each; None: nothing was read."""
    low = np.array([np.nan if value is None else value for value in values], dtype=np.float32)
    starts = np.arange(len(values), dtype=np.int64) * MINUTE_MS
    return Columns(starts, low, low + 1, np.zeros(len(values), dtype=np.uint8))


@given(st.lists(st.none() | st.tuples(st.floats(0, 100), st.floats(0, 100)), max_size=30))
def test_an_area_is_broken_off_wherever_there_is_nothing(ends):
    path = area([float(place) for place in range(len(ends))], ends)
    runs = "".join("x" if end else " " for end in ends).split()
    assert path.count("M") == path.count("z") == len(runs)
    assert path.count("L") == sum(2 * len(run) - 1 for run in runs)


@given(st.lists(st.none() | st.floats(5, 30), min_size=2, max_size=40), st.integers(1, 6))
def test_a_stretch_is_unwatched_once_nothing_was_read_for_as_long_as_the_limits_allow(values, patience):
    limits = [Tolerance(advisory=Band(12, 18), unwatched_after_ms=patience * MINUTE_MS)] * len(values)
    found = [(start // MINUTE_MS, stop // MINUTE_MS) for start, stop in unwatched(columns(values), limits)]
    blind = {place for start, stop in found for place in range(start, stop)}
    runs = "".join("x" if value is None else " " for value in values)
    for place in range(len(values)):
        left, right = runs.rfind(" ", 0, place + 1), runs.find(" ", place)
        long = (len(runs) if right < 0 else right) - left - 1
        assert (place in blind) == (values[place] is None and long >= patience)


def test_where_no_limit_was_asked_for_nothing_is_unwatched_and_no_field_is_drawn():
    empty = columns([None] * 10)
    assert list(unwatched(empty, [None] * 10)) == []
    plot = plot_of(empty, [None] * 10, Scale(0, 10 * MINUTE_MS, 0, 100), 0, "salinity")
    assert (plot.known, plot.inner, plot.outer, plot.trace, plot.hatched) == ("", "", "", "", ())


def test_a_probe_in_air_does_not_flatten_the_rest():
    values = [15.0 + place % 3 / 10 for place in range(300)]
    values[150] = 400.0
    plot = plot_of(columns(values), [EPHYRA] * 300, Scale(0, 300 * MINUTE_MS, 0, 100), 0, "salinity")
    assert [text for _, text in plot.rungs] == ["12", "14", "16", "18"]
    assert all(0 <= y <= PLOT_HEIGHT for y, _ in plot.rungs)


def test_nights_are_those_of_the_rack_also_when_the_clocks_change():
    # The last Sunday of October: clocks go back at 03:00, so that night lasts an hour longer (from memory).
    start = 1_792_821_600_000  # 2026-10-24T06:00Z
    found = nights(start, start + 48 * HOUR_MS, COPENHAGEN)
    assert [round((stop - begin) / HOUR_MS) for begin, stop in found] == [9, 8]
    assert list(nights(start, start + 60 * 24 * HOUR_MS, COPENHAGEN)) == []
