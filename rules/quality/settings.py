"""The limits of the quality tests for one quantity, checked when made, and defaults for a small rack."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from rules.errors import RulesError
from rules.quantities import Quantity

HOUR_MS: Final = 3_600_000
MAX_WINDOW_HOURS: Final = 240


class QualityError(RulesError):
    """A limit or a block of readings that the quality tests cannot work with."""


@dataclass(frozen=True, slots=True)
class Range:
    """A range in the quantity's unit, limits included. Raises QualityError when reversed or not finite."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high)):
            raise QualityError(f"range {self.low} to {self.high}: both limits must be finite numbers")
        if self.low >= self.high:
            raise QualityError(f"range {self.low} to {self.high}: the low limit must be below the high one")

    def contains(self, other: "Range") -> bool:
        """Tell whether the other range lies within this one."""
        return self.low <= other.low and other.high <= self.high


@dataclass(frozen=True, slots=True)
class Repeats:
    """How many previous readings, over how long, must agree with a reading before it counts as a flat line.

    count: the manuals' REP_CNT, the number of *previous* readings compared, so that 5 means six
    equal readings. duration_ms: the least time over which they agree, 0 for the count alone.
    """

    count: int
    duration_ms: int = 0

    def __post_init__(self) -> None:
        if self.count < 1:
            raise QualityError(f"flat line count {self.count}: at least 1 previous reading must be compared")
        if self.duration_ms < 0:
            raise QualityError(f"flat line duration {self.duration_ms} ms: must be 0 or more")


@dataclass(frozen=True, slots=True)
class QualitySettings:
    """The limits of every quality test for one quantity, in its unit; None leaves a test out.

    sensor_range: what the probe can report at all; outside is 4.
    operator_range: what the operator takes for water of this rack; outside is 3. Within sensor_range.
    climatology: what the stage and season make plausible; outside is 3.
    max_gap_ms: longest time between two readings of a channel that is in order.
    spike_suspect, spike_fail: greatest distance from the mean of both neighbours.
    max_change_per_hour: greatest rate between two readings.
    max_jump: how far a vessel's water can move at once, beside that rate; what is further off is 4.
    max_change_deviations: the manuals' N_DEV; greatest step in standard deviations of the last
        deviation_hours (TIM_DEV).
    min_step: steps up to this size are the probe's own noise and never suspect, whatever the rate.
    flat_line_eps: EPS; readings that differ by no more are equal.
    attenuated_suspect, attenuated_fail: MIN_VAR_WARN and MIN_VAR_FAIL; least variation over the last
        attenuated_hours (TST_TIM), taken as attenuated_by says: maximum minus minimum, or the
        standard deviation.

    Raises QualityError naming the setting, its value and what would be right.
    """

    sensor_range: Range
    operator_range: Range | None = None
    climatology: Range | None = None
    max_gap_ms: int | None = None
    spike_suspect: float | None = None
    spike_fail: float | None = None
    max_change_per_hour: float | None = None
    max_jump: float | None = None
    max_change_deviations: float | None = None
    deviation_hours: int = 25
    min_step: float = 0.0
    flat_line_eps: float = 0.0
    flat_line_suspect: Repeats | None = None
    flat_line_fail: Repeats | None = None
    attenuated_suspect: float | None = None
    attenuated_fail: float | None = None
    attenuated_hours: int = 12
    attenuated_by: Literal["range", "deviation"] = "range"

    def __post_init__(self) -> None:
        for name in _NOT_NEGATIVE:
            _check_not_negative(name, getattr(self, name))
        for name in ("deviation_hours", "attenuated_hours"):
            _check_hours(name, getattr(self, name))
        if self.attenuated_by not in ("range", "deviation"):
            raise QualityError(f'attenuated_by "{self.attenuated_by}": must be "range" or "deviation"')
        if self.operator_range is not None and not self.sensor_range.contains(self.operator_range):
            raise QualityError(f"operator_range {_text(self.operator_range)}: must lie within "
                               f"sensor_range {_text(self.sensor_range)}")  # fmt: skip
        self._check_order()

    def _check_order(self) -> None:
        _check_at_most("spike_suspect", self.spike_suspect, "spike_fail", self.spike_fail)
        _check_at_most("attenuated_fail", self.attenuated_fail, "attenuated_suspect", self.attenuated_suspect)
        if self.flat_line_suspect is not None and self.flat_line_fail is not None:
            _check_at_most("flat_line_suspect count", self.flat_line_suspect.count,
                           "flat_line_fail count", self.flat_line_fail.count)  # fmt: skip
            _check_at_most("flat_line_suspect duration_ms", self.flat_line_suspect.duration_ms,
                           "flat_line_fail duration_ms", self.flat_line_fail.duration_ms)  # fmt: skip


_NOT_NEGATIVE = (
    "max_gap_ms", "spike_suspect", "spike_fail", "max_change_per_hour", "max_jump",
    "max_change_deviations", "min_step",
    "flat_line_eps", "attenuated_suspect", "attenuated_fail",
)  # fmt: skip


def _text(limits: Range) -> str:
    return f"{limits.low} to {limits.high}"


