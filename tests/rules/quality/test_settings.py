"""Limits of the quality tests: what is refused, with what words, and the way through JSON."""

import dataclasses
import json
import math

import pytest

from rules.errors import RulesError
from rules.plain import from_plain, to_plain
from rules.quality.settings import DEFAULT_QUALITY, QualityError, QualitySettings, Range, Repeats
from rules.quantities import Quantity

SENSOR = Range(0.0, 50.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Range(9.0, 7.0), "range 9.0 to 7.0: the low limit must be below the high one"),
        (lambda: Range(7.0, 7.0), "range 7.0 to 7.0: the low limit must be below the high one"),
        (lambda: Range(-math.inf, 7.0), "range -inf to 7.0: both limits must be finite numbers"),
        (lambda: Range(7.0, math.nan), "range 7.0 to nan: both limits must be finite numbers"),
        (lambda: Repeats(0), "flat line count 0: at least 1 previous reading must be compared"),
        (lambda: Repeats(3, -1), "flat line duration -1 ms: must be 0 or more"),
        (
            lambda: QualitySettings(SENSOR, operator_range=Range(-1.0, 40.0)),
            "operator_range -1.0 to 40.0: must lie within sensor_range 0.0 to 50.0",
        ),
        (
            lambda: QualitySettings(SENSOR, spike_suspect=8.0, spike_fail=3.0),
            "spike_suspect 8.0: must not be greater than spike_fail 3.0",
        ),
        (
            lambda: QualitySettings(SENSOR, attenuated_suspect=0.1, attenuated_fail=0.2),
            "attenuated_fail 0.2: must not be greater than attenuated_suspect 0.1",
        ),
        (
            lambda: QualitySettings(SENSOR, flat_line_suspect=Repeats(5), flat_line_fail=Repeats(3)),
            "flat_line_suspect count 5: must not be greater than flat_line_fail count 3",
        ),
        (
            lambda: QualitySettings(SENSOR, flat_line_suspect=Repeats(3, 9), flat_line_fail=Repeats(3, 8)),
            "flat_line_suspect duration_ms 9: must not be greater than flat_line_fail duration_ms 8",
        ),
        (
            lambda: QualitySettings(SENSOR, spike_fail=-1.0),
            "spike_fail -1.0: must be 0 or more, or left out to switch the test off",
        ),
        (
            lambda: QualitySettings(SENSOR, min_step=math.nan),
            "min_step nan: must be 0 or more, or left out to switch the test off",
        ),
        (
            lambda: QualitySettings(SENSOR, deviation_hours=0),
            "deviation_hours 0: must be a whole number of hours from 1 to 240",
        ),
        (
            lambda: QualitySettings(SENSOR, attenuated_by="variance"),
            'attenuated_by "variance": must be "range" or "deviation"',
        ),
    ],
)
def test_refused_in_one_clear_line(make, message):
    with pytest.raises(QualityError) as refusal:
        make()
    assert str(refusal.value) == message
    assert isinstance(refusal.value, RulesError)


def test_every_quantity_has_defaults():
    assert set(DEFAULT_QUALITY) == set(Quantity)


full = QualitySettings(
    SENSOR,
    operator_range=Range(1.0, 40.0),
    climatology=Range(10.0, 20.0),
    max_gap_ms=60_000,
    flat_line_suspect=Repeats(3, 5),
    flat_line_fail=Repeats(5, 7),
    attenuated_by="deviation",
)


@pytest.mark.parametrize("settings", [*DEFAULT_QUALITY.values(), full, QualitySettings(SENSOR)])
def test_json_gives_the_same_settings_back(settings):
    text = json.dumps(to_plain(settings))
    assert from_plain(QualitySettings, json.loads(text)) == settings


def test_a_stage_move_replaces_the_climatology_alone():
    moved = dataclasses.replace(full, climatology=Range(5.0, 12.0))
    assert moved.climatology == Range(5.0, 12.0)
    assert moved.operator_range == full.operator_range


# Written down a second time, so that no slip of a finger changes what is flagged: sensor range, operator
# range, longest gap in seconds, spike suspect and fail, change per hour, deviations, least step, jump.
# The sources stand beside the numbers in the module; where there is none, common practice.
AGREED = """
temperature       -5 50  1 33  3600  0.5 3  20 3 0.2  1
conductivity      0 100  10 65  3600  3 10  30 3 0.3  4
salinity          0 50  2 42  3600  1.5 5  20 3 0.2  3
oxygen            0 30  0 20  3600  2 4  20 3 0.3  1.5
oxygen_saturation 0 300  0 200  3600  20 40  200 3 3  15
air_pressure      600 1100  600 1085  3600  2 20  30 - 2  10
"""


@pytest.mark.parametrize("row", AGREED.split("\n")[1:-1])
def test_the_defaults_are_what_was_agreed(row):
    quantity, *given = row.split()
    found = DEFAULT_QUALITY[Quantity(quantity)]
    sensor, operator = found.sensor_range, found.operator_range
    assert [
        *(sensor.low, sensor.high, operator.low, operator.high, found.max_gap_ms / 1000),
        *(found.spike_suspect, found.spike_fail, found.max_change_per_hour, found.max_change_deviations),
        *(found.min_step, found.max_jump),
    ] == [None if word == "-" else float(word) for word in given]
    assert (found.deviation_hours, found.attenuated_hours, found.attenuated_by) == (25, 12, "range")
    assert (found.flat_line_eps, found.climatology) == (0.0, None)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_no_default_takes_a_coarse_probe_in_calm_water_for_a_frozen_one(quantity):
    found = DEFAULT_QUALITY[quantity]
    assert (found.flat_line_suspect, found.flat_line_fail) == (None, None)
    assert (found.attenuated_suspect, found.attenuated_fail) == (None, None)


def test_limits_at_their_very_bounds_are_taken():
    assert Repeats(1).duration_ms == 0
    assert QualitySettings(SENSOR, operator_range=SENSOR).operator_range == SENSOR
    assert QualitySettings(SENSOR, spike_suspect=3.0, spike_fail=3.0).spike_suspect == 3.0
    assert (
        QualitySettings(SENSOR, spike_suspect=0.0, deviation_hours=1, attenuated_hours=240).spike_suspect == 0
    )
    with pytest.raises(QualityError, match="from 1 to 240"):
        QualitySettings(SENSOR, attenuated_hours=241)
    with pytest.raises(QualityError, match="whole number"):
        QualitySettings(SENSOR, deviation_hours=1.5)
