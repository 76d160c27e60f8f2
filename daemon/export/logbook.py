"""The logbook as CSV: every entry with its number, corrections beside what they put right."""

import csv
from collections.abc import Sequence
from pathlib import Path

from daemon.journal.journal import Journal
from daemon.journal.logbook import CULTURE, HAND, MAINTENANCE, logbook_of
from daemon.tables.values import cell
from daemon.words import iso_time
from rules.quantities import Quantity, unit_of
from rules.rack.logbook import ENTRY_KINDS, is_withdrawn

COLUMNS = ("number", "time", "vessel", "kind", "quantity", "value", "unit", "n", "low", "high", "note", "who")


def write_logbook(journal: Journal, vessels: Sequence[str], between_ms: tuple[int, int], path: Path) -> int:
    """Write the entries of some vessels (none: all) and a time (UTC); return how many there are.

    The value of maintenance is how long it was to last at most; at its end there is none.
    """
    dating = journal.state.dating()
    found = [
        (time_ms, it)
        for it in logbook_of(journal, vessels)
        if between_ms[0] <= (time_ms := dating.utc_ms(it.at_ms)) < between_ms[1]
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow([*COLUMNS, "corrects"])
        for time_ms, it in found:
            body, quantity = it.body, str(it.body.get("quantity", ""))
            by_hand = it.kind == HAND and quantity in [*Quantity]  # what is damaged has none
            unit = unit_of(Quantity(quantity)) if by_hand else _UNITS.get(it.kind, "")
            value = body.get("value", body.get("for_s", ""))
            numbers = [value, unit, *(body.get(key, "") for key in ("n", "low", "high"))]
            words = ("withdrawn" if is_withdrawn(body) else "", body.get("note") or body.get("why"))
            note = cell(": ".join(str(word) for word in words if word))
            said = [note, cell(it.who), it.corrects or ""]
            table.writerow(
                [it.seq or "", iso_time(time_ms), cell(it.vessel), it.kind, quantity, *numbers, *said]
            )
    return len(found)


_UNITS = {kind: its.unit for kind, its in ENTRY_KINDS.items()} | {MAINTENANCE: "s", CULTURE: "animals"}
