"""The QARTOD real-time tests, one function each, named as in the manuals.

Source: U.S. IOOS, Manual for Real-Time Quality Control of In-situ Temperature and Salinity Data
(version 2.1, 2020) and of Dissolved Oxygen Observations (version 2.1, 2018). Flat line has a module
of its own, `rules.quality.flat_line`. Tests 9 and 11 (multi-variate, neighbour) are not among them: what they
ask for is asked of witnesses (`rules.quality.calm`) and of redundant probes (disagreement).

All take and give arrays of shape (readings,), in order of time; a value that is NaN is missing and
flagged 9. A test that looks at neighbours flags the readings that lack one with 2, so whoever cuts
a series into blocks hands the last readings of the former block in again. Thresholds themselves
pass: only what is beyond them is flagged.
"""

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from rules.quality.flags import FAIL, MISSING, NOT_EVALUATED, PASS, SUSPECT, Flags
from rules.quality.settings import HOUR_MS, Range

Ints: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]
Bools: TypeAlias = npt.NDArray[np.bool_]


def timing_gap_test(time_ms: Ints, max_gap_ms: int) -> Flags:
    """Test 1 between readings: flag 4 what follows a gap longer than max_gap_ms; the first is 2."""
    flags = _all(PASS, time_ms.size)
    flags[:1] = NOT_EVALUATED
    np.putmask(flags[1:], time_ms[1:] - time_ms[:-1] > max_gap_ms, FAIL)
    return flags


def syntax_test(value: Floats, unparsable: Bools | None = None) -> Flags:
    """Test 2: flag 4 what the driver could not read, 9 what is not a finite number.

    The frames and payloads themselves are checked by the drivers; the manuals' flag 3 for a wrong
    record length has no counterpart there, since such a record is refused.
    """
    flags = _all(PASS, value.size)
    finite = np.isfinite(value)
    if not finite.all():
        flags[~finite] = MISSING
    if unparsable is not None:
        flags[unparsable] = FAIL
    return flags


def gross_range_test(value: Floats, sensor: Range, operator: Range | None = None) -> Flags:
    """Test 4: flag 4 outside the sensor's range, 3 outside the operator's; the limits pass."""
    flags = _all(PASS, value.size)
    narrowest = sensor if operator is None else operator
    if _all_within(value, narrowest):
        return flags
    if operator is not None:
        flags[_outside(value, operator)] = SUSPECT
    flags[_outside(value, sensor)] = FAIL
    return _mark_missing(flags, value)


def climatology_test(value: Floats, plausible: Range) -> Flags:
    """Test 5: flag 3 outside what the stage and season make plausible; there is no flag 4."""
    flags = _all(PASS, value.size)
    if _all_within(value, plausible):
        return flags
    flags[_outside(value, plausible)] = SUSPECT
    return _mark_missing(flags, value)


def spike_test(value: Floats, suspect: float | None, fail: float | None) -> Flags:
    """Test 6: flag 3 or 4 what is further than a threshold from the mean of both its neighbours.

    The first and the last reading, and those beside a missing one, are 2.
    """
    flags = _all(NOT_EVALUATED, value.size)
    if value.size > 2:
        distance = value[:-2] + value[2:]
        distance /= 2.0
        np.subtract(value[1:-1], distance, out=distance)
        np.abs(distance, out=distance)
        inner = flags[1:-1]
        np.putmask(inner, distance >= 0.0, PASS)  # false where any of the three is NaN
        farthest = distance.max()
        for threshold, flag in ((suspect, SUSPECT), (fail, FAIL)):
            if threshold is not None and not farthest <= threshold:
                np.putmask(inner, distance > threshold, flag)
    return _mark_missing(flags, value)


def rate_of_change_test(
    time_ms: Ints,
    value: Floats,
    max_per_hour: float | None,
    max_step: Floats | None = None,
    min_step: float = 0.0,
) -> Flags:
    """Test 7: flag 3 a reading whose step from the one before is too great; there is no flag 4.

    max_per_hour: greatest rate, in units per hour. max_step: greatest step for each reading, the
    manuals' N_DEV standard deviations; NaN where not known. Steps up to min_step always pass.
    The first reading and those beside a missing one are 2, as is one without any limit known.
    """
    flags = _all(NOT_EVALUATED, value.size)
    step = np.abs(value[1:] - value[:-1])
    later = flags[1:]
    too_far = np.zeros(step.size, dtype=np.bool_)
    if max_per_hour is not None:
        np.putmask(later, step >= 0.0, PASS)
        too_far |= step * float(HOUR_MS) > max_per_hour * (time_ms[1:] - time_ms[:-1])
    if max_step is not None:
        if max_per_hour is None:
            np.putmask(later, (step >= 0.0) & (max_step[1:] >= 0.0), PASS)
        too_far |= step > max_step[1:]
    if too_far.any():
        np.putmask(later, too_far & (step > min_step), SUSPECT)
        np.putmask(later, too_far & (step <= min_step), PASS)
    return _mark_missing(flags, value)


def attenuated_signal_test(variation: Floats, suspect: float | None, fail: float | None) -> Flags:
    """Test 10: flag 3 or 4 where the variation over the window is below a threshold; 2 where it is NaN.

    variation: maximum minus minimum, or standard deviation, see `rules.quality.hour_statistics`.
    """
    flags = _all(NOT_EVALUATED, variation.size)
    np.putmask(flags, variation >= 0.0, PASS)
    for threshold, flag in ((suspect, SUSPECT), (fail, FAIL)):
        if threshold is not None:
            np.putmask(flags, variation < threshold, flag)
    return flags


def _all(flag: np.uint8, size: int) -> Flags:
    flags = np.empty(size, dtype=np.uint8)
    flags.fill(flag)
    return flags


def _all_within(value: Floats, limits: Range) -> bool:
    """Tell whether no value is outside or NaN, which is nearly always so, without making an array."""
    return bool(value.min(initial=limits.low) >= limits.low and value.max(initial=limits.high) <= limits.high)


def _outside(value: Floats, limits: Range) -> Bools:
    return (value < limits.low) | (value > limits.high)


def _mark_missing(flags: Flags, value: Floats) -> Flags:
    """Flag 9 what is NaN, in place."""
    np.putmask(flags, np.isnan(value), MISSING)
    return flags
