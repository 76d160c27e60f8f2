"""Where somebody is at work, place by place: of a vessel, and of whatever hangs on a bus. All invented."""

import numpy as np
import pytest

from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.work import Work

VESSEL, BUS = frozenset({"vessel/k1"}), frozenset({"bus/a"})
WORK = Work((-1, 4, 4, 9), (frozenset(), BUS, VESSEL | BUS, VESSEL))


@pytest.mark.parametrize(
    ("vessel", "bus", "where"),
    [("k1", "a", [4, 5, 9, 12]), ("k1", "b", [4, 5, 9, 12]), ("k2", "a", [4, 5]), ("k2", "", [])],
)
def test_somebody_is_at_work_on_a_source_of_the_vessel_or_on_the_bus(vessel, bus, where):
    here = np.array([0, 3, 4, 5, 9, 12])
    found = WORK.at(Source(1, "p", Quantity.TEMPERATURE, vessel, 1, bus), here)
    assert (here[:0] if found is None else here[found]).tolist() == where


def test_nowhere_is_none():
    source = Source(1, "p", Quantity.TEMPERATURE, "k1", 1, "a")
    assert WORK.at(source, np.array([0, 3])) is None
    assert WORK.at(source, np.array([], dtype=np.intp)) is None
