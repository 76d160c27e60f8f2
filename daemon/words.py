"""An alarm in words: short enough for one text message, in units that the culturist uses."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo

from daemon.as_read import READ_IN, own, shown, shown_reason, shown_unit
from daemon.errors import RequestError
from rules.alarms.alarm import Alarm
from rules.alarms.event import AlarmEvent
from rules.alarms.life_cycle import Condition, Priority, State, Trigger
from rules.care.calibration import Line, Point
from rules.care.misread import typed_otherwise
from rules.care.probe_care import CHECK_DUE, CHECKED, DRIFTS, DUE
from rules.quality.probe_faults import FaultReason
from rules.quantities import UNITS, Quantity, from_unit
from rules.readings import Notice

SHAPES = {Priority.LOW: "·", Priority.MEDIUM: "▲", Priority.HIGH: "◆", Priority.CRITICAL: "■"}
"""A priority is shown by word and shape as well as by colour."""

STYLES = {
    Priority.LOW: "cyan",
    Priority.MEDIUM: "yellow",
    Priority.HIGH: "bold yellow",
    Priority.CRITICAL: "bold red",
}
"""On a terminal."""

_NEWS = (
    Trigger.RAISED,
    Trigger.WORSENED,
    Trigger.EASED,
    Trigger.REANNOUNCED,
    Trigger.GOES_ON,
    Trigger.GOES_ON_SEEN,
)
"""Steps of which the numbers matter."""

_BEFORE_NEWS = {
    Trigger.REANNOUNCED: "again: ",
    Trigger.GOES_ON: "still: ",
    Trigger.GOES_ON_SEEN: "still, as seen: ",
}

_OVER = {
    Trigger.HANDED_ON: "the milder limit is still crossed",
    Trigger.LATCHED: "but kept until somebody resets it",
}

_ADVICE: dict[str, str] = {
    FaultReason.IN_AIR: ": the probe is in air, put it back; the water is not watched by it meanwhile",
    FaultReason.STUCK: ": the probe is stuck on one value, check by hand and restart it",
    FaultReason.IMPOSSIBLE: ": no water can be so, check the probe, its cable and its settings",
    FaultReason.NO_VARIATION: ": the probe hardly moves, check by hand and clean it",
    FaultReason.TOO_FAST: ": no water changes so fast, check the probe and its cable",
    FaultReason.PLAYED: ": it gives readings of before again, check by hand, restart it and its gateway",
    FaultReason.ERRATIC: ": the probe scatters, check its cable and connector, and by hand",
}
"""What a probe fault asks people to do, by its reason."""

_DECIMALS: dict[str, int] = {Quantity.OXYGEN_SATURATION: 1, Quantity.AIR_PRESSURE: 1}


_PER_HOUR = (Condition.RISING, Condition.FALLING)
OF_DIFFERENCES = (*_PER_HOUR, Condition.DISAGREEMENT)
"""Values and limits of these are differences, of two times or of two probes."""


def typed_in(
    value: float,
    quantity: Quantity,
    unit: str | None,
    *,
    difference: bool = False,
    possible: Mapping[Quantity, tuple[float, float]] | None = None,
) -> float:
    """Return a value that was typed in, or a difference, in its own unit; RequestError where it has none so.

    Where no unit was named it is in the one that screens show, unless it is `possible` in another alone.
    """
    if unit is None:
        taken = own(value, quantity, difference=difference)
        if possible and (meant := typed_otherwise(quantity, value, taken, possible)):
            usual = READ_IN.get(quantity) or next(filter(None, UNITS[quantity]))
            how = f"say {' or '.join(meant)}, or --unit {usual} if it is so"
            raise RequestError(f"{quantity} {value:g}: hardly in {usual}; {how}")
        return taken
    if unit not in UNITS[quantity]:
        units = ", ".join(filter(None, UNITS[quantity]))
        raise RequestError(f"--unit {unit}: {quantity} may be in {units or 'no unit'}")
    return from_unit(quantity, unit, value, difference=difference)


def shown_point(point: Point, quantity: str) -> Point:
    """Return a point of a calibration as people read it."""
    sure = shown(point.uncertainty, quantity, difference=True)
    return Point(shown(point.read, quantity), shown(point.true, quantity), sure)


def shown_line(line: Line, quantity: str) -> Line:
    """Return a line between two values of a quantity as it is between those that people read."""
    return Line(line.slope, shown(line.offset, quantity) - line.slope * shown(0.0, quantity))


def written(value: float, quantity: str) -> str:
    """Write a shown value with as many decimals as its probes are good for; what no water is, by its size."""
    return f"{value:.{_DECIMALS.get(quantity, 2)}f}" if abs(value) < 1e6 else f"{value:.3g}"


def number(value: float, quantity: str, *, difference: bool = False) -> str:
    """Write a value, or a difference of two, in the unit that people read."""
    return written(shown(value, quantity, difference=difference), quantity)


def rate(per_hour: float, quantity: str) -> str:
    """Write how fast a value moves: +0.30/h."""
    return f"{shown(per_hour, quantity, difference=True):+.2f}/h"


def length_of_time(seconds: float) -> str:
    """Write a length of time in the largest unit that it fills, never longer: 40 s, 12 min, 3 h, 8 d."""
    units = ((2, 86_400, "d"), (3, 3_600, "h"), (2, 60, "min"))
    _, size, unit = next((it for it in units if seconds >= it[0] * it[1]), (0, 1, "s"))
    return f"{max(seconds, 0) // size:.0f} {unit}"


def amount(value: float, quantity: Quantity, sure: float | None = None, *, difference: bool = False) -> str:
    """Write a value, or a difference of two, with its unit: 19.24 ± 0.1 °C, 33.10, 104.2 %."""
    said = number(value, quantity, difference=difference) + plus_minus(sure, quantity)
    return f"{said} {shown_unit(quantity)}".rstrip()


def level(value: float, quantity: Quantity, condition: str) -> str:
    """Write what a condition compares, or its limit, with its unit: 18.00 °C, 0.50 °C/h."""
    said = amount(value, quantity, difference=condition in OF_DIFFERENCES)
    return f"{said}{'/h' if condition in _PER_HOUR else ''}"


def quantity_of(channel: str) -> Quantity:
    """Return the quantity of a channel by its name, such as kreisel-1/temperature."""
    return Quantity(channel.split("/")[1])


def quantity_if_any(event: AlarmEvent | Alarm) -> Quantity | None:
    """Return the quantity that an alarm is about; None for one of a cause, such as probe/k1-multi."""
    return None if event.condition == Condition.UNWATCHED else quantity_of(event.channel)


def label(quantity: Quantity) -> str:
    """Write a quantity as people say it."""
    return quantity.value.replace("_", " ")


def unwatched_text(channel: str, hidden: Sequence[str], reason: str) -> str:
    """Say what nobody sees and why: k1: temperature, salinity unwatched (probe k1-multi: silent)."""
    scope, _, name = channel.partition("/")
    by = f"{scope} {name}" if scope != "rack" else "all probes"
    if not hidden:
        return f"what {by} hides"
    vessels: dict[str, list[str]] = {}
    for danger in hidden:
        vessel, _, quantity = danger.partition("/")
        vessels.setdefault(vessel, []).append(quantity.replace("_", " "))
    listed = "; ".join(f"{vessel}: {', '.join(quantities)}" for vessel, quantities in vessels.items())
    return f"{listed} unwatched ({by}{': ' if reason else ''}{reason})"


def condition_word(condition: str) -> str:
    """Write a condition as people say it: high-high, probe fault."""
    doubled = condition in (Condition.HIGH_HIGH, Condition.LOW_LOW)
    return condition.replace("_", "-" if doubled else " ")


def clock_time(time_ms: int, zone: tzinfo = UTC) -> str:
    """Write a moment as hours and minutes where the rack stands."""
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%H:%M}"


def iso_time(time_ms: int) -> str:
    """Write a moment as ISO 8601 in UTC, to the millisecond."""
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def event_text(event: AlarmEvent, zone: tzinfo = UTC, *, ranked: bool = True) -> str:
    """Say what happened: where, what, how far out, how fast, since when, or what people did.

    `ranked` adds its priority then; where that of the whole alarm stands beside it, they might differ.
    """
    what = _what(event)
    if event.trigger in _NEWS:
        also = f"; also {', '.join(event.vessels[1:])}" if len(event.vessels) > 1 else ""
        again = _BEFORE_NEWS.get(event.trigger, "")
        since = f"since {clock_time(event.since_ms, zone)}"
        since += f" ({event.priority.word})" if ranked else ""
        numbers = _numbers(event, zone)
        reason = shown_reason(event.evidence.reason, quantity_if_any(event) or "")
        if event.condition == Condition.UNWATCHED:
            asked = next((_ADVICE[it] for it in reason.split(", ") if it in _ADVICE), "")
            return f"{again}{what}, {since}{asked}"
        advice = _ADVICE.get(reason, f"; {reason}" if reason else "")
        return f"{again}{what}{numbers}, {since}{also}{advice}"
    if event.trigger is Trigger.RETURNED:
        unseen = "" if event.state is State.NORMAL else "; nobody has acknowledged it yet"
        return f"{what}: over{unseen}"
    if event.trigger in _OVER:
        return f"{what}: over, {_OVER[event.trigger]}"
    if event.trigger is Trigger.SUPPRESSED and not event.who:
        return f"{what}{_numbers(event, zone)}: part of {event.why}"
    until = f" until {clock_time(event.until_ms, zone)}" if event.until_ms is not None else ""
    by, why = (f" by {event.who}" if event.who else ""), (f": {event.why}" if event.why else "")
    return f"{what}: {event.trigger}{by}{until}{why}"


def _what(event: AlarmEvent) -> str:
    quantity = quantity_if_any(event)
    if quantity is None:
        return unwatched_text(event.channel, event.evidence.hidden, event.evidence.reason)
    return f"{event.vessel} {label(quantity)} {condition_word(event.condition)}"


def notice_text(notice: Notice, zone: tzinfo = UTC) -> str:
    """Say what is worth knowing although it is no alarm."""
    details = notice.details
    if notice.kind == "maintenance over":
        found = [f"{name} is outside its band" for name in details["outside"]]
        found += [f"{name} has no reading" for name in details["unknown"]]
        return f"{notice.vessel}: maintenance over; {', '.join(found) or 'everything is back in its band'}"
    if notice.kind == "stage runs long":
        return f"{notice.vessel}: {details['stage']} for longer than usual; please look"
    if notice.kind == "stage review":
        size, usual = details["bell_diameter_mm"], details["usual_mm"]
        return f"{notice.vessel}: {details['stage']} with a bell of {size:g} mm (over {usual:g}); next stage?"
    if notice.kind == DUE:
        return f"{notice.vessel}: calibration is due: {', '.join(details['probes'])}"
    if notice.kind in (CHECKED, DRIFTS):
        return _hand_check(notice) if notice.kind == CHECKED else _drift(notice)
    since = clock_time(notice.at_ms - details.get("away_ms", 0), zone)
    known = {"about": notice.vessel, "kind": notice.kind, "since": since, **details}
    return _OF_THE_RACK.get(notice.kind, "{about}: {kind}").format_map(
        known | {"at": clock_time(notice.at_ms, zone)}
    )


_OF_THE_RACK = {
    "away": "{about}: nobody watched from {since} to {at}",
    CHECK_DUE: "{about}: a check by hand is due (bellwatch measure): {vessels}",
    "journal went back": "{about}: the journal went back, its numbers are begun anew: {why}",
    "inputs unusable": "{about}: {inputs} inputs of the journal make no sense and are left out: {why}",
    "alarms not taken": "{about}: no on-call process has taken {alarms}; call somebody yourself",
    "no on-call process": "{about}: {by} is not heard any more; nobody is called",
    "requests set aside": "{about}: the box of requests was damaged and set aside as {file}; ask again",
    "journal put back": "{about}: the journal (or its log) was deleted under the watch, and is there again",
    "room made": "{about}: the disk was full; the oldest {readings} readings are hourly summaries now",
    "disk full": "{about}: the disk of the journal is full ({free_mb} MB left); make room",
    "disk fills": "{about}: the disk of the journal fills: {free_mb} MB left, {gone_mb} less than a day ago",
    "backup failed": "{about}: the backup failed: {why}",
    "backup old": "{about}: the newest backup is {age}; journalctl -u bellwatch-backup says why",
    "supply voltage low": "{about}: the machine's supply was too low; {what_to_do}",
    "machine hot": "{about}: the machine is at {value} {unit}; {what_to_do}",
    "memory short": "{about}: the machine has {value} {unit} of memory left; {what_to_do}",
    "card worn": "{about}: the machine's card has used up {value} {unit} of its life; {what_to_do}",
    "clock left alone": "{about}: no time service looks after the clock since {since}; times drift",
    "clock set": "{about}: the machine's clock was set by {by_s} s; what came before keeps its times",
    "daily word": "{about}: {said}",
    "not watched any more": "{about}: not watched any more since the settings changed at {at}: {said}",
    "drill": "{about}: {who} asks for a drill, nothing is wrong",
    "two racks of one name": "{about}: two racks use its name: {own} and {other}; rename one",
}


def _hand_check(notice: Notice) -> str:
    quantity = quantity_of(notice.vessel)
    said = f"{notice.vessel}: by hand {amount(notice.details['hand'], quantity)}"
    if not notice.details["compared"]:
        return f"{said}; no probe to compare with"
    for found in notice.details["compared"]:
        said += f"; {found['probe']} reads {apart(found['difference'], quantity)}"
    return said


def _drift(notice: Notice) -> str:
    quantity = quantity_of(notice.vessel)
    said = [
        f"{found['probe']} walks away from hand checks ({shown_reason(found['rule'], quantity)}), it reads "
        f"{apart(found['difference'], quantity)}"
        for found in notice.details["compared"]
    ]
    return f"{notice.vessel}: {'; '.join(said)}. Measure a standard with both, calibrate what is off"


def apart(difference: float, quantity: Quantity) -> str:
    """Write by how much a probe reads higher or lower than it should."""
    if number(abs(difference), quantity, difference=True) == written(0.0, quantity):
        return "the same"
    return f"{amount(abs(difference), quantity, difference=True)} {'high' if difference > 0 else 'low'}"


def plus_minus(accuracy: float | None, quantity: str) -> str:
    """Write an accuracy to one digit, as in 34.80 ± 0.3; empty where it is not known."""
    apart_by = shown(accuracy or 0.0, quantity, difference=True)
    return "" if accuracy is None else f" ± {float(f'{apart_by:.1g}'):g}"


def _numbers(event: AlarmEvent, zone: tzinfo) -> str:
    quantity = quantity_if_any(event)
    if quantity is None:
        return ""
    evidence, condition = event.evidence, event.condition
    text = "" if evidence.value is None else f" {level(evidence.value, quantity, condition)}"
    if evidence.limit is not None:
        text += f", limit {level(evidence.limit, quantity, condition)}"
    if evidence.rate_per_hour is not None and condition not in _PER_HOUR:
        text += f", moving {rate(evidence.rate_per_hour, quantity)}"
    if evidence.reached_ms is not None:
        text += f", there at {clock_time(evidence.reached_ms, zone)}"
    return text
