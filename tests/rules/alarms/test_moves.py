"""How long nobody is told of what was told twice, turn by turn; with water: `test_to_and_fro.py`."""

import numpy as np
import pytest

from rules.alarms.moves import Move, told
from rules.alarms.persistence import Turn
from rules.alarms.recurrence import Recurrence

MINUTE, HOUR = 60_000, 3_600_000


@pytest.mark.parametrize(
    ("first_h", "second_h", "waits_h"),
    [(2.1, 3.2, 4.8), (0.7, 0.4, 1.05), (10.5, 0.9, 6.0), (1.3, 14.8, 6.0)],
)
def test_the_third_time_waits_for_half_as_long_again_as_the_longest_but_no_longer_than_six_hours(
    first_h, second_h, waits_h
):
    """Beyond a milder limit for most of a day, 1.5 times that would be most of the next night."""
    begins_h = np.cumsum([0.0, first_h, 0.6, second_h, 0.8])
    time_ms = (begins_h * HOUR).round().astype(np.int64) + 1_760_000_000_000
    turns = [Turn(at, at % 2 == 0, int(ms)) for at, ms in enumerate(time_ms)]
    move = Move(time_ms, np.zeros(5), 1.0, np.zeros(5, dtype=np.bool_), None)
    waits = [turn.waits_ms for turn in told(turns, False, move, Recurrence(limit=18.0), None, False)]
    assert waits[:4] == [0, 0, 0, 0]
    assert waits[4] == pytest.approx(waits_h * HOUR, abs=MINUTE)
