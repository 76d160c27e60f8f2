"""The [stages] tables: limits of a life stage, laid over the built-in ones limit by limit.

Every limit says its unit in its key (`advisory_high_c`, `critical_low_mg_l`), so that nobody has to remember
it; another unit of the quantity does as well (`advisory_high_f`). A limit that is absent keeps its built-in
value; "none" switches it off.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any, ClassVar, Literal, Self, TypeVar

from pydantic import (
    ConfigDict,
    Discriminator,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    Tag,
    model_validator,
)

from daemon.tables.types import (
    OTHER_SUFFIXES,
    SPECIFIC_GRAVITIES,
    UNIT_SUFFIXES,
    Days,
    Delay,
    Name,
    Number,
    Seconds,
    Table,
    is_number,
)
from daemon.tables.words import shown
from rules.quantities import Quantity, from_unit, to_unit, unit_of
from rules.rack.tolerance import Band, Tolerance
from rules.water.density import SpecificGravityScale, salinity_from_hydrometer

OFF = "none"
_VALUES = ("target", "advisory_low", "advisory_high", "critical_low", "critical_high")
_WITHOUT_UNIT = ("_s", "_h", "_readings", "_deviations", "_by")


def off_or(tag: str) -> Callable[[object], str]:
    return lambda value: "<off>" if value == OFF else tag


Off = Annotated[Literal["none"], Tag("<off>")]
_T = TypeVar("_T")
NumberOrOff = Annotated[Annotated[_T, Tag("<number>")] | Off, Discriminator(off_or("<number>"))]
Limit = NumberOrOff[Number]
Rate = NumberOrOff[Annotated[Number, Field(gt=0)]]


def key_of(name: str, quantity: Quantity, suffix: str | None = None) -> str:
    """Return the key of a number in the file: `max_rise_per_hour` of temperature is `max_rise_c_per_hour`.

    `suffix` is that of another unit than the quantity's own.
    """
    if name.endswith(_WITHOUT_UNIT):
        return name
    stem, per_hour = name.removesuffix("_per_hour"), "_per_hour" if name.endswith("_per_hour") else ""
    return stem + (UNIT_SUFFIXES[quantity] if suffix is None else suffix) + per_hour


def other_keys(name: str, quantity: Quantity) -> dict[str, str]:
    """Return the keys of the same number in other units, and these units by name."""
    if name.endswith(_WITHOUT_UNIT):
        return {}
    suffixes = OTHER_SUFFIXES[quantity]
    if quantity is Quantity.SALINITY and name in _VALUES:
        suffixes = suffixes | SPECIFIC_GRAVITIES
    return {key_of(name, quantity, suffix): unit for suffix, unit in suffixes.items()}


def _in_own_unit(key: str, value: float, unit: str, name: str, quantity: Quantity) -> float:
    if unit not in SPECIFIC_GRAVITIES.values():
        return from_unit(quantity, unit, value, difference=name not in _VALUES)
    scale = SpecificGravityScale.parse(unit.removeprefix("specific gravity "))
    salinity = salinity_from_hydrometer(value, scale, scale.sample_c).item()
    if math.isnan(salinity):
        raise ValueError(f"a {unit} of sea water in {key}, such as 1.025")
    return salinity


def in_unit(quantity: Quantity) -> ConfigDict:
    """Return what makes a table take its numbers in a quantity's unit, and say so in its schema."""
    unit = unit_of(quantity) or "practical salinity, no unit"

    def add_unit(schema: dict[str, Any]) -> None:
        limits = key_of("target", quantity) in schema["properties"]
        names = {key_of(name, quantity): name for name in ToleranceSettings.model_fields if limits}
        for key, entry in list(schema["properties"].items()):
            per_hour = " per hour" if key.endswith("_per_hour") else ""
            for other, its in other_keys(names.get(key, "_s"), quantity).items():
                said = f"{entry['description']} [{its}{per_hour}]"
                schema["properties"][other] = {**entry, "description": said, "title": other}
            if not key.endswith(_WITHOUT_UNIT):
                entry["description"] += f" [{unit}{per_hour}]"

    return ConfigDict(alias_generator=lambda name: key_of(name, quantity), json_schema_extra=add_unit)


def given_by(table: Table) -> dict[str, Any]:
    """Return what a table sets, by field; None for what it switches off."""
    values = {name: getattr(table, name) for name in type(table).model_fields}
    return {name: None if value == OFF else value for name, value in values.items() if value is not None}


