"""Of two thermometers in a vessel that are both lost, the probe's own says what is usual there."""

import numpy as np
import pytest

from rules.judging.ranked_inputs import USUALLY, Inputs
from rules.judging.series import SAMPLES_KEPT, ChannelState, Samples, Series
from rules.judging.watch_list import WatchList
from rules.quantities import Quantity
from rules.rack.plan import Source
from rules.rack.stage_plan import StageNow
from rules.rack.state import RackState
from tests.rigs.watched_rack import DAY, MINUTE, START_MS, plan_of

CELL = Source(1, "multi", Quantity.CONDUCTIVITY, "k1", 5 * MINUTE)
OTHER = Source(2, "apart", Quantity.TEMPERATURE, "k1", 5 * MINUTE)
OWN = Source(3, "multi", Quantity.TEMPERATURE, "k1", 5 * MINUTE)


def lost(value):
    """A channel that was read last a year ago, after a whole day at a value."""
    last_day = Samples(tuple(range(SAMPLES_KEPT)), (value,) * SAMPLES_KEPT)
    return ChannelState(good_time_ms=START_MS - 365 * DAY, good_value=value, sample=last_day)


@pytest.mark.parametrize("sources", [(CELL, OWN, OTHER), (OTHER, CELL, OWN)])
def test_the_probes_own_last_day_counts_before_that_of_another(sources):
    watch_list = WatchList(plan_of(sources, {}), RackState({"k1": StageNow("", 0)}))
    states = {channel.name: ChannelState() for channel in watch_list.channels}
    states |= {"k1/temperature/multi": lost(15.0), "k1/temperature/apart": lost(20.0)}
    at = Series(np.arange(1), np.array([START_MS]), np.array([40.0]))
    salinity = next(it for it in watch_list.channels if it.quantity is Quantity.SALINITY)
    inputs = Inputs(watch_list, states, (), lambda _channel: None)
    known = inputs.of(salinity.needs[0], "k1", at)
    assert (known.value.tolist(), known.error.tolist()) == ([15.0], [USUALLY[Quantity.TEMPERATURE]])
