"""Calibrations and hand checks in words, and how far each value on the status page can be trusted."""

from datetime import datetime, tzinfo

from daemon.journal.journal import Journal
from daemon.words import apart, number, quantity_of
from rules.care.accuracy import accuracy_of
from rules.care.calibration import Calibration
from rules.care.hand_checks import COMPARED_WITHIN_MS, Chart
from rules.care.probe_care import CHECKED
from rules.engine import Engine
from rules.quality.flags import Flag
from rules.quantities import unit_of


def day(time_ms: int, zone: tzinfo) -> str:
    """Write the day of a moment where the rack stands."""
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d}"


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


def accuracies(engine: Engine) -> dict[str, float]:
    """Return the accuracy of each channel's value, plus or minus, where it is known."""
    now = {state.channel.name: state for state in engine.channels()}
    channels = {name: state.channel for name, state in now.items()}
    found = {
        name: accuracy_of(state.channel, channels, lambda other: now[other].value)
        for name, state in now.items()
        if state.flag != Flag.FAIL
    }
    return {name: accuracy for name, accuracy in found.items() if accuracy is not None}


def care_lines(engine: Engine, zone: tzinfo) -> list[str]:
    """Say which probes walk away from hand checks, and which calibrations are overdue."""
    lines = [_drift_line(name, chart) for name, chart in engine.hand_checks().items() if chart.rule]
    for now in engine.calibrations():
        if now.due_ms is not None and now.due_ms <= engine.clock_ms:
            what = f"{now.source.probe} {now.source.quantity}"
            last = "never calibrated" if now.newest is None else f"last {day(now.newest.at_ms, zone)}"
            lines.append(f"{what}: calibration due since {day(now.due_ms, zone)}, {last}")
    return lines


def _drift_line(name: str, chart: Chart) -> str:
    difference = apart(chart.mean_difference, quantity_of(name))
    checks = len(chart.checks)
    return f"{name} walks away from hand checks: {difference} over the last {checks} ({chart.rule})"
