"""From the settings to the plan that the rules work by."""

from collections.abc import Callable

from daemon.settings.rack import Settings
from rules.quantities import Quantity
from rules.rack.plan import FRESH, RACK_WIDE, RackPlan, Source, Supply
from rules.rack.stage_plan import Tolerances
from rules.water.specific_conductance import Compensation

DAY_MS = 86_400_000


def _ms(days: float | None) -> int | None:
    return None if days is None else round(days * DAY_MS)


def sources_of(settings: Settings, source_id: Callable[[str, str, str], int]) -> tuple[Source, ...]:
    """Return every quantity that a probe of the settings measures; `source_id` as in `rack_plan`."""
    return tuple(
        Source(
            id=source_id(name, measurement.quantity, probe.vessel or RACK_WIDE),
            probe=name,
            quantity=measurement.quantity,
            vessel=probe.vessel or RACK_WIDE,
            silent_after_ms=round(probe.silent_after_s * 1000),
            bus=probe.bus,
            compensation=Compensation(measurement.compensation),
            compensation_per_kelvin=(measurement.percent_per_kelvin or 0.0) / 100.0,
            accuracy=measurement.stated_accuracy,
            calibrate_every_ms=_ms(probe.calibrate_every_days),
            every_ms=round(probe.every_s * 1000),
        )
        for name, probe in settings.probes.items()
        for measurement in probe.measurements
    )


def supplies_of(settings: Settings) -> tuple[Supply, ...]:
    """Return what vessels share."""
    given = settings.supplies.items()
    return tuple(Supply(name, supply.quantity, supply.vessels) for name, supply in given)


def tolerances_in(settings: Settings, vessel: str | None) -> Tolerances:
    """Return what each stage tolerates in a vessel, or in the rack."""
    return {
        stage: {
            quantity: tolerance
            for quantity in Quantity
            if (tolerance := settings.tolerance_of(stage, quantity, vessel)) is not None
        }
        for stage in settings.stage_names(vessel)
    }


def rack_plan(settings: Settings, source_id: Callable[[str, str, str], int]) -> RackPlan:
    """Return the plan of a rack; `source_id` numbers a source by probe, quantity and vessel."""
    return RackPlan(
        rack=settings.rack.name,
        temperatures_in=settings.rack.temperatures_in,
        sources=sources_of(settings, source_id),
        vessels={name: vessel.stage for name, vessel in settings.vessels.items()},
        tolerances=tolerances_in(settings, None),
        quality=settings.quality.general(),
        closer_quality={
            f"{stage}/{name}": closer
            for name, probe in settings.probes.items()
            for stage in ([*settings.stage_names(), ""] if probe.vessel is None else settings.stage_names())
            if (closer := settings.quality.closer(stage, probe.vessel or RACK_WIDE, name))
        },
        supplies=supplies_of(settings),
        steps={
            name: tuple(step.step() for step in vessel.plan)
            for name, vessel in settings.vessels.items()
            if vessel.plan
        },
        usual_stay_ms={
            stage: stay_ms
            for stage in settings.stage_names()
            if (stay_ms := _ms(settings.usual_stay_days(stage))) is not None
        },
        alarm_rules=settings.alarms.rules(),
        altitude_m=settings.rack.altitude_m,
        fresh={
            name: source_id(name, FRESH, probe.vessel or RACK_WIDE)
            for name, probe in settings.probes.items()
            if probe.fresh_by is not None
        },
        usual={name: usual for name, vessel in settings.vessels.items() if (usual := vessel.usual())},
        own_tolerances={
            name: tolerances_in(settings, name) for name, vessel in settings.vessels.items() if vessel.lineage
        },
    )