class ToleranceSettings(Table):
    """Limits of one quantity as the file gives them; None where it says nothing."""

    quantity: ClassVar[Quantity]
    _written: dict[str, tuple[str, Any]] = PrivateAttr(default_factory=dict)

    @model_validator(mode="wrap")
    @classmethod
    def _in_its_own_unit(cls, given: object, handler: ModelWrapValidatorHandler[Self]) -> Self:
        """Turn each limit in another unit into the quantity's own: a value as such, a difference as such."""
        if not isinstance(given, dict):
            return handler(given)
        made, written = dict(given), dict[str, tuple[str, Any]]()
        for name in cls.model_fields:
            own = key_of(name, cls.quantity)
            if own in given:
                written[name] = "", given[own]
            for key, unit in other_keys(name, cls.quantity).items():
                if key in given and own not in made:
                    made[own] = value = made.pop(key)
                    if is_number(value):
                        written[name] = unit, value
                        made[own] = _in_own_unit(key, value, unit, name, cls.quantity)
        table = handler(made)
        table._written = written
        return table

    target: Limit | None = Field(None, description="The value to keep to, shown beside the reading")
    advisory_low: Limit | None = Field(None, description="Below this somebody should look")
    advisory_high: Limit | None = Field(None, description="Above this somebody should look")
    critical_low: Limit | None = Field(None, description="Below this animals are at risk")
    critical_high: Limit | None = Field(None, description="Above this animals are at risk")
    max_rise_per_hour: Rate | None = Field(None, description="A faster rise alarms")
    max_fall_per_hour: Rate | None = Field(None, description="A faster fall alarms; a positive number")
    deadband: Annotated[Number, Field(ge=0)] | None = Field(
        None, description="How far inside a limit the value must be before its alarm returns"
    )
    rate_window_s: Seconds | None = Field(None, description="Time over which rise and fall are judged [s]")
    on_delay_s: Delay | None = Field(None, description="How long before an advisory alarm is raised [s]")
    critical_on_delay_s: Delay | None = Field(
        None, description="How long before a critical alarm is raised [s]"
    )
    off_delay_s: Delay | None = Field(None, description="How long inside before an alarm returns [s]")
    lead_time_s: Delay | None = Field(
        None, description="A trend that is critical this soon alarms; 0 switches that off [s]"
    )
    unwatched_after_s: Seconds | None = Field(
        None, description="Without a usable reading for so long it is unwatched, and told [s]"
    )
    max_disagreement: Rate | None = Field(
        None, description="Two probes of one vessel may differ by this much"
    )

    def over(self, base: Tolerance, table: str) -> Tolerance:
        """Return `base` with every limit replaced that this table, named `table`, sets or switches off."""
        given = given_by(self)
        changes: dict[str, Any] = {}
        for band, edges in (("advisory", base.advisory), ("critical", base.critical)):
            low, high = given.pop(f"{band}_low", edges.low), given.pop(f"{band}_high", edges.high)
            changes[band] = Band(low, high)
        for name, value in given.items():
            seconds = name.endswith("_s")
            changes[f"{name[:-2]}_ms" if seconds else name] = round(value * 1000) if seconds else value
        set_here = (*(f"{table}.{name}" for name in sorted(self.model_fields_set)), *base.given)
        return replace(base, **changes, given=set_here)


def written(table: object, name: str, quantity: Quantity, value: float, usual: str) -> tuple[str, str]:
    """Return the key and the text of a number in the unit that `table` gives it in, else the `usual` one."""
    given = table._written if isinstance(table, ToleranceSettings) else {}
    unit, as_given = given.get(name, (usual, value))
    key = next((key for key, its in other_keys(name, quantity).items() if its == unit), None)
    if key is None:
        return key_of(name, quantity), shown(value)
    if unit in SPECIFIC_GRAVITIES.values():
        return key, shown(as_given)
    return key, f"{to_unit(quantity, unit, value, difference=name not in _VALUES):.6g}"


class TemperatureLimits(ToleranceSettings, **in_unit(Quantity.TEMPERATURE)):
    """Limits of the water temperature, in °C (ITS-90)."""

    quantity: ClassVar = Quantity.TEMPERATURE


class ConductivityLimits(ToleranceSettings, **in_unit(Quantity.CONDUCTIVITY)):
    """Limits of the in-situ conductivity, in mS/cm."""

    quantity: ClassVar = Quantity.CONDUCTIVITY


class SalinityLimits(ToleranceSettings, **in_unit(Quantity.SALINITY)):
    """Limits of the practical salinity (PSS-78), which has no unit."""

    quantity: ClassVar = Quantity.SALINITY


class OxygenLimits(ToleranceSettings, **in_unit(Quantity.OXYGEN)):
    """Limits of the dissolved oxygen, in mg/L."""

    quantity: ClassVar = Quantity.OXYGEN


class OxygenSaturationLimits(ToleranceSettings, **in_unit(Quantity.OXYGEN_SATURATION)):
    """Limits of the oxygen saturation, in %."""

    quantity: ClassVar = Quantity.OXYGEN_SATURATION


class AirPressureLimits(ToleranceSettings, **in_unit(Quantity.AIR_PRESSURE)):
    """Limits of the air pressure at the station, in hPa."""

    quantity: ClassVar = Quantity.AIR_PRESSURE


OrOff = Annotated[Annotated[_T, Tag("<limits>")] | Off, Discriminator(off_or("<limits>"))] | None


class StageSettings(Table):
    """What one life stage tolerates. A quantity set to "none" is not watched in this stage."""

    based_on: Name | None = Field(None, description="The stage whose limits hold where this one sets none")
    usual_stay_days: Days | None = Field(
        None, description="How long animals usually stay in it; longer makes a reminder [d]"
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
