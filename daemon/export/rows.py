"""The rows of an export: what a probe measured at one moment, with its vessel, times and flags.

Rows come in the order in which readings were taken in, and within a row the quantities in the order
of the columns, so that an import finds the very same readings in the very same order.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from daemon.journal.dating import Dating
from daemon.journal.journal import Journal
from rules.quantities import Quantity, unit_of
from rules.rack.plan import FRESH

SEARCHED_MS = 3_600_000
"""A reading may have been taken in so much later than it was measured and still be found by its time."""

COLUMNS: tuple[str, ...] = (*Quantity, FRESH)
"""What a row can hold, in the order of the columns; the last is the count that shows that answers are new."""

_MOMENT = attrgetter("time_ms", "taken_in_ms", "vessel", "probe")


@dataclass(frozen=True, slots=True)
class Selection:
    """What to export: from `from_ms` up to, not including, `to_ms` (UTC, when measured), of some vessels."""

    from_ms: int | None = None
    to_ms: int | None = None
    vessels: Sequence[str] = ()


@dataclass(slots=True)
class Row:
    """What one probe measured at one moment; times are UTC, `known` says whether for certain.

    `flags` has QARTOD's flag of a value where there is something against it (3, 4 or 9).
    """

    time_ms: int
    taken_in_ms: int
    known: bool
    vessel: str
    probe: str
    values: dict[str, float] = field(default_factory=dict)
    flags: dict[str, int] = field(default_factory=dict)


def unit(measured: str) -> str:
    """Return the unit of a column; empty where there is none."""
    return "" if measured == FRESH else unit_of(Quantity(measured))


def heading(measured: str) -> str:
    """Return the name of a column, with its unit."""
    return f"{measured} ({unit(measured)})" if unit(measured) else str(measured)


def selected_sources(journal: Journal, selection: Selection) -> dict[int, tuple[str, str, str]]:
    """Return probe, quantity and vessel of every source that is selected, by its number."""
    return {
        key: (probe, quantity, vessel)
        for key, (probe, quantity, vessel) in journal.inputs.sources().items()
        if not selection.vessels or vessel in selection.vessels
    }


def bounds(journal: Journal, selection: Selection, dating: Dating) -> tuple[int, int]:
    """Return numbers between which all selected readings lie: after the first, up to the second."""
    after, upto = 0, journal.inputs.last_seq()
    if selection.from_ms is not None:
        after = journal.inputs.last_seq_before(dating.axis_ms(selection.from_ms) - SEARCHED_MS)
    if selection.to_ms is not None:
        upto = journal.inputs.last_seq_before(dating.axis_ms(selection.to_ms) + SEARCHED_MS)
    return after, upto


def rows(journal: Journal, selection: Selection, dating: Dating) -> Iterator[tuple[int, Row]]:
    """Go through the selected rows, each with the number of its first reading."""
    sources = selected_sources(journal, selection)
    first_seq, row = 0, None
    between = bounds(journal, selection, dating)
    for seq, at_ms, source, lag_ms, value, flag in journal.inputs.flagged_rows(*between):
        if source not in sources:
            continue
        probe, quantity, vessel = sources[source]
        stretch = dating.at(at_ms)
        found = Row(
            at_ms + stretch.ahead_ms - lag_ms, at_ms + stretch.ahead_ms, stretch.synchronised, vessel, probe
        )
        if not _in_range(found.time_ms, selection):
            continue
        if row is None or not _continues(row, found, quantity):
            if row is not None:
                yield first_seq, row
            first_seq, row = seq, found
        row.values[quantity] = value
        if flag is not None:
            row.flags[quantity] = flag
    if row is not None:
        yield first_seq, row


def _in_range(time_ms: int, selection: Selection) -> bool:
    begun = selection.from_ms is None or time_ms >= selection.from_ms
    return begun and (selection.to_ms is None or time_ms < selection.to_ms)


def _continues(row: Row, found: Row, measured: str) -> bool:
    return _MOMENT(row) == _MOMENT(found) and COLUMNS.index(measured) > max(map(COLUMNS.index, row.values))
