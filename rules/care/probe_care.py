"""What people do to keep probes honest: calibrations and their due dates, hand checks and their charts."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from rules import BLIND_REFUSED, IN_ITS_UNIT
from rules.care import hand_checks
from rules.care.accuracy import accuracy_of
from rules.care.calibration import (
    Calibration,
    Line,
    calibration_of,
    key_of,
    refuse_other_base,
    taken_back,
)
from rules.care.control_chart import COVERAGE
from rules.care.wear import NO_WEAR, Wear
from rules.errors import CalibrationError, HandMeasurementError, none_such
from rules.quantities import with_unit
from rules.rack.channels import Channel
from rules.rack.plan import RACK_WIDE, RackPlan, Source
from rules.readings import Action, Notice

Newest = Mapping[str, tuple[int, float]]
"""When each channel's newest usable value was measured, and the value; NaN where there is none."""

DUE = "calibration due"
CHECKED = "hand check"
DRIFTS = "probe drifts"
CHECK_DUE = "hand check due"
CHECK_EVERY_MS = 7 * 86_400_000
"""A probe without a second one drifts unseen until somebody compares (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class CalibrationNow:
    """How a probe's quantity stands: its calibration in force, and when the next is due; None if neither.

    `wear` is how it drifted up to there.
    """

    source: Source
    newest: Calibration | None
    due_ms: int | None
    wear: Wear = NO_WEAR

    def errors_at(self, value: float, at_ms: int) -> tuple[float, float]:
        """Return by how much the standards may put a value off, and the drift since they were met.

        That is twice what was seen: a pace is known from a few visits only.
        """
        if self.newest is None:
            return 0.0, 0.0
        drifted = self.wear.error_at(value, at_ms - self.newest.at_ms)
        return self.newest.uncertainty_at(value), COVERAGE * drifted


@dataclass(frozen=True, slots=True)
class Before:
    """How a probe's quantity stood before its newest calibration, which may have been a mistake."""

    made: Calibration | None
    wear: Wear


