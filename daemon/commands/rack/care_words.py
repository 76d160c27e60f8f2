"""Calibrations and hand checks in words, for who has just written one down."""

from datetime import datetime, tzinfo

from daemon.journal.journal import Journal
from daemon.words import apart, number, quantity_of
from rules.care.calibration import Calibration
from rules.care.hand_checks import COMPARED_WITHIN_MS
from rules.care.probe_care import CHECKED
from rules.quantities import unit_of


def calibration_line(made: Calibration, zone: tzinfo) -> str:
    """Write a calibration down: when, what, the points, the line, against what, who."""
    when = datetime.fromtimestamp(made.at_ms / 1000, zone)
    points = ", ".join(f"{point.read:g} read for {point.true:g}" for point in made.points)
    line = f"slope {made.line.slope:.4g}, offset {made.line.offset:.4g} {unit_of(made.quantity)}".rstrip()
    note = f" ({made.note})" if made.note else ""
    return (
        f"{made.probe} {made.quantity}: {when:%Y-%m-%d %H:%M} {points}: {line}; "
        f"against {made.standard}, by {made.who}{note}"
    )


def hand_check_lines(journal: Journal, vessel: str, quantity: str) -> list[str]:
    """Say how the newest hand measurement of a quantity compares with each probe of its vessel."""
    found = journal.history.newest_notice(CHECKED, f"{vessel}/{quantity}")
    if found is None or not found.details["compared"]:
        minutes = COMPARED_WITHIN_MS // 60_000
        return [f"{vessel}/{quantity}: written down; no probe had a usable value in the last {minutes} min"]
    lines = []
    for check in found.details["compared"]:
        name, its = check["channel"], quantity_of(check["channel"])
        hand, reads = number(found.details["hand"], its), number(check["reads"], its)
        away = f"; it walks away ({check['rule']})" if check["rule"] is not None else ""
        lines.append(
            f"{name}: {hand} by hand, {check['probe']} says {reads}: {apart(check['difference'], its)}{away}"
        )
    return lines
