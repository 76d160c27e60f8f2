"""The [quality] tables over the built-in thresholds; the racks and numbers are invented."""

import pytest

from daemon.settings.quality import QualityTables
from rules.quality.settings import DEFAULT_QUALITY, HOUR_MS, QualityError, Range, Repeats
from rules.quantities import Quantity

T = Quantity.TEMPERATURE


def tables(**given):
    return QualityTables.model_validate(given)


def test_without_a_table_the_built_in_thresholds_hold():
    assert tables().general() == dict(DEFAULT_QUALITY)
    assert tables().closer("ephyra", "k1", "k1-multi") == {}


def test_every_kind_of_key_with_its_unit():
    found = tables(
        temperature={
            "usual_low_c": 8.0,
            "usual_high_c": 24.0,
            "operator_high_c": 30.0,
            "spike_fail_c": "none",
            "max_jump_c": 2.0,
            "max_change_c_per_hour": 5.0,
            "max_gap_s": 90.0,
            "deviation_h": 12,
            "flat_line_readings": 6,
            "flat_line_suspect_h": 3.0,
            "attenuated_suspect_c": 0.02,
            "attenuated_h": 6,
            "attenuated_by": "deviation",
        }
    ).general()[T]
    assert (found.climatology, found.operator_range) == (Range(8.0, 24.0), Range(1.0, 30.0))
    assert (found.spike_fail, found.max_jump, found.max_change_per_hour) == (None, 2.0, 5.0)
    assert (found.max_gap_ms, found.deviation_hours) == (90_000, 12)
    assert (found.flat_line_suspect, found.flat_line_fail) == (Repeats(6, 3 * HOUR_MS), None)
    assert (found.attenuated_suspect, found.attenuated_hours, found.attenuated_by) == (0.02, 6, "deviation")
    assert found.spike_suspect == DEFAULT_QUALITY[T].spike_suspect


def test_a_probe_goes_over_its_vessel_and_that_over_the_stage():
    given = tables(
        temperature={"min_step_c": 0.1},
        stages={"ephyra": {"temperature": {"min_step_c": 0.2, "spike_suspect_c": 0.6}}},
        vessels={"k1": {"temperature": {"spike_suspect_c": 0.7, "spike_fail_c": 4.0}}},
        probes={"k1-multi": {"temperature": {"spike_fail_c": 5.0}}},
    )
    assert given.general()[T].min_step == 0.1
    found = given.closer("ephyra", "k1", "k1-multi")[T]
    assert (found.min_step, found.spike_suspect, found.spike_fail) == (0.2, 0.7, 5.0)
    assert given.closer("polyp", "k2", "other") == {}


def test_thresholds_that_contradict_the_built_in_ones_are_refused():
    with pytest.raises(QualityError, match=r"spike_suspect 9\.0: must not be greater"):
        tables(temperature={"spike_suspect_c": 9.0}).general()
