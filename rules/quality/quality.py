"""Judging the quality of one channel's readings: every QARTOD test, one summary flag, one state.

Law: judging a block whole, or cut anywhere with the state written down in between, gives the same
flags bit for bit, once the amendment to the last reading of each part is made.
"""

from dataclasses import dataclass, replace
from math import inf, isnan
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from rules.quality.flags import (
    FAIL,
    MISSING,
    NOT_EVALUATED,
    PASS,
    SUSPECT,
    Flag,
    Flags,
    QartodTest,
    pack,
    summarise,
    unpack,
)
from rules.quality.flat_line import NO_RUN, flat_line_test
from rules.quality.hour_statistics import Floats, HourStatistics, Ints
from rules.quality.probe_faults import Belied
from rules.quality.qartod import (
    Bools,
    attenuated_signal_test,
    climatology_test,
    gross_range_test,
    rate_of_change_test,
    spike_test,
    syntax_test,
    timing_gap_test,
)
from rules.quality.settings import HOUR_MS, QualityError, QualitySettings
from rules.quality.state import QualityState

PART: Final = 32_768
"""Readings judged at a time: the arrays in work then stay in the processor's cache."""

_SURELY: Final = 0.999
"""Below so much of a limit no rounding of the test itself can find a step beyond it."""


@dataclass(frozen=True, slots=True)
class Judged:
    """The flags of one block, shape (readings,), and what they change in the block before.

    summary: a `Flag` each. causal: the summary from what was known when the reading came in, so
    without the spike test; judgement that must not depend on where a block was cut uses this one.
    tests: the flags of the single tests, packed by `rules.quality.flags.pack`.
    amended: the new summary of the last reading of the former block, None where it stays.
    amended_tests: that reading's flags, packed, None where they stay.
    state: to be handed in with the next block.
    """

    summary: Flags
    causal: Flags
    tests: npt.NDArray[np.uint32]
    amended: Flag | None
    amended_tests: int | None
    state: QualityState

    def with_inputs(self, suspect: Bools | None) -> Self:
        """Return the same, suspect where an input of a value is, or what the probe corrects it by."""
        if suspect is None:
            return self
        doubtful = (suspect & (self.causal == PASS)).nonzero()[0]
        causal, summary = self.causal.copy(), self.summary.copy()
        causal[doubtful] = SUSPECT
        summary[doubtful] = np.maximum(summary[doubtful], SUSPECT)
        return replace(self, causal=causal, summary=summary)

    def with_belied(self, belied: Belied) -> Self:
        """Return the same with what is belied failed: the flat-line test by a witness, rate of change by what
        no water does."""
        leapt = belied.jumped | belied.erratic
        tests = self.tests.copy()
        for test, where in ((QartodTest.FLAT_LINE, belied.frozen), (QartodTest.RATE_OF_CHANGE, leapt)):
            nibble = np.uint32(4 * test)
            tests[where] &= ~(np.uint32(0xF) << nibble)
            tests[where] |= np.uint32(FAIL) << nibble
        failed = belied.frozen | leapt
        causal, summary = self.causal.copy(), self.summary.copy()
        causal[failed] = summary[failed] = FAIL
        state = replace(self.state, tests=unpack(tests[-1:]))
        return replace(self, causal=causal, summary=summary, tests=tests, state=state)


def judge(
    time_ms: Ints,
    value: Floats,
    settings: QualitySettings,
    state: QualityState,
    unparsable: Bools | None = None,
) -> Judged:
    """Flag the next readings of a channel.

    time_ms: int64, UTC, strictly rising, also from block to block; value: float64 in the quantity's
    unit, not finite where missing; unparsable: readings that the driver could not make out; shapes
    (readings,). Raises QualityError where times do not rise or shapes differ;
    the state is not changed.
    """
    _check(time_ms, value, state)
    if value.size and _pass(time_ms, value, settings, state, unparsable):
        return _passed(time_ms, value, settings, state)
    size = value.size
    summary, causal = np.empty(size, np.uint8), np.empty(size, np.uint8)
    words = np.empty(size, np.uint32)
    amended, amended_tests = None, None
    for start in range(0, size, PART):
        part = slice(start, start + PART)
        refused = None if unparsable is None else unparsable[part]
        former = state.tests
        tests, state = _judge_part(time_ms[part], value[part], settings, state, refused)
        flags, packed = summarise(tests), pack(tests)
        causal[part], summary[part], words[part] = flags[0][1:], flags[1][1:], packed[1:]
        if tests[QartodTest.SPIKE, 0] == former[QartodTest.SPIKE, 0]:
            continue
        if start:
            summary[start - 1], words[start - 1] = flags[1][0], packed[0]
        else:
            # Until now the spike test was not evaluated, so the summary was the causal one.
            amended = Flag(int(flags[1][0])) if flags[0][0] != flags[1][0] else None
            amended_tests = int(packed[0])
    return Judged(summary, causal, words, amended, amended_tests, state)