@dataclass(slots=True)
class ProbeCare:
    """The calibrations in force by probe/quantity, what is due when, and the hand checks by channel.

    `wears` is how each drifted from calibration to calibration, `instruments` what is known of those that
    people measure with, by name and what they show.

    `since_ms` is when a probe was first known, and `told` holds those that were said to be overdue.
    Nothing is said before `floor_ms`: what a plan, or a calibration that is taken back, makes overdue is
    said after it. `check_due_ms` says by vessel when a measurement by hand is due, `before` what holds again
    where a newest calibration is taken back.
    """

    newest: dict[str, Calibration] = field(default_factory=dict)
    since_ms: dict[str, int] = field(default_factory=dict)
    due_ms: dict[str, int] = field(default_factory=dict)
    told: set[str] = field(default_factory=set)
    charts: dict[str, hand_checks.Chart] = field(default_factory=dict)
    floor_ms: int = 0
    check_due_ms: dict[str, int] = field(default_factory=dict)
    wears: dict[str, Wear] = field(default_factory=dict)
    instruments: dict[str, hand_checks.Instrument] = field(default_factory=dict)
    before: dict[str, Before] = field(default_factory=dict)

    def arrange(self, sources: Iterable[Source], at_ms: int) -> None:
        """Work out what is due under the probes of a plan that comes into force."""
        self.due_ms.clear()
        known, self.check_due_ms = self.check_due_ms, {}
        for source in sources:
            if source.vessel != RACK_WIDE:
                due_ms = known.get(source.vessel, at_ms + CHECK_EVERY_MS)
                self.check_due_ms[source.vessel] = due_ms
            self.since_ms.setdefault(_key(source), at_ms)
            self._plan_next(source, at_ms)

    def _plan_next(self, source: Source, at_ms: int) -> None:
        key, self.floor_ms = _key(source), at_ms + 1
        newest = self.newest.get(key)
        base_ms = self.since_ms[key] if newest is None else newest.at_ms
        wear = self.wears.get(key, NO_WEAR)
        value = 0.0 if newest is None else newest.points[-1].true
        lasts_ms = wear.lasts_ms(value, hand_checks.allowed_error(source))
        lasts_ms = source.calibrate_every_ms if lasts_ms is None else lasts_ms
        if lasts_ms is None:
            self.due_ms.pop(key, None)
            return
        self.due_ms[key] = base_ms + lasts_ms
        if self.due_ms[key] > at_ms:
            self.told.discard(key)

    def line(self, source: Source) -> Line | None:
        """Return the line that turns a source's reports into true values; None where it was never found."""
        newest = self.newest.get(_key(source))
        return None if newest is None else newest.line

    def standing(self, sources: Iterable[Source]) -> list[CalibrationNow]:
        """Return how every probe's quantity stands, in the order of the plan."""
        return [
            CalibrationNow(source, self.newest.get(key), self.due_ms.get(key), self.wears.get(key, NO_WEAR))
            for source in sources
            for key in [_key(source)]
        ]

    # Time

    def next_due_ms(self) -> int | None:
        """Return when the next calibration or hand check falls due that nobody was told of."""
        untold = [due_ms for key, due_ms in self.due_ms.items() if key not in self.told]
        untold += self.check_due_ms.values()
        return max(min(untold), self.floor_ms) if untold else None

    def reach(self, moment_ms: int, sources: Iterable[Source]) -> list[Notice]:
        """Say once, one notice a vessel, which calibrations fall due at this moment; weekly, which checks."""
        due: dict[str, list[str]] = {}
        for source in sources:
            key = _key(source)
            if key in self.due_ms and self.due_ms[key] <= moment_ms and key not in self.told:
                self.told.add(key)
                due.setdefault(source.vessel, []).append(key)
        found = [Notice(DUE, moment_ms, vessel, {"probes": keys}) for vessel, keys in due.items()]
        unchecked = [vessel for vessel, due_ms in self.check_due_ms.items() if due_ms <= moment_ms]
        self.check_due_ms |= dict.fromkeys(unchecked, moment_ms + CHECK_EVERY_MS)
        if unchecked:
            found.append(Notice(CHECK_DUE, moment_ms, RACK_WIDE, {"vessels": ", ".join(unchecked)}))
        return found

    # What people do

    def calibrate(self, action: Action, plan: RackPlan, channels: Sequence[Channel]) -> list[str]:
        """Put a calibration into force, or take the newest back; return the channels whose values it changes.

        Their charts start anew. Raises CalibrationError where it is absurd or the probe unknown.
        """
        key = taken_back(action.body)
        made = None if key else calibration_of(action.body, action.at_ms, action.who)
        key = made.key if made else str(key)
        source = next((source for source in plan.sources if _key(source) == key), None)
        if source is None:
            raise CalibrationError(none_such(key, [_key(source) for source in plan.sources]))
        if made is None:
            self._take_back(key)
        else:
            before, wear = self.newest.get(key), self.wears.get(key, NO_WEAR)
            refuse_other_base(made, before)
            self.before[key] = Before(before, wear)
            self._set(key, made, wear if before is None else wear.after(before, made))
        self._plan_next(source, action.at_ms)
        changed = _made_from(key, channels)
        for name in changed:
            self.charts.pop(name, None)
        return changed

    def _take_back(self, key: str) -> None:
        """Let what held before the newest calibration hold again; only once, as no more is kept."""
        before = self.before.pop(key, None)
        if before is None:
            raise CalibrationError(f"{key}: no calibration to take back; only the newest, and once")
        self._set(key, before.made, before.wear)

    def _set(self, key: str, made: Calibration | None, wear: Wear) -> None:
        self.wears[key] = wear
        if made is None:
            del self.newest[key]
        else:
            self.newest[key] = made

    def hand_measurement(
        self, action: Action, plan: RackPlan, channels: Sequence[Channel], newest: Newest
    ) -> list[Notice]:
        """Compare a hand measurement with what the probes say now, and say which of them walk away.

        Raises RulesError where it says too little, or what no water can be.
        """
        shows = "specific_gravity" if "specific_gravity" in action.body else action.body.get("quantity")
        what = f"{str(action.body.get('instrument')).strip()}/{shows}"
        known, body = self.instruments.get(what), dict(action.body)
        if action.rules < IN_ITS_UNIT and "specific_gravity" in body:
            body.pop("accuracy", None)
        taken = hand_checks.hand_measurement_of(body, action.at_ms, action.who, known)
        _refuse(taken, plan, action.rules)
        stated = hand_checks.instrument_of(body, known)
        if stated is not None:
            self.instruments[what] = stated
        here = [it for it in channels if (it.vessel, it.quantity) == (taken.vessel, taken.quantity)]
        if "corrects" in action.body:
            return self._correct(taken, here, action.body.get("corrects_ms"))
        by_name = {channel.name: channel for channel in channels}
        found = []
        for channel in here:
            time_ms, value = newest[channel.name]
            fresh = action.at_ms - time_ms <= hand_checks.COMPARED_WITHIN_MS and not math.isnan(value)
            if fresh:
                accuracy = accuracy_of(
                    channel, by_name, lambda name: newest[name][1], partial(self._errors, action.at_ms)
                )
                found.append(self._chart(channel, hand_checks.compared(taken, value, accuracy)))
        if taken.vessel in self.check_due_ms:
            self.check_due_ms[taken.vessel] = action.at_ms + CHECK_EVERY_MS
        return _notices(taken, found)

    def _correct(
        self, taken: hand_checks.HandMeasurement, channels: Sequence[Channel], taken_ms: object
    ) -> list[Notice]:
        """Put the check of an earlier moment right on the charts that still have it."""
        if not isinstance(taken_ms, int):
            raise HandMeasurementError("hand measurement: corrects_ms says when the earlier one was made")
        found = []
        for channel in channels:
            before = self.charts.get(channel.name, hand_checks.Chart())
            chart = hand_checks.corrected(self.charts, channel.name, taken.value, taken_ms)
            if chart is not None:
                self.charts[channel.name] = chart
                check = next(it for it in chart.checks if it.at_ms == taken_ms)
                found.append(_compared(channel, check, before, chart))
        return _notices(taken, found)

    def _chart(self, channel: Channel, check: hand_checks.HandCheck) -> dict[str, Any]:
        """Put a check on its channel's chart and return what to say of it."""
        before = self.charts.get(channel.name, hand_checks.Chart())
        chart = self.charts[channel.name] = hand_checks.with_check(self.charts, channel.name, check)
        return _compared(channel, check, before, chart)

    def _errors(self, at_ms: int, source: Source, value: float) -> tuple[float, float]:
        (its,) = self.standing([source])
        return its.errors_at(value, at_ms)


