"""What is said of a probe that does not move; all readings are invented."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from rules.quality.calm import LEAST_MS, MOVING, TIMES_THE_LONGEST, Calm, Stretch, Usual, Witness, frozen
from rules.quality.history import Learned
from rules.quality.hour_statistics import Buckets
from rules.quantities import Quantity

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


DAY, HOUR, MINUTE = 86_400_000, 3_600_000, 60_000
NOTHING = Usual(Quantity.TEMPERATURE, None)


@pytest.mark.parametrize(("days_ago", "counts"), [(13, True), (14, True), (15, False)])
def test_the_longest_calm_of_a_fortnight_counts_three_times_less_what_telling_takes(days_ago, counts):
    """A calm of three hours makes one of nine frozen, less a minute of delay and a bucket of five."""
    day = 20_370
    past = Calm(longest=({day - days_ago: 3 * HOUR}, {}, {}), began_ms=(day - 30) * DAY)
    before, _ = Buckets().followed_by(np.array([day * DAY]), np.array([15.0]))
    past = replace(past, buckets=before, value=15.0)
    at_ms = day * DAY + MINUTE * np.arange(1, 30)
    value = np.full(at_ms.size, 15.0)
    _, after = frozen(at_ms, value, past, before.followed_by(at_ms, value), NOTHING, [])
    assert after.stretches[0].since_ms == day * DAY
    longest_ms = 3 * HOUR if counts else LEAST_MS
    assert after.stretches[0].frozen_ms == 3 * longest_ms - 6 * MINUTE
    assert after.longest[0] == past.longest[0]


def test_a_day_keeps_the_narrowest_span_that_a_probe_had_on_it():
    """A calibration in the day's middle makes what is usual narrower, or wider."""
    past, kept = Calm(), []
    for number, digit in enumerate((0.02, 0.01, 0.04)):
        at_ms, value = np.array([number * HOUR]), np.array([15.0 + number])
        usual = Usual(Quantity.TEMPERATURE, Learned(0, 100, 0.0, 0.0, digit, 0.1))
        _, past = frozen(at_ms, value, past, past.buckets.followed_by(at_ms, value), usual, [])
        kept.append(past.spans)
    narrow = ({0: usual_span * 0.01} for usual_span in (1.25, 2.5))
    assert kept == [({0: 0.025}, {0: 0.05}), *2 * [tuple(narrow)]]


def test_a_stretch_begins_anew_where_other_witnesses_are_asked():
    at_ms = MINUTE * np.arange(1, 60)
    value, still = np.full(at_ms.size, 15.0), Buckets().followed_by(at_ms, np.full(at_ms.size, 20.0))[0]
    _, past = frozen(at_ms, value, Calm(), Buckets().followed_by(at_ms, value), NOTHING, [])
    assert past.stretches[0].since_ms == MINUTE
    more_ms = at_ms + 60 * MINUTE
    now = past.buckets.followed_by(more_ms, value)
    _, after = frozen(more_ms, value, past, now, NOTHING, [Witness(still, 0.5)])
    assert after.stretches[0].since_ms == 55 * MINUTE, "with the bucket that was open then"
    assert len(after.stretches[0].beside) == 1


@pytest.mark.parametrize(
    ("changed_min", "stretches_min", "frozen", "said"),
    [(0, [], False, None), (40, [20], False, None), (40, [21], False, False), (0, [], True, True)],
)
def test_what_changed_by_its_last_digit_is_doubted_as_well(changed_min, stretches_min, frozen, said):
    """At minute 50: the oldest stretch or change counts, one that holds no bucket does not."""
    stretches = (*(Stretch(count=3, since_ms=it * MINUTE) for it in stretches_min), Stretch(since_ms=5))
    calm = Calm(stretches=stretches, changed_ms=changed_min * MINUTE, frozen_ms=0 if frozen else MOVING)
    assert calm.is_frozen(50 * MINUTE, counted=False) is said


