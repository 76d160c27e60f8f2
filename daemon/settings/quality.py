"""The [quality] tables: when a reading is believed, by quantity; closer for a stage, a vessel or a probe.

Every threshold says its unit in its key, as the limits of stages do. What is absent keeps its built-in value,
or that of the wider table; "none" switches a test off.
"""

from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import Field

from daemon.settings.stages import NumberOrOff, given_by, in_unit
from daemon.tables.types import Name, Number, Table, Whole
from rules.quality.settings import DEFAULT_QUALITY, QualitySettings, Range, Repeats
from rules.quantities import Quantity

_MS = {"_s": 1_000, "_h": 3_600_000}
_RANGES = {"sensor": "sensor_range", "operator": "operator_range", "usual": "climatology"}

_Threshold = NumberOrOff[Annotated[Number, Field(ge=0)]] | None
_Edge = NumberOrOff[Number] | None
_Hours = Annotated[Whole, Field(ge=1, le=240)] | None
_Duration = NumberOrOff[Annotated[Number, Field(gt=0, le=240)]] | None
_Count = Annotated[Whole, Field(ge=1)] | None


class QualityTable(Table):
    """Thresholds of one quantity's quality tests as the file gives them; None where it says nothing."""

    sensor_low: Number | None = Field(None, description="Lower end of what the probe can report at all")
    sensor_high: Number | None = Field(None, description="Upper end of what the probe can report at all")
    operator_low: _Edge = Field(None, description="Lower end of what water of this rack can be")
    operator_high: _Edge = Field(None, description="Upper end of what water of this rack can be")
    usual_low: _Edge = Field(None, description="Below this a value is unusual here (climatology)")
    usual_high: _Edge = Field(None, description="Above this a value is unusual here (climatology)")
    max_gap_s: _Threshold = Field(None, description="Longest time between two readings in order [s]")
    spike_suspect: _Threshold = Field(None, description="Distance from both neighbours that is doubtful")
    spike_fail: _Threshold = Field(None, description="Distance from both neighbours that is not believed")
    max_change_per_hour: _Threshold = Field(None, description="A faster change is doubtful")
    max_jump: _Threshold = Field(
        None, description="Further at once no water of the vessel moves (none: it may, and scatter)"
    )
    max_change_deviations: _Threshold = Field(
        None, description="A step of so many standard deviations of the hours before is doubtful"
    )
    deviation_h: _Hours = Field(None, description="Hours of which that deviation is taken [h]")
    min_step: Annotated[Number, Field(ge=0)] | None = Field(
        None, description="A smaller step is never doubtful"
    )
    flat_line_eps: Annotated[Number, Field(ge=0)] | None = Field(
        None, description="Readings that differ by no more count as equal"
    )
    flat_line_readings: _Count = Field(
        None, description="So many readings before must be equal as well; 10 if absent"
    )
    flat_line_suspect_h: _Duration = Field(None, description="Equal for so long is doubtful [h]")
    flat_line_fail_h: _Duration = Field(None, description="Equal for so long is not believed [h]")
    attenuated_suspect: _Threshold = Field(None, description="Less variation is doubtful")
    attenuated_fail: _Threshold = Field(None, description="Less variation is not believed")
    attenuated_h: _Hours = Field(None, description="Hours over which the variation is taken [h]")
    attenuated_by: Literal["range", "deviation"] | None = Field(
        None, description="How variation is taken: highest minus lowest, or standard deviation"
    )

    def over(self, base: QualitySettings) -> QualitySettings:
        """Return `base` with every threshold replaced that this table sets or switches off.

        QualityError where the result contradicts itself.
        """
        given = given_by(self)
        changes: dict[str, Any] = {
            field: _range(given, name, getattr(base, field)) for name, field in _RANGES.items()
        }
        count = given.pop("flat_line_readings", 10)
        for name in ("flat_line_suspect", "flat_line_fail"):
            if f"{name}_h" in given:
                hours = given.pop(f"{name}_h")
                changes[name] = None if hours is None else Repeats(count, round(hours * _MS["_h"]))
        for name, value in given.items():
            if name.endswith("_s"):
                changes[f"{name[:-2]}_ms"] = None if value is None else round(value * _MS["_s"])
            else:
                changes[f"{name[:-2]}_hours" if name.endswith("_h") else name] = value
        return replace(base, **changes)


def _range(given: dict[str, Any], name: str, base: Range | None) -> Range | None:
    """Return a range with the ends that the file gives; None where it is switched off or has one end only."""
    low = given.pop(f"{name}_low", None if base is None else base.low)
    high = given.pop(f"{name}_high", None if base is None else base.high)
    return None if low is None or high is None else Range(low, high)


class TemperatureQuality(QualityTable, **in_unit(Quantity.TEMPERATURE)):
    """Thresholds for the water temperature, in °C (ITS-90)."""


class ConductivityQuality(QualityTable, **in_unit(Quantity.CONDUCTIVITY)):
    """Thresholds for the in-situ conductivity, in mS/cm."""


class SalinityQuality(QualityTable, **in_unit(Quantity.SALINITY)):
    """Thresholds for the practical salinity (PSS-78), which has no unit."""


class OxygenQuality(QualityTable, **in_unit(Quantity.OXYGEN)):
    """Thresholds for the dissolved oxygen, in mg/L."""


class OxygenSaturationQuality(QualityTable, **in_unit(Quantity.OXYGEN_SATURATION)):
    """Thresholds for the oxygen saturation, in %."""


class AirPressureQuality(QualityTable, **in_unit(Quantity.AIR_PRESSURE)):
    """Thresholds for the air pressure at the station, in hPa."""


class QualityByQuantity(Table):
    """Thresholds by quantity."""

    temperature: TemperatureQuality | None = Field(None, description="Of the water temperature")
    conductivity: ConductivityQuality | None = Field(None, description="Of the conductivity")
    salinity: SalinityQuality | None = Field(None, description="Of the salinity")
    oxygen: OxygenQuality | None = Field(None, description="Of the dissolved oxygen")
    oxygen_saturation: OxygenSaturationQuality | None = Field(None, description="Of the oxygen saturation")
    air_pressure: AirPressureQuality | None = Field(None, description="Of the air pressure")

    def over(self, base: QualitySettings, quantity: Quantity) -> QualitySettings:
        """Return the settings of a quantity with those of this table over them; QualityError as there."""
        table: QualityTable | None = getattr(self, quantity.value)
        return base if table is None else table.over(base)


class QualityTables(QualityByQuantity):
    """When a reading is believed: for all, closer for a stage, then for a vessel, then for a probe."""

    stages: dict[Name, QualityByQuantity] = Field({}, description="While a stage lives in the vessel")
    vessels: dict[Name, QualityByQuantity] = Field({}, description="In a vessel")
    probes: dict[Name, QualityByQuantity] = Field({}, description="Of a probe")

    def general(self) -> dict[Quantity, QualitySettings]:
        """Return the settings of each quantity where nothing closer is given."""
        return {quantity: self.over(DEFAULT_QUALITY[quantity], quantity) for quantity in Quantity}

    def closer(self, stage: str, vessel: str, probe: str) -> dict[Quantity, QualitySettings]:
        """Return the settings that differ from `general` for a probe, while a stage lives in its vessel."""
        tables = [self.stages.get(stage), self.vessels.get(vessel), self.probes.get(probe)]
        given = [table for table in tables if table is not None]
        found = {}
        for quantity, base in self.general().items():
            settings = base
            for table in given:
                settings = table.over(settings, quantity)
            if settings != base:
                found[quantity] = settings
        return found
