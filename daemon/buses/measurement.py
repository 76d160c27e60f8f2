"""What the settings file says of one quantity of a probe: where it is, how good it is, what to undo."""

from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import AfterValidator, ConfigDict, Field, ValidationInfo, model_validator

from daemon.tables.types import OTHER_SUFFIXES, UNIT_SUFFIXES, Number, Table, is_number
from rules.quantities import UNITS, Quantity, from_unit


def _not_zero(value: float) -> float:
    if value == 0:
        raise ValueError("a number other than 0")
    return value


def known_unit(value: str, info: ValidationInfo) -> str:
    """Refuse a unit that the quantity of the same table has not."""
    quantity = info.data.get("quantity")  # a wrong one is told already
    units = [value] if quantity is None else list(UNITS[quantity])
    if value not in units:
        raise ValueError(" or ".join(f'"{unit}"' for unit in units))
    return value


_Scale = Annotated[Number, AfterValidator(_not_zero), Field(json_schema_extra={"not": {"const": 0}})]
_Accuracy = Annotated[Number, Field(gt=0)] | None


def accuracy_key(quantity: Quantity) -> str:
    """Return the key under which the file states a quantity's accuracy, its unit in the name."""
    return "accuracy" + UNIT_SUFFIXES[quantity]


def _stated(what: str, unit: str = "") -> Any:  # noqa: ANN401  (a field of any type)
    return Field(None, description=f"Stated accuracy of {what}, plus or minus{unit}")


_OTHER_KEYS = {
    f"accuracy{suffix}": (quantity, unit)
    for quantity, others in OTHER_SUFFIXES.items()
    for suffix, unit in others.items()
}
"""An accuracy in another unit, which is a difference: its quantity and its unit by its key."""


def _add_other_keys(schema: dict[str, Any]) -> None:
    entries = schema["properties"]
    for key, (quantity, unit) in _OTHER_KEYS.items():
        own = entries[accuracy_key(quantity)]
        said = f"{own['description'].split(' [')[0]} [{unit}]"
        entries[key] = {**own, "title": key, "description": said}


class Measurement(Table):
    """One quantity of a probe. The value is raw * scale + offset, from then on in the quantity's own unit."""

    model_config = ConfigDict(json_schema_extra=_add_other_keys)

    asked_first: ClassVar[tuple[str, ...]] = ()  # by `bellwatch init`, beside what must be given

    quantity: Quantity = Field(description="What is measured")
    scale: _Scale = Field(1.0, description="Factor from raw to the unit")
    offset: Number = Field(0.0, description="Added after scaling, in the unit")
    unit: Annotated[str, AfterValidator(known_unit)] | None = Field(
        None, description='The unit that this gives, such as "F" or "uS/cm"; absent: that of the quantity'
    )
    accuracy_c: _Accuracy = _stated("a temperature", " [°C]")
    accuracy_ms_cm: _Accuracy = _stated("a conductivity", " [mS/cm]")
    accuracy: _Accuracy = _stated("a salinity")
    accuracy_mg_l: _Accuracy = _stated("dissolved oxygen", " [mg/L]")
    accuracy_percent: _Accuracy = _stated("an oxygen saturation", " [% saturation]")
    accuracy_hpa: _Accuracy = _stated("an air pressure", " [hPa]")
    compensation: Literal["none", "linear", "iso-7888"] = Field(
        "none", description="How the probe turns its conductivity into one at 25 °C, to be undone"
    )
    percent_per_kelvin: Annotated[Number, Field(ge=0, le=5)] | None = Field(
        None, description="Coefficient of the probe's linear compensation [% per kelvin], such as 2.0"
    )

    @model_validator(mode="before")
    @classmethod
    def _accuracy_in_its_own_unit(cls, given: object) -> object:
        if not isinstance(given, dict):
            return given
        made = dict(given)
        for key, (quantity, unit) in _OTHER_KEYS.items():
            own = accuracy_key(quantity)
            if key in made and own not in made:
                value = made.pop(key)
                made[own] = from_unit(quantity, unit, value, difference=True) if is_number(value) else value
        return made

    @model_validator(mode="after")
    def _in_its_own_unit(self) -> Self:
        if self.unit is None:
            return self
        scale = from_unit(self.quantity, self.unit, self.scale, difference=True)
        offset = from_unit(self.quantity, self.unit, self.offset)
        return self.model_copy(update={"scale": scale, "offset": offset})

    @property
    def stated_accuracy(self) -> float | None:
        """Return the accuracy in the quantity's unit; None where the file does not state it."""
        accuracy: float | None = getattr(self, accuracy_key(self.quantity))
        return accuracy
