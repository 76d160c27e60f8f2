"""The page *Now*: what is now, put into pieces that a template only has to write out."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from daemon.page.memory import Memory
from daemon.page.strip import TRAIL_MS, Strip, strip_of
from daemon.settings.rack import Settings
from daemon.view import rack_words as words
from daemon.view.health_text import health
from daemon.view.needs import Need, named, need_of
from daemon.view.rack_now import ChannelNow, Overall, RackNow, VesselNow, WatchState
from daemon.words import SHAPES, clock_time, label, length_of_time, rate
from rules.alarms.life_cycle import Condition, Priority
from rules.judging.watched import BY_SETTINGS, WatchedState
from rules.quantities import Quantity
from rules.rack.plan import RACK_WIDE
from rules.rack.stages import DEFAULT_TOLERANCES

SHELVES_AT_MOST = PLACES_AT_MOST = 12
TRAIL_POINTS = 24
_FRESH_S = 120.0
_HIGH = SHAPES[Priority.HIGH]
_KINDS = ("kreisel", "pseudokreisel", "tray", "dish", "tank")


@dataclass(frozen=True, slots=True)
class Row:
    """A quantity of a vessel: its strip, number and trust; `hatched` where nobody watches it."""

    name: str
    strip: Strip | None
    value: str
    rate: str
    age: str
    words: str
    priority: str
    hatched: bool
    doubt: str


@dataclass(frozen=True, slots=True)
class Card:
    """A vessel: its outline and stage to be drawn, its place as style classes, and its quantities."""

    name: str
    called: str
    kind: str
    drawing: str
    stage: str
    place: str
    priority: str
    shape: str
    note: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Now:
    """Everything that the page shows; `across` is how many vessels stand side by side (0: nobody said)."""

    dead: str
    standing: str
    read_at: str
    needs: tuple[Need, ...]
    cards: tuple[Card, ...]
    across: int
    others: tuple[str, ...]


def now_of(rack: RackNow, settings: Settings, memory: Memory) -> Now:
    """Return what the page shows of a rack; the vessel that most needs somebody comes first."""
    zone = ZoneInfo(rack.time_zone)
    shelves = settings.page.shelves
    places = {
        vessel: f"shelf-{min(row, SHELVES_AT_MOST)} place-{min(column, PLACES_AT_MOST)}"
        for row, shelf in enumerate(shelves, 1)
        for column, vessel in enumerate(shelf, 1)
    }
    cards = tuple(
        _card(vessel, rack, settings, memory, places.get(vessel.name, "")) for vessel in rack.vessels
    )
    said = list(health(rack, zone))
    dead = rack.watch.state is not WatchState.ALIVE
    return Now(
        f"Nobody watches: {words.lifeless(rack.watch, zone)}." if dead else "",
        standing(rack),
        f"{clock_time(rack.made_ms, zone)}",
        (*_needs(rack, zone, [line for line in said if line[0] == _HIGH]), *_unwatched(rack, zone)),
        cards,
        min(max(map(len, shelves), default=0), PLACES_AT_MOST),
        tuple(line for line in said if line[0] != _HIGH),
    )


def standing(rack: RackNow) -> str:
    """Say in a sentence how the rack is; no alarm only where all that the stages ask for is watched."""
    said = {
        Overall.NOT_WATCHED: "What follows is how it was then.",
        Overall.WELL: "No alarm. All that the stages ask for is watched.",
        Overall.ALARMS_HELD: "No alarm but those that are held. All that the stages ask for is watched.",
    }
    blind = ", ".join(named(vessel) for vessel in rack.vessels if vessel.unwatched)
    return said.get(rack.overall) or (f"Not all is watched in {blind}." if blind else "All is watched.")


def _needs(rack: RackNow, zone: ZoneInfo, unheard: list[str]) -> list[Need]:
    called = {vessel.name: named(vessel) for vessel in rack.vessels}
    return [
        *(
            Need("critical", SHAPES[Priority.CRITICAL], rack.rack, "", text, "", "")
            for text in words.other_calls(rack, zone)
        ),
        *(
            need_of(alarm, called, rack.made_ms, zone)
            for alarm in rack.alarms
            if alarm.held_by is None or words.kept_by_people(alarm)
        ),
        *(Need("high", _HIGH, rack.rack, "", text[2:], "", "") for text in unheard),
    ]


def _unwatched(rack: RackNow, zone: ZoneInfo) -> list[Need]:
    """Return what nobody watches and no alarm tells of, a line for each vessel and reason."""
    told = {
        vessel
        for alarm in rack.alarms
        if alarm.condition == Condition.UNWATCHED and alarm.held_by is None
        for vessel in alarm.vessels
    }
    return [
        Need("unwatched", "▨", named(vessel), vessel.name, f"{what.capitalize()} unwatched: {why}.", "", "")
        for vessel in rack.vessels
        for what, why, _ in words.unwatched(vessel, rack.made_ms, zone)
        if vessel.name not in told or why.startswith(BY_SETTINGS)
    ]


def _card(vessel: VesselNow, rack: RackNow, settings: Settings, memory: Memory, place: str) -> Card:
    # A probe of the whole rack is told once, above, and not at every vessel.
    alarms = [
        alarm
        for alarm in rack.alarms
        if alarm.name in vessel.alarms and alarm.held_by is None and alarm.vessel != RACK_WIDE
    ]
    worst = max((Priority[alarm.priority.upper()] for alarm in alarms), default=None)
    zone = ZoneInfo(rack.time_zone)
    asked = [channel for channel in vessel.channels if channel.limits]
    rows = [_row(channel, memory, rack.made_ms, zone) for channel in asked]
    shown, blind = {channel.quantity for channel in asked}, {lost.quantity for lost in vessel.unwatched}
    rows += [_blind_row(quantity) for quantity in sorted(blind - shown)]
    until = vessel.maintenance_until_ms
    note = f"maintenance until {words.moment(until, rack.made_ms, zone)}" if until is not None else ""
    return Card(
        vessel.name,
        named(vessel),
        vessel.kind if vessel.kind in _KINDS else "tank",
        drawing_of(vessel.stage.name, settings),
        _stage(vessel, rack.made_ms, zone),
        place,
        worst.word if worst else "",
        SHAPES[worst] if worst else "",
        note,
        tuple(rows),
    )


def _stage(vessel: VesselNow, now_ms: int, zone: ZoneInfo) -> str:
    stage = vessel.stage
    if stage.ramp_from and stage.ramp_until_ms is not None:
        until = words.moment(stage.ramp_until_ms, now_ms, zone)
        return f"{stage.ramp_from} to {stage.name}, limits move until {until}"
    if stage.next_name and stage.next_at_ms is not None:
        return f"{stage.name}, {stage.next_name} from {words.moment(stage.next_at_ms, now_ms, zone)}"
    return stage.name


def drawing_of(stage: str, settings: Settings) -> str:
    """Return which of our drawings shows a stage, by the built-in one that it is based on; empty: none."""
    try:
        built_in = settings.bases(stage)[-1]
    except KeyError:
        return ""
    return "polyp" if built_in == "polyp-cooling" else built_in if built_in in DEFAULT_TOLERANCES else ""


def _row(channel: ChannelNow, memory: Memory, now_ms: int, zone: ZoneInfo) -> Row:
    state = channel.watched.state
    doubt = "roughly" if state is WatchedState.WATCHED_ROUGHLY else ""
    doubt = {"suspect": "suspect", "fail": "not believed"}.get(channel.flag, doubt)
    age = "" if channel.time_ms is None else "age unknown"
    if channel.age_s is not None:  # else every page would change every other second
        age = "< 2 min" if channel.age_s < _FRESH_S else length_of_time(channel.age_s)
    return Row(
        words.name(channel),
        strip_of(channel, *_past(channel, memory)),
        words.value(channel),
        ""
        if channel.value is None or channel.trend_per_hour is None
        else rate(channel.trend_per_hour, channel.quantity).replace("-0.00", "+0.00"),
        age,
        words.spoken(channel, now_ms, zone, _stands(channel), aged=False),
        channel.priority or "",
        state is WatchedState.UNWATCHED,
        doubt,
    )


def _blind_row(quantity: str) -> Row:
    name = label(Quantity(quantity))
    return Row(name, None, "no probe", "", "", f"{name}: unwatched, no probe", "", hatched=True, doubt="")


def _stands(channel: ChannelNow) -> str:
    """Say where a value stands between its limits."""
    limits, place = channel.limits, channel.place
    if place is None or limits is None:
        return ""
    low, high = limits.advisory_low_place, limits.advisory_high_place
    if (low is None or place >= low) and (high is None or place <= high):
        return "in its band"
    outer = limits.critical_high if place > 0 else limits.critical_low
    far = "critically" if abs(place) >= 1 and outer is not None else "too"
    return f"{far} {'high' if place > 0 else 'low'}"


def _past(channel: ChannelNow, memory: Memory) -> tuple[int, list[tuple[float, float]]]:
    """Return the lead time that a channel is judged with, and its values of the last hours."""
    extents = memory.fine.get(channel.name)
    if extents is None or channel.time_ms is None:
        return 0, []
    end_ms = memory.dating.axis_ms(channel.time_ms)
    tolerance = memory.limits(channel.vessel, Quantity(channel.quantity), end_ms)
    columns = extents.columns(end_ms - TRAIL_MS, end_ms, TRAIL_POINTS)
    known = np.flatnonzero(~np.isnan(columns.low))
    middles = (columns.low[known] + columns.high[known]) / 2
    past = [
        (float(value), min(max((end_ms - int(start)) / TRAIL_MS, 0.0), 1.0))
        for value, start in zip(middles, columns.start_ms[known], strict=True)
    ]
    return tolerance.lead_time_ms if tolerance else 0, past