def _check(time_ms: Ints, value: Floats, state: QualityState) -> None:
    if time_ms.ndim != 1 or time_ms.shape != value.shape:
        raise QualityError(
            f"times have the shape {time_ms.shape}, values {value.shape}: each reading needs one of both"
        )
    known = state.time_ms[-1:]
    if (time_ms[:1] <= known).any() or (time_ms[1:] <= time_ms[:-1]).any():
        times = np.concatenate((known, time_ms))
        at = int((times[1:] <= times[:-1]).argmax())
        raise QualityError(f"time {times[at + 1]} ms follows {times[at]} ms: a channel's times must rise")


def _pass(
    time_ms: Ints, value: Floats, settings: QualitySettings, state: QualityState, unparsable: Bools | None
) -> bool:
    """Tell whether no test can find anything in readings (one or more), by their greatest step.

    No reading is further from the mean of two, and no step is greater than how far all lie apart.
    """
    flat = settings.flat_line_suspect, settings.flat_line_fail
    look_back = (*flat, settings.attenuated_suspect, settings.attenuated_fail)
    if any(it is not None for it in look_back) or (unparsable is not None and unparsable.any()):
        return False
    low, high, known = float(value.min()), float(value.max()), state.value.tolist()
    ranges = settings.operator_range or settings.sensor_range, settings.climatology
    within = all(it is None or (it.low <= low and high <= it.high) for it in ranges)
    if not within or len(known) < 2 or any(map(isnan, known)):
        return False
    if settings.max_change_per_hour is None and settings.max_change_deviations is not None:
        return False
    least = settings.min_step if settings.max_change_per_hour is not None else inf
    spikes = [it for it in (settings.spike_suspect, settings.spike_fail) if it is not None]
    limit = min(_SURELY * it for it in (least, *spikes))
    if max(high, *known) - min(low, *known) > limit:
        row = np.concatenate((state.value, value))
        if value.size == 1 or not np.abs(row[1:] - row[:-1]).max() <= limit:
            return False
    return settings.max_gap_ms is None or _gap_ms(time_ms, state) <= settings.max_gap_ms


def _gap_ms(time_ms: Ints, state: QualityState) -> int:
    """Return the longest wait between readings, of one or more."""
    first = int(time_ms[0] - state.time_ms[-1])
    return first if time_ms.size == 1 else max(first, int((time_ms[1:] - time_ms[:-1]).max()))


def _passed(time_ms: Ints, value: Floats, settings: QualitySettings, state: QualityState) -> Judged:
    """Return what comes of readings that `_pass` every test that there is.

    The one before them was usable: what its own spike test says now changes no summary.
    """
    limits = (
        settings.max_gap_ms,
        True,
        True,
        settings.climatology,
        None,
        settings.max_change_per_hour,
        None,
        None,
    )
    flags = [NOT_EVALUATED if limit is None else PASS for limit in limits]  # in the order of the tests
    tests = np.empty((len(QartodTest), 3), dtype=np.uint8)  # the one before, between, the newest
    tests[:, :1], tests[:, 1:] = state.tests, np.array(flags)[:, None]
    if settings.spike_suspect is not None or settings.spike_fail is not None:
        tests[QartodTest.SPIKE, :-1] = PASS
    its, words, summary = pack(tests), np.empty(value.size, np.uint32), np.empty(value.size, np.uint8)
    words.fill(its[1])
    words[-1] = its[2]
    summary.fill(PASS)
    amended = tests[QartodTest.SPIKE, 0] != state.tests[QartodTest.SPIKE, 0]
    hours = HourStatistics()
    if settings.max_change_deviations is not None:
        hours = _with_hours(time_ms, value, settings, state)[0].last_hours(_hours_kept(settings))
    times = np.concatenate((state.time_ms[-1:], time_ms[-2:]))[-2:]
    values = np.concatenate((state.value[-1:], value[-2:]))[-2:]
    now = QualityState(times, values, tests[:, -1:].copy(), NO_RUN, hours, settings.sensor_range)
    return Judged(summary, summary.copy(), words, None, int(its[0]) if amended else None, now)


def _judge_part(
    time_ms: Ints, value: Floats, settings: QualitySettings, state: QualityState, unparsable: Bools | None
) -> tuple[Flags, QualityState]:
    """Return the flags, those of the reading before (the spike test now known) in front, and the state.

    Flags have the shape (8, 1 + readings).
    """
    flags = np.full((len(QartodTest), 1 + value.size), NOT_EVALUATED, dtype=np.uint8)
    flags[:, :1] = state.tests
    tests = flags[:, 1:]
    usable = _judge_alone(value, settings, unparsable, tests)
    hours, max_step = _judge_hours(time_ms, usable, settings, state, tests)
    times, values = np.concatenate((state.time_ms, time_ms)), np.concatenate((state.value, usable))
    _judge_beside_others(times, values, settings, max_step, flags)
    tests[QartodTest.FLAT_LINE], run = flat_line_test(time_ms, usable, settings, state.run)
    _settle_unusable(usable, tests)
    last = flags[:, -1:].copy()
    return flags, QualityState(times[-2:], values[-2:], last, run, hours, settings.sensor_range)


