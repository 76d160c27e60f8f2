"""From the settings to the plan that the rules work by: nothing lost, nothing in another unit."""

import pytest

from daemon.check.load import load_settings
from daemon.settings.plan import rack_plan
from rules.plain import from_plain, to_plain
from rules.quantities import Quantity
from rules.rack.limits import limits_of
from rules.rack.plan import RACK_WIDE, RackPlan
from tests.rigs.daemon_run import write_settings
from tests.rigs.places import DEMO_SETTINGS, ROOT

EXAMPLE = ROOT / "deploy" / "bellwatch.example.toml"
DEMO = DEMO_SETTINGS


class Numbers:
    """Numbers sources as the journal does: a new one for what it has not seen."""

    def __init__(self):
        self.given = {}

    def __call__(self, probe, quantity, vessel):
        return self.given.setdefault((probe, str(quantity), vessel), len(self.given) + 1)


@pytest.fixture(params=[EXAMPLE, DEMO], ids=["example", "demo"])
def settings(request):
    return load_settings(request.param)


def test_a_vessel_of_another_lineage_has_limits_of_its_own(tmp_path):
    """What the file sets for a stage goes over the built-in limits of either lineage."""
    own = tmp_path / "own.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    own.write_text(text.replace('label = "Kreisel 1, top left"', 'lineage = "coerulea"'), encoding="utf-8")
    plan = rack_plan(load_settings(own), Numbers())
    rack, k1 = (
        plan.tolerances_of(vessel)["ephyra"][Quantity.TEMPERATURE].advisory for vessel in ("k2", "k1")
    )
    assert (rack.low, rack.high, k1.low, k1.high) == (7.0, 17.5, 10.0, 17.5)
    assert set(plan.own_tolerances) == {"k1"}
    assert from_plain(RackPlan, to_plain(plan)) == plan


def test_every_quantity_of_every_probe_is_a_source_with_a_number_of_its_own(settings):
    numbers = Numbers()
    plan = rack_plan(settings, numbers)
    expected = [
        (name, quantity, probe.vessel or RACK_WIDE, probe.bus)
        for name, probe in settings.probes.items()
        for quantity in probe.quantities
    ]
    assert [(s.probe, s.quantity, s.vessel, s.bus) for s in plan.sources] == expected
    assert [source.id for source in plan.sources] == list(numbers.given.values())
    for source in plan.sources:
        assert source.silent_after_ms == settings.probes[source.probe].silent_after_s * 1000


def test_the_barometer_serves_the_whole_rack(settings):
    (barometer,) = [s for s in rack_plan(settings, Numbers()).sources if s.quantity == "air_pressure"]
    assert barometer.vessel == RACK_WIDE


def test_every_vessel_has_its_stage_and_every_stage_its_limits(settings):
    plan = rack_plan(settings, Numbers())
    assert plan.rack == settings.rack.name
    assert plan.vessels == {name: vessel.stage for name, vessel in settings.vessels.items()}
    assert set(plan.vessels.values()) <= set(plan.tolerances)
    for stage, limits in plan.tolerances.items():
        for quantity in Quantity:
            assert limits.get(quantity) == settings.tolerance_of(stage, quantity)
    assert set(plan.quality) == set(Quantity)


def test_it_survives_the_journal(settings):
    plan = rack_plan(settings, Numbers())
    assert from_plain(RackPlan, to_plain(plan)) == plan
    assert to_plain(rack_plan(settings, Numbers())) == to_plain(plan), "the same settings, no change of plan"


OWN_STAGES = """
[stages.ephyra.temperature]
critical_high_c = 22.0
max_rise_c_per_hour = 0.7

[stages.small]
based_on = "ephyra"

[stages.small.temperature]
critical_high_c = 21.5
"""


def test_each_limit_knows_the_key_that_set_it(tmp_path):
    written = write_settings(tmp_path, tmp_path / "serial", 1883, more=OWN_STAGES)
    settings = load_settings(written)
    small, ephyra = (settings.tolerance_of(stage, Quantity.TEMPERATURE) for stage in ("small", "ephyra"))
    assert {limit.key: limit.origin for limit in limits_of(small)} == {
        "high:advisory": "built-in",
        "low:advisory": "built-in",
        "high_high:critical": "stages.small.temperature.critical_high",
        "low_low:critical": "built-in",
        "high:likely_advisory": "built-in",
        "low:likely_advisory": "built-in",
        "high_high:likely_critical": "stages.small.temperature.critical_high",
        "low_low:likely_critical": "built-in",
        "rising:away": "stages.ephyra.temperature.max_rise_per_hour",
        "rising:advisory": "stages.ephyra.temperature.max_rise_per_hour",
        "falling:away": "built-in",
        "falling:advisory": "built-in",
        "heading_out:above": "stages.small.temperature.critical_high",
        "heading_out:below": "built-in",
        "disagreement:advisory": "built-in",
    }
    assert ephyra.origin("critical_high") == "stages.ephyra.temperature.critical_high"
