"""An optode that somebody lifts out alone, to wipe it, and puts back: no fall of oxygen, and it hides none.

Invented lifts in measured calm water, drawn by seed. In air it reads what is in balance with the air at the
water's temperature, by a lag of its own (common practice, no source), or up to 15 % more where it goes by a
warmer thermometer or without the salt; and its noise.
"""

import numpy as np
import pytest

from tests.rigs.nights.lost_inputs import MIDDLE, NOISE_SD, WATERS, on_digit
from tests.rules.judging.test_seen_cases import judged


def lift(seed, falls_per_min=0.0):
    """A lift or two of an optode: how many minutes until it is back for the first time, what was announced.

    `falls_per_min` is how fast the oxygen is lost from then on, in mg/L.
    """
    draw = np.random.default_rng([4026187733, seed])
    tank, separate = int(draw.integers(len(WATERS))), bool(draw.integers(2))
    out_min, lag_min = draw.uniform(1.0, 60.0 if draw.random() < 0.5 else 12.0), draw.uniform(0.2, 1.5)
    again_min = draw.choice([np.inf, out_min + draw.uniform(20.0, 90.0)])
    water, more = WATERS[tank], draw.uniform(1.0, 1.15)

    def read(value):
        minute = np.arange(value.size) * water.every_s / 60
        out = (minute < out_min) | ((minute >= again_min) & (minute < again_min + out_min))
        true = np.maximum(value - falls_per_min * np.maximum(minute - out_min, 0.0), 0.3)
        target, shown = np.where(out, more * value[0] / MIDDLE["o"] * 100.0, true), np.empty(value.size)
        now, keeps = value[0], np.exp(-water.every_s / 60 / lag_min)
        for place, to in enumerate(target.tolist()):
            now = shown[place] = to + (now - to) * keeps
        noise = NOISE_SD["o"] * water.noise * draw.normal(size=value.size)
        return on_digit(np.where(out, shown + noise, np.where(minute < again_min + 90.0, shown, true)),
                        water.digit["o"])  # fmt: skip

    return out_min, judged({"o": read}, separate=separate, tank=tank)[1]


@pytest.mark.parametrize("seed", range(16))
def test_to_put_it_back_is_no_fall_of_oxygen(seed):
    """Seen: in half of the draws somebody was called, up to half an hour after the probe was wiped."""
    assert [event.alarm for _, event in lift(seed)[1] if event.cause.endswith("oxygen/down")] == []


@pytest.mark.parametrize("seed", range(16))
def test_oxygen_that_is_lost_as_it_is_put_back_is_told_all_the_same(seed):
    falls = np.random.default_rng([2250693171, seed]).uniform(0.05, 0.4)
    out_min, said = lift(seed, falls)
    told = (at for at, event in said if event.cause.endswith("oxygen/down"))
    assert 0.0 < min(told) - out_min <= 3.0 + 10.0 + 0.6 / falls
