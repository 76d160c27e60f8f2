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


def unit_of(quantity: Quantity) -> str:
    """Return the unit in which a quantity is stored and judged; practical salinity has none."""
    return _UNITS[quantity]