def _refuse(taken: hand_checks.HandMeasurement, plan: RackPlan, rules: int) -> None:
    """Raise HandMeasurementError for what no vessel or water here can be, or what tells of no probe."""
    if taken.vessel not in (*plan.vessels, RACK_WIDE):
        raise HandMeasurementError(none_such(taken.vessel, list(plan.vessels)))
    possible = plan.quality[taken.quantity].sensor_range
    if not possible.low <= taken.value <= possible.high:
        raise HandMeasurementError(
            f"{taken.quantity} {with_unit(taken.quantity, taken.value)}: {possible.low:g} to"
            f" {with_unit(taken.quantity, possible.high)} would be possible; is it in another unit?"
        )
    if rules >= BLIND_REFUSED:
        hand_checks.refuse_blind(taken.quantity, taken.made_with.off, taken.instrument)


def _compared(
    channel: Channel, check: hand_checks.HandCheck, before: hand_checks.Chart, chart: hand_checks.Chart
) -> dict[str, Any]:
    """Return what to say of a check that made one chart another."""
    return {
        "channel": channel.name,
        "probe": channel.source.probe,
        "reads": check.probe,
        "difference": check.difference,
        "mean_difference": chart.mean_difference,
        "rule": chart.rule or None,
        "new": chart.off_by is not None and before.off_by is None,
    }


def _key(source: Source) -> str:
    return key_of(source.probe, source.quantity)


def _made_from(key: str, channels: Sequence[Channel]) -> list[str]:
    """Return the channels that come from a probe's quantity, also by way of others."""
    names: list[str] = []
    for channel in channels:
        if _key(channel.source) == key or not set(names).isdisjoint(channel.inputs):
            names.append(channel.name)
    return names


def _notices(taken: hand_checks.HandMeasurement, found: list[dict[str, Any]]) -> list[Notice]:
    about, hand = f"{taken.vessel}/{taken.quantity}", {"hand": taken.value}
    notices = [Notice(CHECKED, taken.at_ms, about, {**hand, "compared": found})]
    drifting = [finding for finding in found if finding["new"]]
    if drifting:
        notices.append(Notice(DRIFTS, taken.at_ms, about, {**hand, "compared": drifting}))
    return notices
