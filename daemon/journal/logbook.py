"""The logbook of a journal: what people wrote down, the work that they announced, their calibrations.

None of it is ever edited.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace

import structlog

from daemon.journal.dating import Dating
from daemon.journal.history import Entry
from daemon.journal.journal import Journal
from rules.care.calibration import Calibration, calibration_of, refuse_other_base, taken_back
from rules.culture.acts import Act, act_of
from rules.errors import RulesError
from rules.rack.logbook import ENTRY_KINDS, WATER

log = structlog.get_logger()

CALIBRATE = "calibrate"
HAND, MAINTENANCE, CULTURE = "hand_measurement", "maintenance", "culture"
FORM_KINDS = (*ENTRY_KINDS, HAND)
WRITTEN_KINDS = (*FORM_KINDS, CULTURE)
ALL_KINDS = (*WRITTEN_KINDS, MAINTENANCE)
_WORK = ("begin_maintenance", "end_maintenance")
_VESSEL = "vessel/"
_STAYS = ("cohort", *WATER)
ALWAYS = (0, 2**62)


def logbook_of(
    journal: Journal,
    vessels: Sequence[str] = (),
    kinds: Sequence[str] = ALL_KINDS,
    between: tuple[int, int] = ALWAYS,
    at_most: int = -1,
) -> list[Entry]:
    """Return the newest entries of some vessels (none: all) and kinds, of a time of the axis, oldest first.

    Maintenance is none that somebody wrote: it has the number 0 and cannot be corrected.
    """
    found = journal.history.logbook(vessels, kinds, at_most, between)
    if MAINTENANCE in kinds:
        targets = [f"{_VESSEL}{vessel}" for vessel in vessels]
        found += [
            Entry(0, MAINTENANCE, it.at_ms, it.who, target.removeprefix(_VESSEL), it.body)
            for it in journal.inputs.done(between, _WORK, targets, at_most)
            if (target := str(it.body.get("target"))).startswith(_VESSEL)
        ]
    found.sort(key=lambda it: it.at_ms)
    return found if at_most < 0 else found[-at_most:]


def roots_of(entries: Iterable[Entry]) -> dict[int, Entry]:
    """Return for each number the entry that was first written, of which it is a correction (or which it is).

    `entries` are all of their kinds that somebody wrote, the oldest first.
    """
    roots: dict[int, Entry] = {}
    for it in entries:
        roots[it.seq] = roots.get(it.corrects or 0, it)
    return roots


def superseded(entries: Sequence[Entry]) -> dict[int, int]:
    """Return for the number of each entry that counts no more that of the one that counts in its place."""
    roots = roots_of(entries)
    newest = {roots[it.seq].seq: it.seq for it in entries}
    return {seq: newest[root.seq] for seq, root in roots.items() if newest[root.seq] != seq}


def in_force(entries: Sequence[Entry]) -> list[Entry]:
    """Return what counts: of an entry and its corrections the newest, at the time of the first."""
    roots = roots_of(entries)
    newest = {roots[it.seq].seq: it for it in entries}
    return [replace(it, at_ms=roots[it.seq].at_ms) for it in newest.values()]


def calibrations_in(journal: Journal) -> list[Calibration]:
    """Return the calibrations of the probes that there are, oldest first.

    A calibration that was refused is in the journal as well; the rule that refused it leaves it out here;
    so is one that was taken back.
    """
    probes, made = {source[:2] for source in journal.inputs.sources().values()}, list[Calibration]()
    newest, before = dict[str, Calibration | None](), dict[str, Calibration | None]()
    for action in journal.inputs.actions(CALIBRATE):
        try:
            key = taken_back(action.body)
            if key in before:
                made = [it for it in made if it is not newest[key]]
                newest[key] = before.pop(key)
            elif key is None:
                one = calibration_of(action.body, action.at_ms, action.who)
                refuse_other_base(one, newest.get(one.key))
                before[one.key], newest[one.key] = newest.get(one.key), one
                made.append(one)
        except RulesError:
            continue
    return [calibration for calibration in made if (calibration.probe, calibration.quantity) in probes]


def as_done(entries: Sequence[Entry], dating: Dating) -> dict[int, Entry]:
    """Return what counts, by the number of what was first written, at the time when it was done (UTC).

    That is what the newest of an entry and its corrections states that states one, else when it was written.
    So is the batch that it is of, and the water that was measured beside it.
    """
    roots, done, newest = roots_of(entries), dict[int, int](), dict[int, Entry]()
    for it in entries:
        root = roots[it.seq]
        done[root.seq] = int(it.body.get("when_ms", done.get(root.seq, dating.utc_ms(root.at_ms))))
        was = newest[root.seq].body if root.seq in newest else {}
        newest[root.seq] = replace(it, body={key: was[key] for key in _STAYS if key in was} | it.body)
    return {number: replace(it, at_ms=done[number]) for number, it in newest.items()}


def acts_in(journal: Journal) -> list[Act]:
    """Return what counts: of an act and its corrections the newest, at the time that they state."""
    entries = journal.history.entries(CULTURE)
    later = defaultdict[int, list[int]](list)
    for seq, root in roots_of(entries).items():
        later[root.seq] += [seq] if seq != root.seq else []
    found = []
    for number, it in as_done(entries, journal.state.dating()).items():
        try:
            found.append(
                replace(act_of(number, it.at_ms, it.who, it.body), corrected_by=tuple(later[number]))
            )
        except RulesError as error:
            log.warning("act_unusable", number=number, why=str(error))
    return found
