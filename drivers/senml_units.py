"""SenML's registered units to those in which each quantity is kept.

Units: IANA SenML registry, from RFC 8428 (Cel, K, Pa, S/m, /, %), RFC 8798 (kg/m3, hPa, /100) and
later registrations (mg/l, ug/l, g/l). mS/cm is not registered: conductivity is sent in S/m.
"""

from drivers.errors import PayloadError

KELVIN_AT_0_CELSIUS = 273.15

# quantity -> unit -> (factor, offset): ours = sent * factor + offset
_CONVERSIONS: dict[str, dict[str | None, tuple[float, float]]] = {
    "temperature": {"Cel": (1.0, 0.0), "K": (1.0, -KELVIN_AT_0_CELSIUS)},
    "conductivity": {"S/m": (10.0, 0.0)},
    "salinity": {None: (1.0, 0.0)},
    "oxygen": {"kg/m3": (1000.0, 0.0), "g/l": (1000.0, 0.0), "mg/l": (1.0, 0.0), "ug/l": (0.001, 0.0)},
    "oxygen_saturation": {"/": (100.0, 0.0), "%": (1.0, 0.0), "/100": (1.0, 0.0)},
    "air_pressure": {"Pa": (0.01, 0.0), "hPa": (1.0, 0.0)},
}


def from_senml(quantity: str, unit: str | None, value: float) -> float:
    """Return a SenML value in the unit of its quantity; raise PayloadError when the unit does not fit."""
    units = _CONVERSIONS.get(quantity, {unit: (1.0, 0.0)})  # a count comes in any unit
    if unit in units:
        factor, offset = units[unit]
        return value * factor + offset
    if quantity == "salinity" and unit == "ppt":
        raise PayloadError(
            "unit 'ppt' means parts per trillion in SenML; send practical salinity without a unit"
        )
    due = " or ".join(name or "no unit" for name in units)
    sent = "no unit" if unit is None else f"unit {unit[:40]!a}"
    raise PayloadError(f"{sent} does not fit {quantity}; send {due}")
