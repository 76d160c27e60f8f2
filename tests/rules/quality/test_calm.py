"""What is said of a probe that does not move; all readings are invented."""

import numpy as np
import pytest

from rules.quality.calm import LEAST_MS, TIMES_THE_LONGEST, Calm
from rules.quality.hour_statistics import Buckets

DOUBTED_MS = TIMES_THE_LONGEST * LEAST_MS


def test_what_has_not_changed_for_half_an_hour_is_doubted_from_then_on():
    still = Calm(began_ms=0, changed_ms=0, value=15.0)
    said = [still.is_frozen(ms, counted=False) for ms in (0, DOUBTED_MS - 1, DOUBTED_MS, 2 * DOUBTED_MS)]
    assert said == [False, False, None, None]
    assert still.is_frozen(DOUBTED_MS, counted=True) is False, "each answer is a new one"


@pytest.mark.parametrize("cut", range(1, 12))
def test_buckets_of_five_minutes_are_the_same_wherever_a_block_ends(cut):
    at_ms, value = np.arange(12) * 60_000, 15.0 + np.arange(12) % 5 * 0.1
    whole, _ = Buckets().followed_by(at_ms, value)
    begun, _ = Buckets().followed_by(at_ms[:cut], value[:cut])
    parts, _ = begun.followed_by(at_ms[cut:], value[cut:])
    assert whole.when[1].tolist() == [5, 5, 2], "readings in each"
    assert (parts.when.tolist(), parts.extremes.tolist()) == (whole.when.tolist(), whole.extremes.tolist())
