"""Draws deploy/faults.md from the catalogue and its last result: `python -m tests.faults.drawn`."""

from itertools import groupby

from tests.faults.table import DUTIES, MACHINE, faults, results
from tests.rigs.places import DEPLOY

PAGE = DEPLOY / "faults.md"
TITLES = {
    "probe": "The probe",
    "cable": "The cable and the supply",
    "adapter": "The adapter",
    "bus": "The line that probes share, and the topics of wireless ones",
    "clock": "The clock",
    "machine": "The machine at the rack",
    "disk": "The disk and the journal",
    "file": "Settings and other files",
    "process": "The watch itself",
    "broker": "The broker",
    "network": "The network",
    "racks": "Other racks",
    "oncall": "The on-call process",
    "route": "The way to a phone",
    "person": "The person",
}
WORDS = {
    "called": "somebody is called",
    "shown": "shown by `status`",
    "daily": "in the daily word",
    "refused": "refused, with a line",
}
COLUMNS = "| when | you are told | how, within | seen |\n| --- | --- | --- | --- |\n"
HEAD = """\
# What the rack does when something fails

Each line is one fault between the water and the person who acts, and what is promised of it: what you are
told, how, and within which time, with the settings that are shipped. A fault that no machine can find is
the duty of people, and says which; the longest time is that of the duty. *Seen* says whether the last run
of the tests saw the promise kept: **yes**, **no** (it is not kept yet), or *not tried* (nothing injects
this fault yet). A promise is not a fact until it is seen. Drawn by `python -m tests.faults.drawn`.

**CAUTION.** Mains electricity beside salt water kills. Whatever the message says: mains off before wet
work, and nobody alone at night.
"""


def page():
    """Return the page for users."""
    seen = results()
    parts = [HEAD]
    for kind, rows in groupby(faults(), lambda row: row.kind):
        parts.append(f"\n## {TITLES[kind]}\n\n{COLUMNS}")
        parts += [_line(row, seen) for row in rows]
    parts.append("\n## The duties of people\n\n")
    parts += [f"- *{duty}*: {what}.\n" for duty, what in DUTIES.items()]
    return "".join(parts)


def _line(row, seen):
    how = f"*{row.duty}*, {row.within}" if row.duty else f"{WORDS[row.to]}, {row.within}"
    return f"| {row.fault} | {row.told} | {how} | {_seen(row, seen)} |\n"


def _seen(row, seen):
    if row.duty:
        return "duty"
    came = seen.get(row.key)
    if came is None or came[0] == "not tried":
        return "*not tried*"
    return "yes" if came[0] == MACHINE else "**no**"


if __name__ == "__main__":
    PAGE.write_text(page())
