"""`bellwatch status`: what every vessel is like now, worst first, on a terminal."""

import math
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from daemon.commands.rack.care_words import accuracies, care_lines
from daemon.commands.rack.health_lines import clock_lines, journal_lines, mirror_lines
from daemon.journal.dating import Dating, dating_of
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.settings.rack import Settings
from daemon.words import SHAPES, amount, clock_time, label, number, plus_minus
from rules.alarms.alarm import Alarm, HoldKind
from rules.alarms.life_cycle import Priority
from rules.engine import ChannelNow, Engine
from rules.quality.flags import Flag
from rules.quantities import Quantity, unit_of
from rules.rack.plan import RACK_WIDE

STYLES = {
    Priority.LOW: "cyan",
    Priority.MEDIUM: "yellow",
    Priority.HIGH: "bold yellow",
    Priority.CRITICAL: "bold red",
}
QUIET_S = 120
"""Without a new reading for this long, the page says that the watch may not be running."""


def status_command(settings: Settings, console: Console, now_ms: int) -> int:
    """Print the state of the rack; raise JournalError where there is no journal yet."""
    journal = Journal(settings.journal.path, writable=False)
    try:
        engine = engine_of(journal)
        if engine is None:
            console.print("The journal is empty: `bellwatch run` has not taken in anything yet.")
            return 0
        zone = ZoneInfo(settings.rack.time_zone)
        dating = dating_of(journal)
        show_rack(engine, settings, console, zone, dating)
        _show_health(journal, console, now_ms, zone, dating)
        _show_lines([*clock_lines(dating), *journal_lines(journal)], console)
        if settings.mirror is not None:
            _show_lines(mirror_lines(journal, zone), console)
    finally:
        journal.close()
    return 0


def show_rack(engine: Engine, settings: Settings, console: Console, zone: ZoneInfo, dating: Dating) -> None:
    """Print the alarms that stand, then a row for each vessel."""
    alarms = sorted(
        engine.alarms(), key=lambda alarm: (alarm.held_by is not None, -alarm.priority, alarm.since_ms)
    )
    if all(alarm.held_by for alarm in alarms):
        console.print(Text("● No alarm stands.", style="green"))
    for alarm in alarms:
        dated = replace(alarm, since_ms=dating.utc_ms(alarm.since_ms))
        console.print(_alarm_line(dated, zone), soft_wrap=True)
    for target, until_ms in engine.maintenance().items():
        console.print(f"  {target} is under maintenance until {clock_time(dating.utc_ms(until_ms), zone)}")
    console.print(_vessel_table(engine, settings, {alarm.name: alarm for alarm in alarms}))
    for line in care_lines(engine, zone):
        console.print(Text(f"▲ {line}", style=STYLES[Priority.MEDIUM]), soft_wrap=True)
    for now in engine.channels():
        if now.channel.vessel == RACK_WIDE and not math.isnan(now.value):
            quantity = now.channel.quantity
            console.print(f"{label(quantity).capitalize()} {amount(now.value, quantity)}")


def _alarm_line(alarm: Alarm, zone: ZoneInfo) -> Text:
    since = f"since {clock_time(alarm.since_ms, zone)}"
    if alarm.held_by is None:
        text = f"{SHAPES[alarm.priority]} {alarm.priority.word:8}  {alarm.name}  {alarm.state}, {since}"
        return Text(text, style=STYLES[alarm.priority])
    hold = alarm.holds[alarm.held_by]
    until = f" until {clock_time(hold.until_ms, zone)}" if hold.until_ms is not None else ""
    by = f" by {hold.who}" if hold.who else ""
    why = (
        f"part of {hold.why}"
        if alarm.held_by is HoldKind.EXPLAINED
        else f"{alarm.state}{until}{by}: {hold.why}"
    )
    return Text(f"  {alarm.priority.word:8}  {alarm.name}  {why}", style="dim")


def _vessel_table(engine: Engine, settings: Settings, alarms: dict[str, Alarm]) -> Table:
    """Show the quantities that some stage here has limits for; the rest is in the journal."""
    cells: dict[tuple[str, Quantity], list[ChannelNow]] = defaultdict(list)
    for now in engine.channels():
        cells[now.channel.vessel, now.channel.quantity].append(now)
    limited = {its for (_, its), channels in cells.items() if any(now.tolerance for now in channels)}
    shown = [quantity for quantity in Quantity if quantity in limited]
    trust = accuracies(engine)
    table = Table("Vessel", "Stage", *(_heading(quantity) for quantity in shown))
    for vessel, home in engine.stages().items():
        known = settings.vessels.get(vessel)
        label_of = known.label if known and known.label else vessel
        row = (_cell(cells[vessel, quantity], alarms, trust) for quantity in shown)
        table.add_row(label_of, home.stage, *row)
    return table


def _heading(quantity: Quantity) -> str:
    unit = unit_of(quantity)
    return f"{label(quantity).capitalize()} [{unit}]" if unit else label(quantity).capitalize()


def _cell(channels: list[ChannelNow], alarms: dict[str, Alarm], trust: dict[str, float]) -> Text:
    if not channels:
        return Text("-", style="dim")
    return Text("\n").join(_reading(now, alarms, trust.get(now.channel.name)) for now in channels)


def _reading(now: ChannelNow, alarms: dict[str, Alarm], accuracy: float | None) -> Text:
    channel = now.channel
    here = [alarm for alarm in alarms.values() if alarm.channel == channel.name and alarm.active]
    worst = max((alarm.priority for alarm in here), default=None)
    if now.silent:
        value = "silent"
    elif math.isnan(now.value):
        value = "..." if now.time_ms == 0 else "unknown"
    else:
        value = number(now.value, channel.quantity) + plus_minus(accuracy) + _trend(now) + _doubt(now.flag)
    if worst is None:
        return Text(value, style="green" if now.tolerance else "")
    return Text(f"{SHAPES[worst]} {value}", style=STYLES[worst])


def _trend(now: ChannelNow) -> str:
    """Show a rate once it is a tenth of what the stage tolerates."""
    limits = now.tolerance and [now.tolerance.max_rise_per_hour, now.tolerance.max_fall_per_hour]
    tolerated = min((limit for limit in limits or [] if limit is not None), default=None)
    if tolerated is None or not abs(now.rate_per_hour) >= tolerated / 10:
        return ""
    return f" {now.rate_per_hour:+.2f}/h"


def _doubt(flag: int) -> str:
    return {Flag.SUSPECT: " (suspect)", Flag.FAIL: " (not believed)"}.get(Flag(flag), "")


def _show_lines(lines: list[str], console: Console) -> None:
    for line in lines:
        console.print(Text(line))


def _show_health(journal: Journal, console: Console, now_ms: int, zone: ZoneInfo, dating: Dating) -> None:
    newest_ms = dating.utc_ms(journal.clock_ms())
    age_s = max(now_ms - newest_ms, 0) / 1000
    when = f"{datetime.fromtimestamp(newest_ms / 1000, UTC).astimezone(zone):%Y-%m-%d %H:%M:%S}"
    console.print(f"Last entry {when} ({age_s:.0f} s ago).")
    if age_s > QUIET_S:
        console.print(
            Text("■ Nothing new for a while: is `bellwatch run` running?", style=STYLES[Priority.CRITICAL])
        )
    waiting, refused = journal.outbox_counts()
    if waiting:
        console.print(
            f"{waiting} messages wait for the broker" + (f", {refused} of them refused:" if refused else ".")
        )
    for topic, reason in journal.refusals():
        console.print(Text(f"◆ {topic}: {reason}", style=STYLES[Priority.HIGH]), soft_wrap=True)
