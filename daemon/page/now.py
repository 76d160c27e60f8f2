"""The page *Now*: what is now, put into pieces that a template only has to write out."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from zoneinfo import ZoneInfo

import numpy as np

from daemon.page import words
from daemon.page.memory import Memory
from daemon.page.strip import TRAIL_MS, Strip, strip_of
from daemon.settings.rack import Settings
from daemon.view.rack_now import AlarmNow, ChannelNow, RackNow, VesselNow
from daemon.words import SHAPES, clock_time, label, plus_minus
from rules.alarms.life_cycle import Condition, Priority
from rules.judging.watched import BY_SETTINGS, WatchedState
from rules.quantities import Quantity
from rules.rack.stages import DEFAULT_TOLERANCES

SHELVES_AT_MOST = PLACES_AT_MOST = 12
TRAIL_POINTS = 24
_KINDS = ("kreisel", "pseudokreisel", "tray", "dish", "tank")


@dataclass(frozen=True, slots=True)
class Need:
    """Something that needs somebody: how urgently, where (and the vessel's name, if any), and in words."""

    priority: str
    shape: str
    where: str
    vessel: str
    text: str
    who: str
    first: str


@dataclass(frozen=True, slots=True)
class Row:
    """A quantity of a vessel: its strip, number and trust; `hatched` where nobody watches it."""

    name: str
    strip: Strip | None
    value: str
    error: str
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
    return Now(
        words.not_watched(rack, zone),
        words.standing(rack),
        f"{clock_time(rack.made_ms, zone)}",
        tuple(chain(_needs(rack, zone), _unwatched(rack, zone))),
        cards,
        min(max(map(len, shelves), default=0), PLACES_AT_MOST),
        tuple(words.strip_words(channel) for channel in rack.rack_wide if channel.value is not None),
    )


def _needs(rack: RackNow, zone: ZoneInfo) -> list[Need]:
    called = {vessel.name: words.named(vessel) for vessel in rack.vessels}
    said = [
        (f"Nobody on call has taken {missed.alarm}.", "call somebody")
        for missed in (rack.oncall.untaken if rack.oncall else ())
    ]
    if rack.broker.rival:
        said.append((f"Two racks use this name: this one and {rack.broker.rival}.", "rename one"))
    return [
        *(Need("critical", SHAPES[Priority.CRITICAL], rack.rack, "", text, who, "") for text, who in said),
        *(need_of(alarm, called, rack.made_ms, zone) for alarm in rack.alarms if alarm.held_by is None),
        *(Need("high", SHAPES[Priority.HIGH], rack.rack, "", text, "", "") for text in _unheard(rack, zone)),
    ]


def _unheard(rack: RackNow, zone: ZoneInfo) -> Iterator[str]:
    """Say what keeps alarms from reaching people."""
    oncall, broker = rack.oncall, rack.broker
    if oncall and not oncall.alive and oncall.since_ms is not None:
        since = words.moment(oncall.since_ms, rack.made_ms, zone)
        yield f"Nobody is called: {oncall.by} is not heard since {since}."
    if broker.alive is False and broker.since_ms is not None:
        yield f"The broker carries nothing since {words.moment(broker.since_ms, rack.made_ms, zone)}."


def need_of(alarm: AlarmNow, called: dict[str, str], now_ms: int, zone: ZoneInfo) -> Need:
    """Return an alarm in words, with where it is as people call it."""
    where = ", ".join(called.get(name, name) for name in alarm.vessels)
    shape = SHAPES[Priority[alarm.priority.upper()]]
    vessel = alarm.vessel if alarm.vessel in called else ""
    text, who = words.alarm_words(alarm, now_ms, zone), words.who_has(alarm, now_ms, zone)
    return Need(alarm.priority, shape, where, vessel, text, who, alarm.first_check or "")


def _unwatched(rack: RackNow, zone: ZoneInfo) -> list[Need]:
    """Return what nobody watches and no alarm tells of, a line for each vessel and reason."""
    told = {
        vessel
        for alarm in rack.alarms
        if alarm.condition == Condition.UNWATCHED and alarm.held_by is None
        for vessel in alarm.vessels
    }
    needs = []
    for vessel in rack.vessels:
        whys: dict[str, list[str]] = {}
        for lost in vessel.unwatched:
            if vessel.name in told and lost.why != BY_SETTINGS:
                continue
            since = f" since {words.moment(lost.since_ms, rack.made_ms, zone)}" if lost.since_ms else ""
            whys.setdefault(f"{since}: {lost.why}", []).append(label(Quantity(lost.quantity)))
        for why, quantities in whys.items():
            said = f"{', '.join(quantities).capitalize()} unwatched{why}."
            needs.append(Need("unwatched", "▨", words.named(vessel), vessel.name, said, "", ""))
    return needs


def _card(vessel: VesselNow, rack: RackNow, settings: Settings, memory: Memory, place: str) -> Card:
    alarms = [alarm for alarm in rack.alarms if alarm.name in vessel.alarms and alarm.held_by is None]
    worst = max((Priority[alarm.priority.upper()] for alarm in alarms), default=None)
    asked = [channel for channel in vessel.channels if channel.limits]
    several = [channel.quantity for channel in asked]
    rows = [_row(channel, memory, several.count(channel.quantity) > 1) for channel in asked]
    shown, blind = {channel.quantity for channel in asked}, {lost.quantity for lost in vessel.unwatched}
    rows += [_blind_row(quantity) for quantity in sorted(blind - shown)]
    zone = ZoneInfo(rack.time_zone)
    until = vessel.maintenance_until_ms
    note = f"maintenance until {words.moment(until, rack.made_ms, zone)}" if until is not None else ""
    return Card(
        vessel.name,
        words.named(vessel),
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


def _row(channel: ChannelNow, memory: Memory, with_probe: bool) -> Row:
    quantity = Quantity(channel.quantity)
    state = channel.watched.state
    doubt = "roughly" if state is WatchedState.WATCHED_ROUGHLY else ""
    doubt = {"suspect": "suspect", "fail": "not believed"}.get(channel.flag, doubt)
    age = "" if channel.age_s is None else words.length(channel.age_s)
    return Row(
        label(quantity) + (f" {channel.probe}" if with_probe else ""),
        strip_of(channel, *_past(channel, memory)),
        words.value_words(channel),
        plus_minus(channel.uncertainty),
        ""
        if channel.value is None or channel.trend_per_hour is None
        else f"{round(channel.trend_per_hour, 2) + 0.0:+.2f}/h",
        age,
        words.strip_words(channel),
        channel.priority or "",
        state is WatchedState.UNWATCHED,
        doubt,
    )


def _blind_row(quantity: str) -> Row:
    name = label(Quantity(quantity))
    return Row(name, None, "no probe", "", "", "", f"{name}: unwatched, no probe", "", hatched=True, doubt="")


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
