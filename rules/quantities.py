"""What can be measured in a vessel, and in which unit it is judged."""

from enum import StrEnum


class Quantity(StrEnum):
    """A quantity of the water or the room, with one fixed unit (see `unit_of`)."""

    TEMPERATURE = "temperature"
    CONDUCTIVITY = "conductivity"
    SALINITY = "salinity"
    OXYGEN = "oxygen"
    OXYGEN_SATURATION = "oxygen_saturation"
    AIR_PRESSURE = "air_pressure"


_UNITS = {
    Quantity.TEMPERATURE: "°C",
    Quantity.CONDUCTIVITY: "mS/cm",
    Quantity.SALINITY: "",
    Quantity.OXYGEN: "mg/L",
    Quantity.OXYGEN_SATURATION: "%",
    Quantity.AIR_PRESSURE: "hPa",
}

UNITS: dict[Quantity, dict[str, tuple[float, float]]] = {
    Quantity.TEMPERATURE: {"C": (1.0, 0.0), "K": (1.0, -273.15), "F": (1 / 1.8, -32 / 1.8)},
    Quantity.CONDUCTIVITY: {"mS/cm": (1.0, 0.0), "S/m": (10.0, 0.0), "uS/cm": (1e-3, 0.0)},
    Quantity.SALINITY: {"": (1.0, 0.0), "ppt": (1.0, 0.0)},
    Quantity.OXYGEN: {"mg/L": (1.0, 0.0), "ppm": (1.0, 0.0), "kg/m3": (1e3, 0.0)},
    Quantity.OXYGEN_SATURATION: {"%": (1.0, 0.0), "/": (100.0, 0.0)},
    Quantity.AIR_PRESSURE: {
        "hPa": (1.0, 0.0),
        "Pa": (1e-2, 0.0),
        "kPa": (10.0, 0.0),
        "bar": (1e3, 0.0),
        "mmHg": (1013.25 / 760, 0.0),
    },
}
"""Units by name: value * factor + offset is in the quantity's own unit, the first one; a difference has no
offset. The millimetre of mercury is the torr, 101 325 / 760 Pa; ppm of oxygen counts a litre as a kilogram,
and ppt is taken for practical salinity, as the trade does."""


def from_unit(quantity: Quantity, unit: str, value: float, *, difference: bool = False) -> float:
    """Return a value that was given in one of `UNITS`, or a difference of two, in the quantity's own unit."""
    factor, offset = UNITS[quantity][unit]
    return value * factor + (0.0 if difference else offset)


def to_unit(quantity: Quantity, unit: str, value: float, *, difference: bool = False) -> float:
    """Return a value that is in the quantity's own unit, or a difference of two, in one of `UNITS`."""
    factor, offset = UNITS[quantity][unit]
    return (value - (0.0 if difference else offset)) / factor


def with_unit(quantity: Quantity, value: float, *, difference: bool = False) -> str:
    """Write a value with its unit, as refusals do; a difference of temperatures in K."""
    unit = "K" if difference and quantity is Quantity.TEMPERATURE else unit_of(quantity)
    return f"{value:g} {unit}".rstrip()


def unit_of(quantity: Quantity) -> str:
    """Return the unit in which a quantity is stored and judged; practical salinity has none."""
    return _UNITS[quantity]
