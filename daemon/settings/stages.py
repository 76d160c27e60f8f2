"""The [stages] tables: limits of a life stage, laid over the built-in ones limit by limit.

Every limit says its unit in its key (`advisory_high_c`, `critical_low_mg_l`), so that nobody has
to remember it. A limit that is absent keeps its built-in value; "none" switches it off.
"""

from collections.abc import Callable
from typing import Annotated, Any, Literal, TypeVar

from pydantic import ConfigDict, Discriminator, Field, Tag

from daemon.settings.types import Days, Delay, Name, Number, Seconds, Table
from rules.quantities import Quantity, unit_of
from rules.rack.tolerance import Band, Tolerance

OFF = "none"


def off_or(tag: str) -> Callable[[object], str]:
    return lambda value: "<off>" if value == OFF else tag


Off = Annotated[Literal["none"], Tag("<off>")]
Limit = Annotated[Annotated[Number, Tag("<number>")] | Off, Discriminator(off_or("<number>"))]
Rate = Annotated[
    Annotated[Annotated[Number, Field(gt=0)], Tag("<number>")] | Off, Discriminator(off_or("<number>"))
]

UNIT_SUFFIXES = {
    Quantity.TEMPERATURE: "_c",
    Quantity.CONDUCTIVITY: "_ms_cm",
    Quantity.SALINITY: "",
    Quantity.OXYGEN: "_mg_l",
    Quantity.OXYGEN_SATURATION: "_percent",
    Quantity.AIR_PRESSURE: "_hpa",
}


def key_of(limit: str, quantity: Quantity) -> str:
    """Return the key of a limit in the file: `max_rise_per_hour` of temperature is `max_rise_c_per_hour`."""
    if limit.endswith("_s"):
        return limit
    stem, per_hour = limit.removesuffix("_per_hour"), "_per_hour" if limit.endswith("_per_hour") else ""
    return stem + UNIT_SUFFIXES[quantity] + per_hour


def _in_unit(quantity: Quantity) -> ConfigDict:
    unit = unit_of(quantity) or "practical salinity, no unit"

    def add_unit(schema: dict[str, Any]) -> None:
        for key, entry in schema["properties"].items():
            if not key.endswith("_s"):
                per_hour = " per hour" if key.endswith("_per_hour") else ""
                entry["description"] += f" [{unit}{per_hour}]"

    return ConfigDict(alias_generator=lambda limit: key_of(limit, quantity), json_schema_extra=add_unit)


class ToleranceSettings(Table):
    """Limits of one quantity as the file gives them; None where it says nothing."""

    target: Limit | None = Field(default=None, description="The value to keep to, shown beside the reading")
    advisory_low: Limit | None = Field(default=None, description="Below this somebody should look")
    advisory_high: Limit | None = Field(default=None, description="Above this somebody should look")
    critical_low: Limit | None = Field(default=None, description="Below this animals are at risk")
    critical_high: Limit | None = Field(default=None, description="Above this animals are at risk")
    max_rise_per_hour: Rate | None = Field(default=None, description="A faster rise alarms")
    max_fall_per_hour: Rate | None = Field(
        default=None, description="A faster fall alarms; a positive number"
    )
    deadband: Annotated[Number, Field(ge=0)] | None = Field(
        default=None, description="How far inside a limit the value must be before its alarm returns"
    )
    rate_window_s: Seconds | None = Field(
        default=None, description="Time over which rise and fall are judged [s]"
    )
    on_delay_s: Delay | None = Field(
        default=None, description="How long before an advisory alarm is raised [s]"
    )
    critical_on_delay_s: Delay | None = Field(
        default=None, description="How long before a critical alarm is raised [s]"
    )
    off_delay_s: Delay | None = Field(default=None, description="How long inside before an alarm returns [s]")
    lead_time_s: Delay | None = Field(
        default=None, description="A trend that is critical this soon alarms; 0 switches that off [s]"
    )
    max_disagreement: Rate | None = Field(
        default=None, description="Two probes of one vessel may differ by this much"
    )

    def over(self, base: Tolerance, table: str) -> Tolerance:
        """Return `base` with every limit replaced that this table, named `table`, sets or switches off."""

        def limit(name: str, otherwise: float | None) -> float | None:
            value = getattr(self, name)
            if value is None:
                return otherwise
            return None if value == OFF else float(value)

        def duration_ms(name: str, otherwise: int) -> int:
            seconds = getattr(self, name)
            return otherwise if seconds is None else round(seconds * 1000)

        return Tolerance(
            target=limit("target", base.target),
            advisory=Band(
                limit("advisory_low", base.advisory.low), limit("advisory_high", base.advisory.high)
            ),
            critical=Band(
                limit("critical_low", base.critical.low), limit("critical_high", base.critical.high)
            ),
            max_rise_per_hour=limit("max_rise_per_hour", base.max_rise_per_hour),
            max_fall_per_hour=limit("max_fall_per_hour", base.max_fall_per_hour),
            deadband=base.deadband if self.deadband is None else self.deadband,
            rate_window_ms=duration_ms("rate_window_s", base.rate_window_ms),
            on_delay_ms=duration_ms("on_delay_s", base.on_delay_ms),
            critical_on_delay_ms=duration_ms("critical_on_delay_s", base.critical_on_delay_ms),
            off_delay_ms=duration_ms("off_delay_s", base.off_delay_ms),
            lead_time_ms=duration_ms("lead_time_s", base.lead_time_ms),
            max_disagreement=limit("max_disagreement", base.max_disagreement),
            given=(*(f"{table}.{name}" for name in sorted(self.model_fields_set)), *base.given),
        )


