"""`bellwatch log VESSEL`: the newest entries of a vessel's logbook, read back."""

import argparse
from contextlib import closing
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.check.load import load_settings
from daemon.errors import JournalError
from daemon.journal.history import Entry
from daemon.journal.journal import Journal
from daemon.words import amount, label
from rules.quantities import Quantity
from rules.rack.logbook import ENTRY_KINDS

READ_BACK = 40
HAND = "hand_measurement"


def read_back(options: argparse.Namespace) -> int:
    """Print the newest entries, the newest last; JournalError where the rack has no such vessel."""
    settings = load_settings(options.settings)
    if options.vessel not in settings.vessels:
        known = ", ".join(sorted(settings.vessels))
        raise JournalError(f"vessel: {options.vessel} is none of this rack; known are: {known}")
    zone = ZoneInfo(settings.rack.time_zone)
    with closing(Journal(settings.journal.path, writable=False)) as journal:
        dating = journal.state.dating()
        entries = journal.history.logbook(options.vessel, (*ENTRY_KINDS, HAND), READ_BACK)
    for entry in entries:
        when = datetime.fromtimestamp(dating.utc_ms(entry.at_ms) / 1000, zone)
        print(f"{when:%Y-%m-%d %H:%M}  {entry.kind}  {_said(entry)}by {entry.who}")
    if not entries:
        print(f"{options.vessel}: nothing is written down yet")
    return 0


def _said(entry: Entry) -> str:
    value, note = entry.body.get("value"), entry.body.get("note")
    text = ""
    if value is not None and entry.kind == HAND:
        quantity = Quantity(entry.body["quantity"])
        text = f"{label(quantity)} {amount(value, quantity)}  "
    elif value is not None:
        text = f"{value:g} {ENTRY_KINDS[entry.kind].unit}".rstrip() + "  "
    return text + (f"{note}  " if note else "")
