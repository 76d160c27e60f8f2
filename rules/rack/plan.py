"""What the engine watches: which probe measures what, where, and what the stage there tolerates.

The daemon makes a `RackPlan` from the settings and writes it into the journal as an input, so that
a replay finds the plan of every moment beside the readings of that moment.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from rules.alarms.book import AlarmRules
from rules.alarms.life_cycle import Condition
from rules.quality.quality import QualitySettings
from rules.quantities import Quantity
from rules.rack.stage_plan import StageStep
from rules.rack.tolerance import Band, Tolerance
from rules.water.specific_conductance import Compensation

RACK_WIDE = "rack"
"""Stands for the vessel where a probe serves the whole rack (the barometer)."""


@dataclass(frozen=True, slots=True)
class Source:
    """One quantity that one probe measures: the raw inputs of the engine come by source `id`.

    `accuracy` is the stated one, plus or minus in the quantity's unit, None where nobody stated it;
    `calibrate_every_ms` is how long a calibration holds, None for a probe that nobody has to calibrate.
    """

    id: int
    probe: str
    quantity: Quantity
    vessel: str
    silent_after_ms: int
    bus: str = ""
    compensation: Compensation = Compensation.NONE
    compensation_per_kelvin: float = 0.0
    accuracy: float | None = None
    calibrate_every_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Supply:
    """What several vessels share, such as a chiller loop: their alarms of this quantity are one problem."""

    name: str
    quantity: Quantity
    vessels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RackPlan:
    """Everything that the judgement of a rack depends on beside its inputs.

    `vessels` maps each vessel to the stage that lives in it at first, `tolerances` each stage to
    its limits, `quality` each quantity to the settings of its data-quality tests, `steps` each
    vessel to its planned stage moves, and `usual_stay_ms` each stage to how long it usually lasts.
    """

    rack: str
    sources: tuple[Source, ...]
    vessels: Mapping[str, str]
    tolerances: Mapping[str, Mapping[Quantity, Tolerance]]
    quality: Mapping[Quantity, QualitySettings]
    supplies: tuple[Supply, ...] = ()
    steps: Mapping[str, tuple[StageStep, ...]] = field(default_factory=dict)
    usual_stay_ms: Mapping[str, int] = field(default_factory=dict)
    alarm_rules: AlarmRules = field(default_factory=AlarmRules)

    def to_json(self) -> dict[str, Any]:
        """Return the plan as plain JSON values; `plan_from_json` is the inverse."""
        return {
            "rack": self.rack,
            "sources": [asdict(source) for source in self.sources],
            "vessels": dict(self.vessels),
            "tolerances": {
                stage: {quantity.value: asdict(tolerance) for quantity, tolerance in limits.items()}
                for stage, limits in self.tolerances.items()
            },
            "quality": {quantity.value: settings.to_json() for quantity, settings in self.quality.items()},
            "supplies": [asdict(supply) for supply in self.supplies],
            "steps": {vessel: [asdict(step) for step in steps] for vessel, steps in self.steps.items()},
            "usual_stay_ms": dict(self.usual_stay_ms),
            "alarm_rules": asdict(self.alarm_rules),
        }


def plan_from_json(data: Mapping[str, Any]) -> RackPlan:
    """Return the plan that `RackPlan.to_json` wrote down."""
    return RackPlan(
        rack=data["rack"],
        sources=tuple(map(_source_from_json, data["sources"])),
        vessels=dict(data["vessels"]),
        tolerances={
            stage: {
                Quantity(quantity): _tolerance_from_json(limits) for quantity, limits in per_quantity.items()
            }
            for stage, per_quantity in data["tolerances"].items()
        },
        quality={
            Quantity(quantity): QualitySettings.from_json(settings)
            for quantity, settings in data["quality"].items()
        },
        supplies=tuple(_supply_from_json(supply) for supply in data["supplies"]),
        steps={vessel: tuple(StageStep(**step) for step in steps) for vessel, steps in data["steps"].items()},
        usual_stay_ms=dict(data["usual_stay_ms"]),
        alarm_rules=_alarm_rules_from_json(data["alarm_rules"]),
    )


def _source_from_json(data: Mapping[str, Any]) -> Source:
    kinds: dict[str, Any] = {"quantity": Quantity(data["quantity"])}
    if "compensation" in data:  # a plan that was written down before probes had one
        kinds["compensation"] = Compensation(data["compensation"])
    return Source(**{**data, **kinds})


def _supply_from_json(data: Mapping[str, Any]) -> Supply:
    return Supply(data["name"], Quantity(data["quantity"]), tuple(data["vessels"]))


def _alarm_rules_from_json(data: Mapping[str, Any]) -> AlarmRules:
    return AlarmRules(**{**data, "latching": tuple(map(Condition, data["latching"]))})


def _tolerance_from_json(data: Mapping[str, Any]) -> Tolerance:
    bands = {side: Band(**data[side]) for side in ("advisory", "critical")}
    return Tolerance(**{**data, **bands})