def _judge_alone(value: Floats, settings: QualitySettings, unparsable: Bools | None, tests: Flags) -> Floats:
    """Fill the rows of the tests that need one value; return the values that others may use, else NaN.

    What the sensor cannot report is not water: the manuals would let it make spikes of its neighbours.
    """
    tests[QartodTest.SYNTAX] = syntax_test(value, unparsable)
    read = tests[QartodTest.SYNTAX] == PASS
    usable = value if read.all() else np.where(read, value, np.nan)
    tests[QartodTest.GROSS_RANGE] = gross_range_test(usable, settings.sensor_range, settings.operator_range)
    if settings.climatology is not None:
        tests[QartodTest.CLIMATOLOGY] = climatology_test(usable, settings.climatology)
    impossible = tests[QartodTest.GROSS_RANGE] == FAIL
    return np.where(impossible, np.nan, usable) if impossible.any() else usable


def _judge_hours(
    time_ms: Ints, usable: Floats, settings: QualitySettings, state: QualityState, tests: Flags
) -> tuple[HourStatistics, Floats | None]:
    """Fill the row of the attenuated signal; return the hours and the greatest step by deviation."""
    sensor = settings.sensor_range
    deviations = settings.max_change_deviations
    attenuated = settings.attenuated_suspect is not None or settings.attenuated_fail is not None
    if deviations is None and not attenuated:
        return HourStatistics(), None
    hours, readings = _with_hours(time_ms, usable, settings, state)
    first = hours.hour.size - readings.size
    max_step = None
    if deviations is not None:
        deviation = hours.deviation_before(settings.deviation_hours, first, sensor)
        max_step = np.repeat(deviations * deviation, readings)
    if attenuated:
        by_hour = _attenuated(hours, first, settings)
        tests[QartodTest.ATTENUATED_SIGNAL] = np.repeat(by_hour, readings)
    return hours.last_hours(_hours_kept(settings)), max_step


def _with_hours(
    time_ms: Ints, usable: Floats, settings: QualitySettings, state: QualityState
) -> tuple[HourStatistics, Ints]:
    """Return the hours up to the newest reading, and how many readings are in each of the block's."""
    sensor = settings.sensor_range
    past = state.hours if state.sensor_range == sensor else HourStatistics()
    if past.hour.size and time_ms[-1] // HOUR_MS == past.hour[-1]:
        return past.with_more(usable, sensor), np.array([time_ms.size])
    new, readings = HourStatistics.of(time_ms, usable, sensor)
    return past.followed_by(new), readings


def _hours_kept(settings: QualitySettings) -> int:
    return max(settings.deviation_hours, settings.attenuated_hours)


def _attenuated(hours: HourStatistics, first: int, settings: QualitySettings) -> Flags:
    window = settings.attenuated_hours
    variation = hours.span_before(window, first)
    if settings.attenuated_by == "deviation":
        deviation = hours.deviation_before(window, first, settings.sensor_range)
        variation = np.where(np.isnan(variation), np.nan, deviation)
    return attenuated_signal_test(variation, settings.attenuated_suspect, settings.attenuated_fail)


def _judge_beside_others(
    times: Ints, values: Floats, settings: QualitySettings, max_step: Floats | None, flags: Flags
) -> None:
    """Fill the rows of the tests that need the readings beside: the spike test's for the one before as well.

    times, values: up to two readings of the past, then the new ones, which are those of max_step.
    """
    past = values.size + 1 - flags.shape[1]
    if settings.max_gap_ms is not None:
        flags[QartodTest.TIMING, 1:] = timing_gap_test(times, settings.max_gap_ms)[past:]
    if settings.max_change_per_hour is not None or max_step is not None:
        steps = None if max_step is None else np.concatenate((np.full(past, np.nan), max_step))
        rate = rate_of_change_test(times, values, settings.max_change_per_hour, steps, settings.min_step)
        flags[QartodTest.RATE_OF_CHANGE, 1:] = rate[past:]
    if settings.spike_suspect is not None or settings.spike_fail is not None:
        spike = spike_test(values, settings.spike_suspect, settings.spike_fail)
        first = past - 1 if past and not np.isnan(values[past - 1]) else past
        flags[QartodTest.SPIKE, first - past + 1 :] = spike[first:]


def _settle_unusable(usable: Floats, tests: Flags) -> None:
    """Flag 9 in every row what is missing, and 2 in the rows after gross range what no test could use."""
    unusable = np.isnan(usable).nonzero()[0]
    if unusable.size:
        tests[QartodTest.SPIKE :, unusable] = NOT_EVALUATED
        missing = unusable[tests[QartodTest.SYNTAX, unusable] != PASS]
        tests[QartodTest.GROSS_RANGE :, missing] = MISSING
