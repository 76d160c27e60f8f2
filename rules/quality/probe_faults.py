"""Why a reading is not believed, in a word that tells people what to do about it."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from rules.quality.calm import MOVING
from rules.quality.flags import FAIL, PASS, SUSPECT, QartodTest, unpack


class FaultReason(StrEnum):
    """What a probe fault is about."""

    IN_AIR = "in air"
    STUCK = "stuck"
    IMPOSSIBLE = "impossible value"
    NO_VARIATION = "no variation"
    TOO_FAST = "impossible change"
    ERRATIC = "erratic"
    PLAYED = "stuck in earlier readings"


@dataclass(frozen=True, slots=True)
class Belied:
    """Which readings are belied, shapes n: frozen ones, those a leap away, and an erratic probe's.

    `since_ms` is since when a frozen one has not moved, `MOVING` where it is not frozen; `young` are those a
    leap away not for long, `loose` are all of a probe that leaps often, `played` those that came before.
    `doubted` are a leap away where nothing else could show whether the water is.
    """

    since_ms: NDArray[np.int64]
    jumped: NDArray[np.bool_]
    erratic: NDArray[np.bool_]
    young: NDArray[np.bool_]
    loose: NDArray[np.bool_]
    played: NDArray[np.bool_]
    doubted: NDArray[np.bool_]

    @property
    def frozen(self) -> NDArray[np.bool_]:
        """Return which readings are frozen."""
        frozen: NDArray[np.bool_] = self.since_ms != MOVING
        return frozen

    def maybe_water(
        self, value: NDArray[np.float64], tests: NDArray[np.uint32]
    ) -> NDArray[np.float64] | None:
        """Return the doubted values that water may have, NaN elsewhere; None where none is doubted."""
        possible = flags_of(tests, QartodTest.GROSS_RANGE) == PASS
        return np.where(self.doubted & possible, value, np.nan) if self.doubted.any() else None


_BY_TEST = {
    QartodTest.SYNTAX: FaultReason.IN_AIR,
    QartodTest.GROSS_RANGE: FaultReason.IMPOSSIBLE,
    QartodTest.FLAT_LINE: FaultReason.STUCK,
    QartodTest.ATTENUATED_SIGNAL: FaultReason.NO_VARIATION,
    QartodTest.RATE_OF_CHANGE: FaultReason.TOO_FAST,
}
"""Which test says what, the most telling first. The engine has the syntax test fail a reading that is not
of the water, and nothing else: what a driver cannot read never gets so far."""


def reason_of(tests: np.uint32) -> str:
    """Return why a reading failed, from the packed flags of its tests; empty where no test did."""
    flags = unpack(np.array([tests]))[:, 0]
    return next((reason for test, reason in _BY_TEST.items() if flags[test] == FAIL), "")


def stuck(tests: NDArray[np.uint32]) -> NDArray[np.bool_]:
    """Return whether each reading (packed flags, shape n) repeats those before for suspiciously long."""
    flat = flags_of(tests, QartodTest.FLAT_LINE)
    repeated: NDArray[np.bool_] = (flat == SUSPECT) | (flat == FAIL)
    return repeated


_SHIFTS, _NIBBLE = tuple(np.uint32(4 * test) for test in QartodTest), np.uint32(0xF)


def flags_of(tests: NDArray[np.uint32], test: QartodTest) -> NDArray[np.uint32]:
    """Return the flag of one test for each reading, from packed flags (shape n)."""
    flags: NDArray[np.uint32] = (tests >> _SHIFTS[test]) & _NIBBLE
    return flags
