"""The page of a vessel: everything that happened to it on one axis of time, and the same in words."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from daemon.journal.history import entry_of
from daemon.journal.logbook import superseded
from daemon.page import axis
from daemon.page.axis import LEFT, PLOT_EVERY, RIGHT, Plot, plot_of
from daemon.page.extents import Columns
from daemon.page.memory import FINE_MS, Memory
from daemon.report.scale import Scale, time_ticks
from daemon.report.svg import rows_of
from daemon.settings.rack import Settings
from daemon.view.entries import corrected_text, deed_text
from daemon.view.rack_words import moment
from daemon.words import SHAPES, condition_word, label, number, quantity_of
from rules.alarms.episodes import Episode, episodes_of
from rules.alarms.life_cycle import Trigger
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.rack.tolerance import Band, Tolerance
from rules.readings import Action

COLUMNS = 320
_DAY_MS = 86_400_000
SPANS = {
    **{"6h": 6 * 3_600_000, "1d": _DAY_MS, "3d": 3 * _DAY_MS, "1w": 7 * _DAY_MS},
    **{"1m": 30 * _DAY_MS, "3m": 91 * _DAY_MS, "1y": 365 * _DAY_MS, "5y": 5 * 365 * _DAY_MS},
}
"""Lengths of time to look at, by their word in the address."""
LEAST_MS = 1_800_000
"""What is shorter shows nothing more: minutes are the finest that is kept."""
BARS_AT_MOST = 60
"""So many alarms are drawn one by one; more are counted."""
_BAR_EVERY, _MARK_EVERY = 16.0, 14.0
NUMBERS_APART = 64.0


@dataclass(frozen=True, slots=True)
class Bar:
    """An alarm as a bar, and the same in words; `answered` is where somebody saw it (None: nobody)."""

    x: float
    width: float
    y: float
    priority: str
    shape: str
    words: str
    answered: float | None


@dataclass(frozen=True, slots=True)
class Drawing:
    """A vessel's stretch of time, in units of the drawing, and what each column of it says in words."""

    words_from: str
    words_to: str
    plots: tuple[tuple[str, Plot], ...]
    nights: tuple[tuple[float, float], ...]
    ticks: tuple[tuple[float, str], ...]
    bars: tuple[Bar, ...]
    alarms: int
    counts: tuple[tuple[float, float, float], ...]
    marks: tuple[tuple[float, str], ...]
    entries: tuple[str, ...]
    readout: tuple[str, ...]
    marks_top: float
    height: float


@dataclass(frozen=True, slots=True)
class _Look:
    memory: Memory
    settings: Settings
    vessel: str
    from_ms: int
    to_ms: int
    zone: tzinfo

    @property
    def x(self) -> Scale:
        return Scale(self.from_ms, self.to_ms, LEFT, RIGHT)

    def at(self, axis_ms: int) -> str:
        """Return a moment of the axis where the rack stands."""
        return moment(self.memory.dating.utc_ms(axis_ms), self.memory.dating.utc_ms(self.to_ms), self.zone)


def drawing_of(
    memory: Memory, settings: Settings, vessel: str, between_ms: tuple[int, int], zone: tzinfo
) -> Drawing:
    """Return the drawing of what happened to a vessel between two moments of the axis."""
    from_ms, to_ms = between_ms
    look = _Look(memory, settings, vessel, from_ms, to_ms, zone)
    series = {name: _series(look, name) for name in _channels(look)}
    plots = tuple(
        (label(quantity), plot_of(columns, limits, look.x, 18 + place * PLOT_EVERY, quantity))
        for place, (name, (columns, limits)) in enumerate(series.items())
        for quantity in [quantity_of(name)]
    )
    bars_top = 18 + len(plots) * PLOT_EVERY
    episodes = _episodes(look)
    few = len(episodes) <= BARS_AT_MOST
    rows = rows_of(episodes, to_ms) if few else []
    marks_top = bars_top + (_BAR_EVERY * len(rows) if few else 40.0) + 6
    deeds = _deeds(look)
    offset_ms = memory.dating.utc_ms(to_ms) - to_ms
    found_nights = axis.nights(look.from_ms + offset_ms, to_ms + offset_ms, zone)
    return Drawing(
        look.at(from_ms),
        look.at(to_ms),
        plots,
        tuple((look.x.at(a - offset_ms), look.x.at(b) - look.x.at(a)) for a, b in found_nights),
        tuple(
            (look.x.at(at - offset_ms), name)
            for at, name in time_ticks(look.from_ms + offset_ms, to_ms + offset_ms, zone)
        ),
        tuple(_bar(it, look, bars_top + _BAR_EVERY * place) for place, row in enumerate(rows) for it in row),
        len(episodes),
        () if few else tuple(_counts(episodes, look, bars_top)),
        numbered([look.x.at(deed.at_ms) for deed in deeds.values()]),
        tuple(_told(deeds, look)),
        tuple(_readout(series, look)),
        marks_top,
        marks_top + _MARK_EVERY + 26,
    )


def _channels(look: _Look) -> list[str]:
    """Return the channels of the vessel that some stage in it had limits for at the end."""
    return [
        name
        for name in look.memory.coarse
        if name.partition("/")[0] == look.vessel
        and look.memory.limits(look.vessel, quantity_of(name), look.to_ms - 1) is not None
    ]


def _series(look: _Look, name: str) -> tuple[Columns, list[Tolerance | None]]:
    fine = look.from_ms >= look.memory.newest_ms - FINE_MS
    extents = (look.memory.fine if fine else look.memory.coarse)[name]
    columns = extents.columns(look.from_ms, look.to_ms, COLUMNS)
    quantity = quantity_of(name)
    return columns, [look.memory.limits(look.vessel, quantity, at) for at in columns.start_ms.tolist()]