def _check_not_negative(name: str, value: float | None) -> None:
    if value is not None and not (math.isfinite(value) and value >= 0):
        raise QualityError(f"{name} {value}: must be 0 or more, or left out to switch the test off")


def _check_hours(name: str, value: int) -> None:
    if not (isinstance(value, int) and 1 <= value <= MAX_WINDOW_HOURS):
        raise QualityError(f"{name} {value}: must be a whole number of hours from 1 to {MAX_WINDOW_HOURS}")


def _check_at_most(name: str, value: float | None, other: str, bound: float | None) -> None:
    if value is not None and bound is not None and value > bound:
        raise QualityError(f"{name} {value}: must not be greater than {other} {bound}")


DEFAULT_QUALITY: Final[Mapping[Quantity, QualitySettings]] = {
    Quantity.TEMPERATURE: QualitySettings(
        sensor_range=Range(-5.0, 50.0),  # common practice, no source: submersible platinum probe
        operator_range=Range(1.0, 33.0),  # common practice, no source: wider than any stage tolerates
        max_gap_ms=HOUR_MS,  # TIM_INC example of the QARTOD manuals
        spike_suspect=0.5,  # common practice, no source: litres of water cannot do this in one poll
        spike_fail=3.0,  # QARTOD T/S manual's example, its lower threshold (from memory)
        max_jump=1.0,  # project judgement: no water change by hand is so sudden
        max_change_per_hour=20.0,  # common practice, no source: a water change at worst
        max_change_deviations=3.0,  # N_DEV example of the QARTOD manuals
        min_step=0.2,  # common practice, no source: a chiller's switching as the probe sees it
    ),
    Quantity.CONDUCTIVITY: QualitySettings(
        sensor_range=Range(0.0, 100.0),  # common practice, no source: sea water cell
        operator_range=Range(10.0, 65.0),  # salinity 8 at 5 °C to 40 at 28 °C, rounded outwards
        max_gap_ms=HOUR_MS,
        spike_suspect=3.0,  # the manual's lower example for salinity is 3; a bubble in the cell does more
        spike_fail=10.0,  # common practice, no source: the cell has lost its water
        max_jump=4.0,  # project judgement: no water change by hand is so sudden
        max_change_per_hour=30.0,  # common practice, no source
        max_change_deviations=3.0,
        min_step=0.3,  # common practice, no source
    ),
    Quantity.SALINITY: QualitySettings(
        sensor_range=Range(0.0, 50.0),  # PSS-78 is defined from 2 to 42; the rest is still readable
        operator_range=Range(2.0, 42.0),  # range of PSS-78 (UNESCO technical paper 44, 1983)
        max_gap_ms=HOUR_MS,
        spike_suspect=1.5,  # project judgement: half the manual's lower example (3)
        spike_fail=5.0,  # common practice, no source
        max_jump=3.0,  # project judgement: no water change by hand is so sudden
        max_change_per_hour=20.0,  # common practice, no source: a water change at worst
        max_change_deviations=3.0,
        min_step=0.2,  # common practice, no source
    ),
    Quantity.OXYGEN: QualitySettings(
        sensor_range=Range(0.0, 30.0),  # common practice, no source: optical probe
        operator_range=Range(0.0, 20.0),  # common practice, no source: 140 % of saturation at 0 °C, fresh
        max_gap_ms=HOUR_MS,
        spike_suspect=2.0,  # project judgement: half the manual's lower example (4)
        spike_fail=4.0,  # QARTOD DO manual's example, its lower threshold (from memory)
        max_jump=1.5,  # project judgement: no water change by hand is so sudden
        max_change_per_hour=20.0,  # common practice, no source
        max_change_deviations=3.0,
        min_step=0.3,  # common practice, no source
    ),
    Quantity.OXYGEN_SATURATION: QualitySettings(
        sensor_range=Range(0.0, 300.0),  # common practice, no source: optical probe
        operator_range=Range(0.0, 200.0),  # common practice, no source
        max_gap_ms=HOUR_MS,
        spike_suspect=20.0,  # the oxygen threshold above as a share of 10 mg/L
        spike_fail=40.0,  # the oxygen thresholds above as a share of 9 to 10 mg/L
        max_jump=15.0,  # project judgement: no water change by hand is so sudden
        max_change_per_hour=200.0,  # common practice, no source
        max_change_deviations=3.0,
        min_step=3.0,  # common practice, no source
    ),
    Quantity.AIR_PRESSURE: QualitySettings(
        sensor_range=Range(600.0, 1100.0),  # what no inhabited place has is the barometer, not the air
        operator_range=Range(600.0, 1085.0),  # 4000 m of height to the greatest at sea level (from memory)
        max_gap_ms=HOUR_MS,
        spike_suspect=2.0,  # common practice, no source: a door or a fan
        spike_fail=20.0,  # common practice, no source
        max_change_per_hour=30.0,  # common practice, no source
        max_jump=10.0,  # project judgement: no weather is so sudden; other units than hPa are further off
        min_step=2.0,  # common practice, no source
    ),
}
"""Starting limits for a small rack; the site's own experience is better.

Without tests for a flat line or an attenuated signal: a coarse probe in calm water repeats itself for half a
day, and readings alone do not tell it from a frozen one (`rules.quality.calm` does, by witnesses).
"""
