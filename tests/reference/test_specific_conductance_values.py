"""Compensation to 25 °C against the table of ISO 7888 and against what compensated seawater reads."""

import gsw
import numpy as np
import pytest

from rules.water.seawater import practical_salinity
from rules.water.specific_conductance import (
    Compensation,
    in_situ_conductivity,
    iso_7888_factor,
)

# ISO 7888:1985, table of f25, as reproduced in the annex of a published laboratory conductivity meter
# manual ("nichtlineare Temperaturkorrektur"): whole degrees 0 to 35, the same plus 0.1 and plus 0.3 degrees.
ISO_7888 = {
    0.0: """1.918 1.857 1.800 1.745 1.693 1.643 1.596 1.551 1.508 1.467 1.428 1.390 1.354 1.320 1.287 1.256
        1.225 1.196 1.168 1.141 1.116 1.091 1.067 1.044 1.021 1.000 0.979 0.959 0.940 0.921 0.903 0.886 0.869
        0.853 0.837 0.822""",
    0.1: """1.912 1.851 1.794 1.740 1.688 1.638 1.591 1.547 1.504 1.463 1.424 1.387 1.351 1.317 1.284 1.253
        1.222 1.193 1.166 1.139 1.113 1.088 1.064 1.041 1.019 0.998 0.977 0.957 0.938 0.920 0.902 0.884 0.867
        0.851 0.835 0.820""",
    0.3: """1.899 1.840 1.783 1.729 1.678 1.629 1.582 1.538 1.496 1.455 1.416 1.379 1.344 1.310 1.278 1.246
        1.216 1.188 1.160 1.134 1.108 1.083 1.060 1.037 1.015 0.994 0.973 0.953 0.934 0.916 0.898 0.881 0.864
        0.848 0.832 0.817""",
}

# A probe that uses the three digits of the table differs by up to 0.0005 in f25: 0.02 in salinity.
OF_THE_TABLE = 0.02

# What S = 35 is reported as when conductivity compensated to 25 °C is taken for that at 25 °C; computed with
# gsw 3.6: temperature, compensated at 2.00 %/K, at 1.91 %/K, by the table of ISO 7888.
NOT_PUT_BACK = [
    (5, 37.004, 35.791, 36.412),
    (10, 35.999, 35.233, 35.982),
    (15, 35.428, 34.984, 35.619),
    (20, 35.127, 34.931, 35.301),
    (30, 34.986, 35.147, 34.722),
]


@pytest.mark.parametrize("tenths", ISO_7888)
def test_the_formula_gives_the_table_of_iso_7888_to_its_last_digit(tenths):
    table = np.array([float(value) for value in ISO_7888[tenths].split()])
    factor = iso_7888_factor(np.arange(36) + tenths)
    assert np.round(factor, 3).tolist() == table.tolist()


@pytest.mark.parametrize(("t", "at_200", "at_191", "at_iso"), NOT_PUT_BACK)
def test_a_compensated_reading_put_back_is_exact_and_not_put_back_is_off(t, at_200, at_191, at_iso):
    in_situ = gsw.C_from_SP(35.0, t, 0.0)
    cases = [
        (in_situ / (1.0 + 0.0200 * (t - 25.0)), at_200, 5.1e-4, lambda SC: _linear(SC, t, 0.0200)),
        (in_situ / (1.0 + 0.0191 * (t - 25.0)), at_191, 5.1e-4, lambda SC: _linear(SC, t, 0.0191)),
        (
            in_situ * iso_7888_factor(t)[0],
            at_iso,
            OF_THE_TABLE,
            lambda SC: in_situ_conductivity(SC, t, Compensation.ISO_7888),
        ),
    ]
    for compensated, wrong, tolerance, put_back in cases:
        assert practical_salinity(put_back(compensated), t) == pytest.approx([35.0], abs=1e-9)
        assert practical_salinity(compensated, 25.0) == pytest.approx([wrong], abs=tolerance)


def _linear(SC: float, t: float, per_kelvin: float) -> np.ndarray:
    return in_situ_conductivity(SC, t, Compensation.LINEAR, per_kelvin)
