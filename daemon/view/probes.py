"""Probes as they stand: heard when, calibrated when, and whether they walk away from hand checks."""

from collections.abc import Mapping

from daemon.view.rack_now import CalibrationNow, ChannelNow, DriftNow, ProbeNow
from daemon.view.reader import Sight
from rules.care.hand_checks import Chart
from rules.care.probe_care import CalibrationNow as Standing


def probes_now(sight: Sight, channels: Mapping[str, ChannelNow]) -> tuple[ProbeNow, ...]:
    """Return every probe of the plan in force, in its order."""
    standing: dict[str, list[Standing]] = {}
    for its in sight.engine.calibrations():
        standing.setdefault(its.source.probe, []).append(its)
    charts = sight.engine.hand_checks()
    return tuple(_probe(sight, channels, charts, quantities) for quantities in standing.values())


def _probe(
    sight: Sight, channels: Mapping[str, ChannelNow], charts: Mapping[str, Chart], quantities: list[Standing]
) -> ProbeNow:
    source = quantities[0].source
    here = [channel for channel in channels.values() if channel.probe == source.probe]
    heard = [channel.time_ms for channel in here if channel.time_ms is not None]
    return ProbeNow(
        source.probe,
        source.bus,
        source.vessel,
        max(heard, default=None),
        any(channel.lack == "silent" for channel in here),
        tuple(_calibration(sight, its) for its in quantities),
        tuple(
            DriftNow(channel.name, chart.mean_difference, len(chart.checks), chart.rule)
            for channel in here
            if (chart := charts.get(channel.name)) is not None and chart.off_by is not None
        ),
    )


def _calibration(sight: Sight, its: Standing) -> CalibrationNow:
    utc_ms = sight.dating.utc_ms
    return CalibrationNow(
        its.source.quantity.value,
        None if its.newest is None else utc_ms(its.newest.at_ms),
        None if its.due_ms is None else utc_ms(its.due_ms),
        its.due_ms is not None and its.due_ms <= sight.engine.clock_ms,
    )
