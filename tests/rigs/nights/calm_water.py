"""Calm water that is no calmer than measured water: quiet hours of the North Atlantic, put in a tank.

The series in `tests/data` (its README says where it comes from) gives temperature and salinity of each
minute. Of its hours those count as quiet in which neither moves by more than a rack's rate limits would
allow; what they did, minute by minute, is strung together in an order drawn by lot, with a weak pull back
to the middle, as a thermostat has. Oxygen has no measured series at a minute: it moves as the temperature of
other quiet hours did, 5 % of saturation for a degree (common practice, no source).
"""

import csv
import gzip
from functools import lru_cache

import gsw
import numpy as np

from tests.rigs.places import DATA

DEPTH_DBAR = 320.0
QUIET = {"t": 0.2, "s": 0.15}
"""The most that a quiet hour spans, in °C and practical salinity."""
PULL_PER_MIN = 1.0 / 240.0
PERCENT_PER_KELVIN = 5.0
SWINGS = ((65.0, 85.0, 0.08), (400.0, 500.0, 0.15))
MG_L_PER_KELVIN, BACK_PER_MIN = 0.3, 1.0 / 80.0
DRAWN_MG_L = -0.12
"""How lively oxygen is where the estuary's steps are to be matched: swings of some minutes, shortest and
longest, and mg/L, what the temperature of quiet hours does, and what animals draw; the water stays in its
bands. The estuary's own rarest steps (one in a hundred is 1.8 mg/L in 15 min) would be a loss of flow in a
kreisel, and a call about them right.
"""
BLOCK = 60


@lru_cache(maxsize=1)
def measured():
    """The series in the water: temperature in °C and practical salinity, one of each minute (shape n)."""
    with gzip.open(DATA / "microcat_dune2_2026_60s.csv.gz", "rt", encoding="utf-8") as text:
        rows = list(csv.DictReader(text))
    t = np.array([float(row["water_temperature_degC"]) for row in rows])
    c = 10.0 * np.array([float(row["conductivity_S_per_m"]) for row in rows])
    wet = c > 25.0  # its README: in water above 2.5 S/m
    return {"t": t[wet], "s": gsw.SP_from_C(c[wet], t[wet], DEPTH_DBAR)}


@lru_cache(maxsize=1)
def quiet_hours():
    """Increments of the quiet hours, shape (hours, minutes, 2): temperature and salinity."""
    sea = measured()
    both = np.stack([sea["t"], sea["s"]], axis=1)
    hours = (len(both) - 1) // BLOCK
    steps = np.diff(both, axis=0)[: hours * BLOCK].reshape(hours, BLOCK, 2)
    spans = np.ptp(steps.cumsum(axis=1), axis=1)
    return steps[(spans[:, 0] <= QUIET["t"]) & (spans[:, 1] <= QUIET["s"])]


def calm(draw, minutes):
    """Deviations from the middle, one a minute: temperature, salinity, oxygen in % (shape n each)."""
    hours = quiet_hours()
    walk = np.zeros((minutes, 3))
    count = minutes // BLOCK + 1
    strung = hours[draw.integers(len(hours), size=count)].reshape(-1, 2)
    other = hours[draw.integers(len(hours), size=count)].reshape(-1, 2)[:, :1]
    steps = np.concatenate([strung, PERCENT_PER_KELVIN * other], axis=1)
    for minute in range(1, minutes):
        walk[minute] = walk[minute - 1] * (1.0 - PULL_PER_MIN) + steps[minute]
    return {"t": walk[:, 0], "s": walk[:, 1], "o": walk[:, 2]}


def lively_oxygen(draw, minutes):
    """Deviations of oxygen in mg/L, one a minute (shape n): an estuary's steps within a tank's bounds."""
    hours, at = quiet_hours(), np.arange(minutes)
    strung = hours[draw.integers(len(hours), size=minutes // BLOCK + 1)].reshape(-1, 2)[:minutes, 0]
    walk = [0.0]
    for step in (MG_L_PER_KELVIN * strung).tolist():
        walk.append(walk[-1] * (1.0 - BACK_PER_MIN) + step)
    found = DRAWN_MG_L + np.array(walk[1:])
    for shortest, longest, mg_l in SWINGS:
        turns = at / draw.uniform(shortest, longest) + draw.random()
        found += mg_l * np.sin(2 * np.pi * turns)
    return found