@pytest.mark.parametrize(
    ("quantity", "seen", "spans"),
    [("temperature", 0.0, (0.0125, 0.025)), ("air_pressure", 0.0, (0.125, 0.25)),
     ("temperature", 0.1, (0.125, 0.25)), ("temperature", 0.3, (0.25, 0.25))],
)  # fmt: skip
def test_a_new_probe_dithers_by_its_smallest_step_or_the_usual_last_digit(quantity, seen, spans):
    """One and a quarter, and two and a half, of a digit; at most ten times those of a usual probe."""
    assert Usual(Quantity(quantity), None).spans(seen) == pytest.approx(spans)


def test_a_noisy_probe_dithers_by_what_its_noise_never_keeps_to():
    known = Learned(0, 40, 0.0, 0.1, 0.01, 0.1)
    assert Usual(Quantity.TEMPERATURE, known).spans(9.0) == pytest.approx((0.0125, 0.125))
    assert Usual(Quantity.TEMPERATURE, replace(known, noise=1.0)).spans(9.0) == pytest.approx((0.0125, 0.25))


@pytest.mark.parametrize(("digit", "times"), [(None, 2.0), (0.01, 1.0), (0.1, 1.0), (0.2, 2.0), (0.3, 3.0)])
def test_a_witness_of_a_coarse_probe_must_move_by_five_digits_of_it(digit, times):
    known = digit and Learned(0, 40, 0.0, 0.0, digit, 0.1)
    assert Usual(Quantity.TEMPERATURE, known).moved == pytest.approx(times)


def test_a_bucket_of_many_equal_readings_and_one_after_a_gap_are_judged_the_same_however_they_are_cut():
    """Seen: a probe read each 5 s that stood still before and after 24 min of silence."""
    begins, moving = 20_370 * DAY + 12 * HOUR, 0.5 * np.arange(60)
    parts = [
        (begins - 5 * MINUTE, 10.0 + moving),
        (begins, np.full(60, 15.0)),
        (begins + 29 * MINUTE, np.concatenate((np.full(10, 15.0), 16.0 + moving))),
        (begins + 36 * MINUTE, 20.0 + moving),
    ]
    at_ms = np.concatenate([start + 5000 * np.arange(value.size) for start, value in parts])
    value = np.concatenate([value for _, value in parts])

    def judged(cuts):
        before, _ = Buckets().followed_by(np.array([begins - 10 * MINUTE]), np.array([3.0]))
        past, found = Calm(buckets=before, began_ms=begins - 4 * DAY, value=3.0), []
        for start, stop in pairwise([0, *cuts, at_ms.size]):
            its = at_ms[start:stop], value[start:stop]
            told, past = frozen(*its, past, past.buckets.followed_by(*its), NOTHING, [])
            found += told.tolist()
        return found

    assert judged([]) == judged(range(1, at_ms.size))
    assert [since_ms for since_ms in judged([]) if since_ms != MOVING] == [begins] * 10


@pytest.mark.parametrize("odd", [15.0, 14.5, 15.5])
def test_what_was_read_before_in_the_bucket_that_is_open_counts_too(odd):
    """Still for 25 minutes beside a thermometer that moves; then two readings of a bucket, in two blocks."""
    at_ms = MINUTE * np.arange(1, 26)
    value, moves = np.full(25, 15.0), Buckets().followed_by(at_ms, 20.0 + 0.1 * np.arange(25))[0]
    beside = [Witness(moves, 0.5)]
    _, past = frozen(at_ms, value, Calm(), Buckets().followed_by(at_ms, value), NOTHING, beside)
    found = []
    for minute, its in ((26, odd), (27, 15.0)):
        one = np.array([minute * MINUTE]), np.array([its])
        told, past = frozen(*one, past, past.buckets.followed_by(*one), NOTHING, beside)
        found.append(bool(told[0] != MOVING))
    assert found == [odd == 15.0] * 2
