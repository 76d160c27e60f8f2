"""Air pressure by altitude in the standard atmosphere, for a rack without a barometer.

Source: ISO 2533:1975 (as ICAO Doc 7488), lowest layer; its constants are from memory.
"""

_SEA_LEVEL_HPA = 1013.25
_SEA_LEVEL_K = 288.15
_LAPSE_K_PER_M = 0.0065
_EXPONENT = 5.25588  # g0 / (R lapse)


def standard_air_pressure_hpa(altitude_m: float) -> float:
    """Return the air pressure (hPa) at a station altitude in metres, -500 to 5000."""
    return float(_SEA_LEVEL_HPA * (1.0 - _LAPSE_K_PER_M * altitude_m / _SEA_LEVEL_K) ** _EXPONENT)
