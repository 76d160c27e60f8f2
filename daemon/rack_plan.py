"""From the settings to the plan that the rules work by."""

from collections.abc import Callable

from daemon.rack_settings import Settings
from rules.plan import RACK_WIDE, RackPlan, Source
from rules.quality_settings import DEFAULT_QUALITY
from rules.quantities import Quantity


def rack_plan(settings: Settings, source_id: Callable[[str, str, str], int]) -> RackPlan:
    """Return the plan of a rack; `source_id` numbers a source by probe, quantity and vessel."""
    sources = [
        Source(
            id=source_id(name, quantity, probe.vessel or RACK_WIDE),
            probe=name,
            quantity=quantity,
            vessel=probe.vessel or RACK_WIDE,
            silent_after_ms=round(probe.silent_after_s * 1000),
        )
        for name, probe in settings.probes.items()
        for quantity in probe.quantities
    ]
    stages = {vessel.stage for vessel in settings.vessels.values()}
    return RackPlan(
        rack=settings.rack.name,
        sources=tuple(sources),
        vessels={name: vessel.stage for name, vessel in settings.vessels.items()},
        tolerances={
            stage: {
                quantity: tolerance
                for quantity in Quantity
                if (tolerance := settings.tolerance_of(stage, quantity)) is not None
            }
            for stage in sorted(stages)
        },
        quality=DEFAULT_QUALITY,
    )
