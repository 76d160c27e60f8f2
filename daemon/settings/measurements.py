"""What the settings file says of one quantity of a probe: where it is, how good it is, what to undo."""

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from daemon.settings import types
from daemon.settings.stages import UNIT_SUFFIXES
from daemon.settings.types import Number, Table, Whole
from rules.quantities import Quantity


def _not_zero(value: float) -> float:
    if value == 0:
        raise ValueError("a number other than 0")
    return value


_Scale = Annotated[Number, AfterValidator(_not_zero), Field(json_schema_extra={"not": {"const": 0}})]
_Accuracy = Annotated[Number, Field(gt=0)] | None


def accuracy_key(quantity: Quantity) -> str:
    """Return the key under which the file states a quantity's accuracy, its unit in the name."""
    return "accuracy" + UNIT_SUFFIXES[quantity]


class Measurement(Table):
    """One quantity of a probe. The value is raw * scale + offset."""

    quantity: Quantity = Field(description="What is measured")
    scale: _Scale = Field(default=1.0, description="Factor from raw to the unit of the quantity")
    offset: Number = Field(default=0.0, description="Added after scaling, in the unit of the quantity")
    accuracy_c: _Accuracy = Field(
        default=None, description="Stated accuracy of a temperature, plus or minus [°C]"
    )
    accuracy_ms_cm: _Accuracy = Field(
        default=None, description="Stated accuracy of a conductivity, plus or minus [mS/cm]"
    )
    accuracy: _Accuracy = Field(default=None, description="Stated accuracy of a salinity, plus or minus")
    accuracy_mg_l: _Accuracy = Field(
        default=None, description="Stated accuracy of dissolved oxygen, plus or minus [mg/L]"
    )
    accuracy_percent: _Accuracy = Field(
        default=None, description="Stated accuracy of an oxygen saturation, plus or minus [% saturation]"
    )
    accuracy_hpa: _Accuracy = Field(
        default=None, description="Stated accuracy of an air pressure, plus or minus [hPa]"
    )
    compensation: Literal["none", "linear", "iso-7888"] = Field(
        default="none",
        description="How the probe turns its conductivity into one at 25 °C, to be undone",
    )
    percent_per_kelvin: Annotated[Number, Field(ge=0, le=5)] | None = Field(
        default=None, description="Coefficient of the probe's linear compensation [% per kelvin], such as 2.0"
    )

    @property
    def stated_accuracy(self) -> float | None:
        """Return the accuracy in the quantity's unit; None where the file does not state it."""
        accuracy: float | None = getattr(self, accuracy_key(self.quantity))
        return accuracy

    def stray_accuracies(self) -> Iterator[str]:
        """Go through the keys that state an accuracy in the unit of another quantity."""
        for other in Quantity:
            if other is not self.quantity and getattr(self, accuracy_key(other)) is not None:
                yield accuracy_key(other)


class RegisterSettings(Measurement):
    """Where a Modbus probe keeps one quantity. The value is raw * scale + offset."""

    function: Literal["holding", "input"] = Field(
        default="holding", description="Holding registers (function 3) or input registers (function 4)"
    )
    address: Annotated[Whole, Field(ge=0, le=65_535)] = Field(
        description="First register, counted from 0 as on the wire (a manual's 40001 is address 0)"
    )
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"] = Field(
        description="What the registers hold"
    )
    byte_order: Literal["big", "little"] = Field(
        default="big", description="Order of the bytes in a register"
    )
    word_order: Literal["big", "little"] = Field(
        default="big", description="Order of the registers in a value"
    )


class PayloadFieldSettings(Measurement):
    """Where a payload holds one quantity. The value is raw * scale + offset."""

    pointer: Annotated[str, StringConstraints(pattern=types.POINTER_PATTERN)] | None = Field(
        default=None, description="Where in a JSON payload (JSON pointer, RFC 6901)"
    )
    senml_name: Annotated[str, StringConstraints(pattern=types.SENML_NAME_PATTERN)] | None = Field(
        default=None, description="Resolved name of the SenML record (RFC 8428)"
    )