def _episodes(look: _Look) -> list[Episode]:
    here = (event for event in look.memory.events if look.vessel in (event.vessel, *event.vessels))
    return [
        it for it in episodes_of(here) if it.start_ms < look.to_ms and it.until(look.to_ms) > look.from_ms
    ]


def _bar(it: Episode, look: _Look, y: float) -> Bar:
    start, stop = (look.x.clipped(at) for at in (it.start_ms, it.until(look.to_ms)))
    answers = [
        event
        for event in look.memory.events
        if event.alarm == it.alarm
        and event.trigger is Trigger.ACKNOWLEDGED
        and it.start_ms <= event.at_ms <= it.until(look.to_ms)
    ]
    what = f"{it.first.channel.partition('/')[2].replace('_', ' ')} {condition_word(it.condition)}"
    until = f"until {look.at(it.end_ms)}" if it.end_ms is not None else "still stands"
    seen = f"seen by {answers[0].who}, {look.at(answers[0].at_ms)}" if answers else "nobody saw it"
    return Bar(
        start,
        max(stop - start, 2.0),
        y,
        it.priority.word,
        SHAPES[it.priority],
        f"{it.priority.word}: {what}, {look.at(it.start_ms)} {until}; {seen}",
        look.x.clipped(answers[0].at_ms) if answers else None,
    )


def _counts(episodes: Sequence[Episode], look: _Look, top: float) -> Iterator[tuple[float, float, float]]:
    """Give x, y and height of how many alarms began in each of sixty parts, the most 36 high."""
    counts = [0] * BARS_AT_MOST
    for it in episodes:
        share = (it.start_ms - look.from_ms) / (look.to_ms - look.from_ms)
        counts[min(max(int(share * BARS_AT_MOST), 0), BARS_AT_MOST - 1)] += 1
    for place, count in enumerate(counts):
        high = 36.0 * count / max(counts)
        yield LEFT + (RIGHT - LEFT) * place / BARS_AT_MOST, top + 36 - high, high


def _deeds(look: _Look) -> dict[int, Action]:
    return {
        seq: deed
        for seq, deed in look.memory.deeds.items()
        if look.from_ms <= deed.at_ms <= look.to_ms and _is_here(deed, look)
    }


def _is_here(deed: Action, look: _Look) -> bool:
    probe = look.settings.probes.get(str(deed.body.get("probe")))
    targets = (deed.body.get("vessel"), str(deed.body.get("target")).removeprefix("vessel/"))
    return look.vessel in (*targets, probe.vessel if probe else None)


def numbered(places: list[float]) -> tuple[tuple[float, str], ...]:
    """Return each place, rising, with its number; those that lie close have theirs at the first of them."""
    groups: list[list[int]] = []
    for at, x in enumerate(places):
        if groups and x - places[groups[-1][0]] < NUMBERS_APART:
            groups[-1].append(at)
        else:
            groups.append([at])
    words = {its[0]: f"{its[0] + 1}" + (f"–{its[-1] + 1}" if len(its) > 1 else "") for its in groups}
    return tuple((x, words.get(at, "")) for at, x in enumerate(places))


def _told(deeds: Mapping[int, Action], look: _Look) -> Iterator[str]:
    """Say what was done when and by whom; of what was put right, by which entry."""
    entries = (entry_of(seq, deed) for seq, deed in look.memory.deeds.items())
    over = superseded([entry for entry in entries if entry is not None])
    for seq, deed in deeds.items():
        entry = entry_of(seq, deed)
        right = corrected_text(entry, over) if entry is not None else ""
        named = f", entry {seq}{right}" if right else ""
        yield f"{look.at(deed.at_ms)} {deed_text(deed)} ({deed.who}){named}"


def _readout(series: dict[str, tuple[Columns, list[Tolerance | None]]], look: _Look) -> Iterator[str]:
    """Say in words what each column holds: when, then every quantity with flag and limit."""
    said = [list(_column_words(quantity_of(name), *drawn)) for name, drawn in series.items()]
    for columns, _ in [*series.values()][:1]:
        for when, words in zip(columns.start_ms.tolist(), zip(*said, strict=True), strict=True):
            yield f"{look.at(when)} · {' · '.join(words)}"


def _column_words(quantity: Quantity, columns: Columns, limits: list[Tolerance | None]) -> Iterator[str]:
    called, bands = label(quantity), dict[int, str]()
    ends = columns.low.tolist(), columns.high.tolist()
    for low, high, flag, its in zip(*ends, columns.flag.tolist(), limits, strict=True):
        flagged = f" ({Flag(flag).name.lower()})" if flag else ""
        if low != low:  # noqa: PLR0124 - NaN
            yield f"{called} nothing read{flagged}"
            continue
        least, most = number(low, quantity), number(high, quantity)
        said = f"{called} {least}{f' to {most}' if most != least else ''}{flagged}"
        if its is None:
            yield said
            continue
        band = its.advisory
        within = (band.high is None or high <= band.high) and (band.low is None or low >= band.low)
        known = bands.get(id(its)) or bands.setdefault(id(its), band_words(band, quantity))
        yield f"{said}, {'within' if within else 'outside'} {known}"


def band_words(band: Band, quantity: Quantity) -> str:
    """Write a band: 12.00 to 18.00, above 60.0, below 107.0."""
    low, high = ("" if end is None else number(end, quantity) for end in (band.low, band.high))
    return f"{low} to {high}" if low and high else f"above {low}" if low else f"below {high}"