class TemperatureLimits(ToleranceSettings):
    """Limits of the water temperature, in °C (ITS-90)."""

    model_config = _in_unit(Quantity.TEMPERATURE)


class ConductivityLimits(ToleranceSettings):
    """Limits of the in-situ conductivity, in mS/cm."""

    model_config = _in_unit(Quantity.CONDUCTIVITY)


class SalinityLimits(ToleranceSettings):
    """Limits of the practical salinity (PSS-78), which has no unit."""

    model_config = _in_unit(Quantity.SALINITY)


class OxygenLimits(ToleranceSettings):
    """Limits of the dissolved oxygen, in mg/L."""

    model_config = _in_unit(Quantity.OXYGEN)


class OxygenSaturationLimits(ToleranceSettings):
    """Limits of the oxygen saturation, in %."""

    model_config = _in_unit(Quantity.OXYGEN_SATURATION)


class AirPressureLimits(ToleranceSettings):
    """Limits of the air pressure at the station, in hPa."""

    model_config = _in_unit(Quantity.AIR_PRESSURE)


LIMITS: dict[Quantity, type[ToleranceSettings]] = {
    Quantity.TEMPERATURE: TemperatureLimits,
    Quantity.CONDUCTIVITY: ConductivityLimits,
    Quantity.SALINITY: SalinityLimits,
    Quantity.OXYGEN: OxygenLimits,
    Quantity.OXYGEN_SATURATION: OxygenSaturationLimits,
    Quantity.AIR_PRESSURE: AirPressureLimits,
}

_T = TypeVar("_T")
OrOff = Annotated[Annotated[_T, Tag("<limits>")] | Off, Discriminator(off_or("<limits>"))] | None


class StageSettings(Table):
    """What one life stage tolerates. A quantity set to "none" is not watched in this stage."""

    based_on: Name | None = Field(
        default=None, description="The stage whose limits hold where this one sets none"
    )
    usual_stay_days: Days | None = Field(
        default=None, description="How long animals usually stay in it; longer makes a reminder [d]"
    )
    temperature: OrOff[TemperatureLimits] = None
    conductivity: OrOff[ConductivityLimits] = None
    salinity: OrOff[SalinityLimits] = None
    oxygen: OrOff[OxygenLimits] = None
    oxygen_saturation: OrOff[OxygenSaturationLimits] = None
    air_pressure: OrOff[AirPressureLimits] = None

    def limits(self, quantity: Quantity) -> ToleranceSettings | Literal["none"] | None:
        """Return the table of a quantity, "none" when it is switched off, None when it is absent."""
        table: ToleranceSettings | Literal["none"] | None = getattr(self, quantity.value)
        return table
