"""What a number that is no water would be, read in another unit or word order.

A register map or a unit that is set wrongly is the commonest cause of such numbers where a probe is new
(common practice, no source).
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from rules.quantities import UNITS, Quantity, from_unit
from rules.water.oxygen import oxygen_mg_l, oxygen_saturation_percent

PLAUSIBLE: Mapping[Quantity, tuple[float, float]] = {
    Quantity.TEMPERATURE: (0.5, 35.0),
    Quantity.CONDUCTIVITY: (5.0, 75.0),
    Quantity.SALINITY: (2.0, 42.0),
    Quantity.OXYGEN: (1.0, 18.0),
    Quantity.OXYGEN_SATURATION: (15.0, 200.0),
    Quantity.AIR_PRESSURE: (600.0, 1085.0),
}
"""What the water of a nursery, and its air, can be; in the quantity's unit (project judgement)."""


IN_STANDARDS: Mapping[Quantity, tuple[float, float]] = {
    Quantity.TEMPERATURE: (-1.0, 60.0),
    Quantity.CONDUCTIVITY: (0.0, 150.0),
    Quantity.SALINITY: (0.0, 45.0),
    Quantity.OXYGEN: (0.0, 20.0),
    Quantity.OXYGEN_SATURATION: (0.0, 200.0),
    Quantity.AIR_PRESSURE: (500.0, 1100.0),
}
"""What is true in what probes are calibrated in; in the quantity's unit (project judgement)."""

_OTHER_QUANTITIES: Mapping[Quantity, Mapping[str, tuple[float, float]]] = {
    Quantity.SALINITY: {"specific_gravity with the --scale of the instrument": (0.99, 1.05)},
    Quantity.OXYGEN: {"oxygen_saturation": (15.0, 200.0), "oxygen_saturation --unit /": (0.15, 1.5)},
    Quantity.OXYGEN_SATURATION: {"oxygen": (1.0, 15.0)},
}
"""What people measure and write down under another name, and between what (project judgement)."""


@dataclass(frozen=True, slots=True)
class ReadOtherwise:
    """The value that a number would be, in its quantity's unit, if the probe sends it `as_what`."""

    value: float
    as_what: str


@dataclass(frozen=True, slots=True)
class Around:
    """What the other probes say around it: °C, practical salinity, hPa; NaN where nothing does."""

    temperature_c: float = math.nan
    salinity: float = math.nan
    air_pressure_hpa: float = math.nan


_Read = Callable[[float], float]

_UNITS: Mapping[Quantity, Mapping[str, _Read]] = {
    Quantity.TEMPERATURE: {
        "in °F": lambda read: (read - 32.0) / 1.8,
        "in K": lambda read: read - 273.15,
        "in tenths of °C": lambda read: read / 10.0,
        "in hundredths of °C": lambda read: read / 100.0,
    },
    Quantity.CONDUCTIVITY: {
        "in µS/cm": lambda read: read / 1000.0,
        "in S/m": lambda read: read * 10.0,
        "in mS/m": lambda read: read / 100.0,
    },
    Quantity.SALINITY: {
        "in parts per million": lambda read: read / 1000.0,
        "in per cent": lambda read: read * 10.0,
    },
    Quantity.OXYGEN: {
        "in µmol/L": lambda read: read * 31.9988 / 1000.0,
        "in µg/L": lambda read: read / 1000.0,
    },
    Quantity.OXYGEN_SATURATION: {"as a share of 1": lambda read: read * 100.0},
    Quantity.AIR_PRESSURE: {
        "in kPa": lambda read: read * 10.0,
        "in Pa": lambda read: read / 100.0,
        "in bar": lambda read: read * 1000.0,
        "in mmHg": lambda read: read * 1.333224,
    },
}
"""Units that probes are sold with. Oxygen: 31.9988 g/mol; a mmHg is 1.333224 hPa (ISO 80000-4)."""


_FLOAT32_MAX = float(np.finfo(np.float32).max)


def is_plausible(quantity: Quantity, value: float) -> bool:
    """Return whether some nursery's water (or air) can be so."""
    low, high = PLAUSIBLE[quantity]
    return low <= value <= high


def read_otherwise(
    quantity: Quantity, value: float, around: Around | None = None
) -> tuple[ReadOtherwise, ...]:
    """Return what a number that no water can be would be, read otherwise; only what is plausible."""
    if is_plausible(quantity, value):
        return ()
    read = [ReadOtherwise(formula(value), unit) for unit, formula in _UNITS[quantity].items()]
    found = [*read, *_oxygen(quantity, value, around or Around()), *_other_order(value)]
    return tuple(it for it in found if is_plausible(quantity, it.value))


def typed_otherwise(
    quantity: Quantity, typed: float, value: float, possible: Mapping[Quantity, tuple[float, float]]
) -> list[str]:
    """Return how else to say a typed number whose value, in the quantity's unit, cannot be; else nothing."""
    low, high = possible[quantity]
    if low <= value <= high:
        return []
    units = [it for it in UNITS[quantity] if low <= from_unit(quantity, it, typed) <= high]
    others = _OTHER_QUANTITIES.get(quantity, {}).items()
    return [*(f"--unit {it}" for it in units), *(name for name, (a, b) in others if a <= typed <= b)]


def _oxygen(quantity: Quantity, value: float, around: Around) -> Iterator[ReadOtherwise]:
    """Read % of saturation as mg/L and back, where what that needs is known."""
    inputs = (around.temperature_c, around.salinity, around.air_pressure_hpa)
    if quantity is Quantity.OXYGEN:
        yield ReadOtherwise(oxygen_mg_l(value, *inputs).item(), "in % of saturation")
    if quantity is Quantity.OXYGEN_SATURATION:
        yield ReadOtherwise(oxygen_saturation_percent(value, *inputs).item(), "in mg/L")


def _other_order(value: float) -> Iterator[ReadOtherwise]:
    """Read the four bytes of a float32 (IEEE 754) in the other orders of words and bytes."""
    if abs(value) > _FLOAT32_MAX or float(np.float32(value)) != value:  # it was never four bytes
        return
    b = np.array([value], dtype=">f4").tobytes()
    orders = {
        "with its words in the other order": b[2:] + b[:2],
        "with its bytes in the other order": b[::-1],
        "with the bytes of each word in the other order": bytes((b[1], b[0], b[3], b[2])),
    }
    for how, turned in orders.items():
        yield ReadOtherwise(np.frombuffer(turned, dtype=">f4").item(), how)
