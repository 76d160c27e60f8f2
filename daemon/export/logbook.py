"""The logbook as CSV: every entry with its number, corrections beside what they put right."""

import csv
from collections.abc import Sequence
from pathlib import Path

from daemon.journal.journal import Journal
from daemon.tables.values import cell
from daemon.words import iso_time
from rules.quantities import Quantity, unit_of
from rules.rack.logbook import ENTRY_KINDS

HAND = "hand_measurement"
COLUMNS = ("number", "time", "vessel", "kind", "quantity", "value", "unit", "n", "low", "high", "note", "who")


def write_logbook(journal: Journal, vessels: Sequence[str], between_ms: tuple[int, int], path: Path) -> int:
    """Write the entries of some vessels (none: all) and a time (UTC); return how many there are."""
    dating = journal.state.dating()
    kinds = (*ENTRY_KINDS, HAND)
    entries = sorted((it for kind in kinds for it in journal.history.entries(kind)), key=lambda it: it.seq)
    found = [
        (dating.utc_ms(it.at_ms), it)
        for it in entries
        if (not vessels or it.vessel in vessels) and between_ms[0] <= dating.utc_ms(it.at_ms) < between_ms[1]
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow([*COLUMNS, "corrects"])
        for time_ms, it in found:
            body, quantity = it.body, str(it.body.get("quantity", ""))
            unit = unit_of(Quantity(quantity)) if it.kind == HAND else ENTRY_KINDS[it.kind].unit
            numbers = [body.get("value", ""), unit, *(body.get(key, "") for key in ("n", "low", "high"))]
            said = [cell(str(body.get("note", ""))), cell(it.who), it.corrects or ""]
            table.writerow([it.seq, iso_time(time_ms), it.vessel, it.kind, quantity, *numbers, *said])
    return len(found)
