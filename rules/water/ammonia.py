"""How much of the total ammonia is un-ionised, the part that harms animals.

Source: Clegg & Whitfield 1995, Geochim. Cosmochim. Acta 59:2403-2421 (read as an abstract; coefficients from
memory, confirmed by `tests/reference/test_ammonia_values.py`). Total scale, mol per kg of sea water.
"""

import math
from collections.abc import Mapping
from typing import Any

from rules.errors import SeawaterError

NBS_ABOVE_TOTAL = 0.13
"""By how much pH reads higher on the NBS scale, which most kits and bench meters show (from memory, S 32)."""

SCALES: Mapping[str, float] = {"total": 0.0, "nbs": NBS_ABOVE_TOTAL}
RANGES = {"ph": (5.0, 10.0), "temperature_c": (-2.0, 40.0), "salinity": (0.0, 40.0)}


def pk_of_ammonium(temperature_c: float, salinity: float) -> float:
    """Return the pK of ammonium in sea water, from °C and practical salinity."""
    T, S = temperature_c + 273.15, salinity
    root = math.sqrt(T)
    pk = 9.244605 - 2729.33 * (1 / 298.15 - 1 / T) + (0.04203362 - 11.24742 / T) * S**0.25
    pk += (-13.6416 + 1.176949 * root - 0.02860785 * T + 545.4834 / T) * S**0.5
    pk += (-0.1462507 + 0.0090226468 * root - 0.0001471361 * T + 10.5425 / T) * S**1.5
    pk += (0.004669309 - 0.0001691742 * root - 0.5677934 / T) * S**2
    pk += (-2.354039e-05 + 0.009698623 / T) * S**2.5
    return float(pk - math.log10(1 - 0.001005 * S))


def unionised(total_mg_n_l: float, entry: Mapping[str, Any]) -> dict[str, float]:
    """Return un-ionised ammonia [mg N/L] by the scale of pH on which the entry was measured.

    An entry that does not say its scale gives the value on each; without pH, temperature (°C) and salinity
    there is none. SeawaterError, in one line, where one of them is no number within `RANGES`, or no scale.
    """
    given = {key: entry[key] for key in RANGES if entry.get(key) is not None}
    for key, value in given.items():
        low, high = RANGES[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise SeawaterError(f"{key}: found {str(value)[:40]}; expected {low:g} to {high:g}")
    scale = entry.get("scale")
    if scale is not None and scale not in list(SCALES):
        raise SeawaterError(f"scale: found {str(scale)[:40]!r}; expected {' or '.join(SCALES)}")
    if len(given) < len(RANGES):
        return {}
    pk = pk_of_ammonium(given["temperature_c"], given["salinity"])
    scales = [scale] if scale else SCALES
    return {it: total_mg_n_l / (1 + 10 ** (pk - given["ph"] + SCALES[it])) for it in scales}
