"""QARTOD's flag numbers, and how the flags of several tests become one summary flag.

Flags in work are a `uint8` array of shape (tests, readings), one row for each `QartodTest`: bytes
are cheap to fill, compare and combine, and a row reads as it is printed in the manuals. For
storage, `pack` writes the eight rows of a reading as the eight hexadecimal digits of one `uint32`,
so that 0x11131112 still reads as the flags themselves.
"""

from enum import IntEnum
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

Flags: TypeAlias = npt.NDArray[np.uint8]


class Flag(IntEnum):
    """Primary flag of a reading. Source: Manual for the Use of Real-Time Oceanographic Data Quality
    Control Flags, U.S. IOOS, version 1.2, 2020."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING = (np.uint8(flag) for flag in Flag)
"""The same for numpy, which takes five times as long to compare with a word of an enumeration."""

WORSE_THAN_PASS: Final = (Flag.SUSPECT, Flag.FAIL, Flag.MISSING)


def worse_than_pass(flags: Flags) -> npt.NDArray[np.bool_]:
    """Return which flags (any shape) are of WORSE_THAN_PASS: they are those above the others."""
    return flags >= SUSPECT


class QartodTest(IntEnum):
    """The tests that one series can answer for itself, in the manuals' order: the rows of the flags."""

    TIMING = 0
    SYNTAX = 1
    GROSS_RANGE = 2
    CLIMATOLOGY = 3
    SPIKE = 4
    RATE_OF_CHANGE = 5
    FLAT_LINE = 6
    ATTENUATED_SIGNAL = 7


_SPIKE: Final = int(QartodTest.SPIKE)
_CAUSAL: Final = [row for row in range(len(QartodTest)) if row not in (QartodTest.TIMING, QartodTest.SPIKE)]

_DIGITS: Final = 4 * np.arange(len(QartodTest), dtype=np.uint32)[:, None]

MILDEST_FIRST: Final = (Flag.NOT_EVALUATED, Flag.PASS, Flag.MISSING, Flag.SUSPECT, Flag.FAIL)
"""The order of combination: the flag that stands furthest right wins.

A finding outranks everything, the worse the more. A missing value outranks a pass, so that a test
that needs no value cannot make a reading look good that is not there. "Not evaluated" says nothing
about a reading and shows only where nothing else was said.
"""


def combine(flags: Flags) -> Flags:
    """Return the summary flag of each reading.

    flags: shape (tests, readings). Returns shape (readings,). Order: `MILDEST_FIRST`.
    """
    if flags.max(initial=0) <= NOT_EVALUATED:  # nothing found, as nearly always: 1 outranks 2
        mildest: Flags = flags.min(axis=0)
        return mildest
    summary = np.full(flags.shape[1], NOT_EVALUATED, dtype=np.uint8)
    for flag in MILDEST_FIRST[1:]:
        np.putmask(summary, (flags == flag).any(axis=0), np.uint8(flag))
    return summary


def summarise(tests: Flags) -> tuple[Flags, Flags]:
    """Return two summary flags of each reading from the rows of `QartodTest`, shape (8, readings).

    The first is causal: it leaves out the spike test, which must await the next reading. The second
    has every test. The timing row stays out of both: a gap is a fault of the series, and the reading
    that ends it is often the first good news. It must be able to raise an alarm, which a reading
    flagged 4 cannot.
    """
    causal = combine(tests[_CAUSAL])
    return causal, combine(np.array((causal, tests[_SPIKE])))


def pack(tests: Flags) -> npt.NDArray[np.uint32]:
    """Return one word for each reading: row i of `QartodTest` is hexadecimal digit i from the right."""
    digits = np.left_shift(tests, _DIGITS, dtype=np.uint32)
    words: npt.NDArray[np.uint32] = np.bitwise_or.reduce(digits, axis=0)
    return words


def unpack(packed: npt.NDArray[np.uint32]) -> Flags:
    """Return the rows of `QartodTest`, shape (8, readings), from the words of `pack`."""
    return ((packed >> _DIGITS) & np.uint32(0xF)).astype(np.uint8)
