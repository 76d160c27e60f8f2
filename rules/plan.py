"""What the engine watches: which probe measures what, where, and what the stage there tolerates.

The daemon makes a `RackPlan` from the settings and writes it into the journal as an input, so that
a replay finds the plan of every moment beside the readings of that moment.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from rules.quality import QualitySettings
from rules.quantities import Quantity
from rules.tolerance import Band, Tolerance

RACK_WIDE = "rack"
"""Stands for the vessel where a probe serves the whole rack (the barometer)."""


@dataclass(frozen=True, slots=True)
class Source:
    """One quantity that one probe measures: the raw inputs of the engine come by source `id`."""

    id: int
    probe: str
    quantity: Quantity
    vessel: str
    silent_after_ms: int


@dataclass(frozen=True, slots=True)
class RackPlan:
    """Everything that the judgement of a rack depends on beside its inputs.

    `vessels` maps each vessel to the stage that lives in it, `tolerances` each stage to its
    limits, `quality` each quantity to the settings of its data-quality tests.
    """

    rack: str
    sources: tuple[Source, ...]
    vessels: Mapping[str, str]
    tolerances: Mapping[str, Mapping[Quantity, Tolerance]]
    quality: Mapping[Quantity, QualitySettings]

    def tolerance(self, vessel: str, quantity: Quantity) -> Tolerance | None:
        """Return what the stage in `vessel` tolerates of `quantity`; None where it does not care."""
        return self.tolerances.get(self.vessels.get(vessel, ""), {}).get(quantity)

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
        }


def plan_from_json(data: Mapping[str, Any]) -> RackPlan:
    """Return the plan that `RackPlan.to_json` wrote down."""
    return RackPlan(
        rack=data["rack"],
        sources=tuple(
            Source(**{**source, "quantity": Quantity(source["quantity"])}) for source in data["sources"]
        ),
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
    )


def _tolerance_from_json(data: Mapping[str, Any]) -> Tolerance:
    bands = {side: Band(**data[side]) for side in ("advisory", "critical")}
    return Tolerance(**{**data, **bands})
