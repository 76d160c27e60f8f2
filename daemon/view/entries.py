"""An entry of the logbook in words, the same on every screen."""

from daemon.journal.history import Entry
from daemon.journal.logbook import HAND, MAINTENANCE
from daemon.words import amount, label, length_of_time
from rules.quantities import Quantity
from rules.rack.logbook import ENTRY_KINDS


def entry_text(entry: Entry) -> str:
    """Write what an entry says: 12 mm (mean of 5), 9 to 14, and the note."""
    body = entry.body
    value, note = body.get("value"), body.get("note") or body.get("why")
    text = ""
    if entry.kind == HAND:
        quantity = Quantity(body["quantity"])
        gravity = f"specific gravity {body['specific_gravity']:g}" if "specific_gravity" in body else ""
        text = f"{label(quantity)} {gravity if value is None else amount(value, quantity)}"
    elif value is not None:
        text = f"{value:g} {ENTRY_KINDS[entry.kind].unit}".rstrip()
        text += f" (mean of {body['n']:g})" if body.get("n", 1) > 1 else ""
        text += f", {body['low']:g} to {body['high']:g}" if "low" in body and "high" in body else ""
    elif entry.kind == MAINTENANCE:
        text = f"for {length_of_time(body['for_s'])}" if "for_s" in body else "over"
    return "  ".join(part for part in (text, str(note or "")) if part)
