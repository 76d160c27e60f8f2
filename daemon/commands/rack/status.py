"""`bellwatch status`: what every vessel is like now, worst first, on a terminal or as JSON."""

import argparse
import json
import time
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from daemon.check.load import load_settings
from daemon.commands.options import add_settings
from daemon.settings.rack import Settings
from daemon.view import rack_now as now
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from daemon.words import SHAPES, amount, apart, clock_time, label, number, plus_minus, quantity_of
from rules.alarms.life_cycle import Priority
from rules.judging.watched import WatchedState
from rules.quantities import Quantity, unit_of

STYLES = {
    Priority.LOW: "cyan",
    Priority.MEDIUM: "yellow",
    Priority.HIGH: "bold yellow",
    Priority.CRITICAL: "bold red",
}

TROUBLE_SHOWN_MS = 3_600_000


def status_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `status`."""
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="as JSON, for other programs")
    parser.add_argument("--schema", action="store_true", help="write the JSON Schema of that instead")
    parser.set_defaults(command=_status)


def _status(options: argparse.Namespace) -> int:
    terminal = Console(markup=False, emoji=False)
    if options.schema:
        return print_schema(terminal)
    now_ms = int(time.time() * 1000)
    return status_command(load_settings(options.settings), terminal, now_ms, as_json=options.json)


def status_command(settings: Settings, console: Console, now_ms: int, *, as_json: bool = False) -> int:
    """Print the state of the rack; raise JournalError where there is no journal yet."""
    rack = rack_now(JournalView(settings), now_ms)
    if as_json:
        from daemon.view.as_json import rack_json  # noqa: PLC0415 - slow to load, and only needed here

        console.out(rack_json(rack), highlight=False)
    else:
        show_rack(rack, console)
    return 0


def print_schema(console: Console) -> int:
    """Print the JSON Schema of what `--json` prints."""
    from daemon.view.as_json import rack_schema  # noqa: PLC0415

    console.out(json.dumps(rack_schema(), indent=2, ensure_ascii=False), highlight=False)
    return 0


def show_rack(rack: now.RackNow, console: Console) -> None:
    """Print whether the watch lives where it does not, the alarms that stand, then a row for each vessel."""
    zone = ZoneInfo(rack.time_zone)
    for told in (*_headlines(rack, zone), *(_alarm_line(alarm, zone) for alarm in rack.alarms)):
        console.print(told, soft_wrap=True)
    for work in rack.maintenance:
        console.print(f"  {work.target} is under maintenance until {clock_time(work.until_ms, zone)}")
    console.print(_vessel_table(rack))
    for line in (line for probe in rack.probes for line in _care_lines(probe, zone)):
        console.print(Text(f"▲ {line}", style=STYLES[Priority.MEDIUM]), soft_wrap=True)
    for trouble in rack.troubles:
        if trouble.last_ms > rack.made_ms - TROUBLE_SHOWN_MS:
            console.print(_trouble_line(trouble, zone), soft_wrap=True, highlight=False)
    for channel in rack.rack_wide:
        if channel.value is not None:
            quantity = Quantity(channel.quantity)
            console.print(f"{label(quantity).capitalize()} {amount(channel.value, quantity)}")
    for text in _health_lines(rack, zone):
        console.print(text, soft_wrap=isinstance(text, Text), highlight=False)


def _headlines(rack: now.RackNow, zone: ZoneInfo) -> Iterator[Text]:
    if rack.watch.state is not now.WatchState.ALIVE:
        yield Text(f"■ NOT WATCHED: {_lifeless(rack.watch, zone)}", style=STYLES[Priority.CRITICAL])
        return
    if rack.overall is now.Overall.WELL:
        yield Text("● No alarm stands.", style="green")
    elif rack.overall is now.Overall.ALARMS_HELD:
        yield Text("No alarm stands but those that are held.")
    if rack.broker.rival:
        said = f"■ TWO RACKS are called {rack.rack}: this one, and {rack.broker.rival}. Rename one."
        yield Text(said, style=STYLES[Priority.CRITICAL])
    for missed in rack.oncall.untaken if rack.oncall else ():
        said = f"■ NOBODY HAS TAKEN {missed.alarm}, since {clock_time(missed.since_ms, zone)}; call somebody."
        yield Text(said, style=STYLES[Priority.CRITICAL])
    for vessel in rack.vessels:
        for lost in vessel.unwatched:
            since = f", since {clock_time(lost.since_ms, zone)}" if lost.since_ms is not None else ""
            yield Text(f"▨ unwatched  {vessel.name} {label(Quantity(lost.quantity))}: {lost.why}{since}")
        for channel in vessel.channels:
            its = channel.watched
            if its.state is WatchedState.WATCHED_ROUGHLY and its.since_ms is not None:
                since = f"since {clock_time(its.since_ms, zone)}"
                what = f"{vessel.name} {label(Quantity(channel.quantity))}: {its.why}"
                yield Text(f"◪ watched roughly  {what}, {since}")


def _lifeless(watch: now.WatchNow, zone: ZoneInfo) -> str:
    if watch.since_ms is None:
        return "`bellwatch run` never wrote this journal; start it"
    since = f"since {datetime.fromtimestamp(watch.since_ms / 1000, zone):%Y-%m-%d %H:%M:%S}"
    age = f"({watch.age_s or 0:.0f} s ago)"
    if watch.state is now.WatchState.HUNG:
        return f"`bellwatch run` hangs, no turn was finished {since} {age}; start it again"
    return f"`bellwatch run` is dead {since} {age}; start it"


def _alarm_line(alarm: now.AlarmNow, zone: ZoneInfo) -> Text:
    priority = Priority[alarm.priority.upper()]
    if alarm.held_by is None:
        by = f" by {alarm.acknowledged_by}" if alarm.acknowledged_by else ""
        said = f"{alarm.state}{by}, since {clock_time(alarm.since_ms, zone)}"
        return Text(f"{SHAPES[priority]} {priority.word:8}  {alarm.name}  {said}", style=STYLES[priority])
    until = f" until {clock_time(alarm.held_until_ms, zone)}" if alarm.held_until_ms is not None else ""
    by = f" by {alarm.held_who}" if alarm.held_who else ""
    why = f"part of {alarm.leader}" if alarm.leader else f"{alarm.state}{until}{by}: {alarm.held_why}"
    return Text(f"  {priority.word:8}  {alarm.name}  {why}", style="dim")


def _trouble_line(trouble: now.TroubleNow, zone: ZoneInfo) -> str:
    often = f"{trouble.times} times since {clock_time(trouble.first_ms, zone)}, last "
    last = f"{often if trouble.times > 1 else ''}{clock_time(trouble.last_ms, zone)}"
    where = " ".join(part for part in (trouble.bus, trouble.probe) if part)
    return f"  {where}: {trouble.kind} ({last}): {trouble.what}"


def _vessel_table(rack: now.RackNow) -> Table:
    """Show the quantities that some stage here has limits for; the rest is in the journal."""
    everything = [channel for vessel in rack.vessels for channel in vessel.channels]
    limited = {channel.quantity for channel in everything if channel.limits}
    shown = [quantity for quantity in Quantity if quantity in limited]
    table = Table("Vessel", "Stage", *(_heading(quantity) for quantity in shown))
    for vessel in rack.vessels:
        named = f"{vessel.name} {vessel.label}" if vessel.label else vessel.name
        table.add_row(named, vessel.stage.name, *(_cell(vessel, quantity) for quantity in shown))
    return table


def _heading(quantity: Quantity) -> str:
    unit = unit_of(quantity)
    return f"{label(quantity).capitalize()} [{unit}]" if unit else label(quantity).capitalize()


def _cell(vessel: now.VesselNow, quantity: Quantity) -> Text:
    here = [_reading(channel) for channel in vessel.channels if channel.quantity == quantity]
    return Text("\n").join(here) if here else Text("-", style="dim")


def _reading(channel: now.ChannelNow) -> Text:
    value = channel.lack
    if channel.value is not None:
        value = number(channel.value, Quantity(channel.quantity)) + plus_minus(channel.uncertainty)
        value += f" {channel.trend_per_hour:+.2f}/h" if channel.trend_tells else ""
        value += {"suspect": " (suspect)", "fail": " (not believed)"}.get(channel.flag, "")
    if channel.priority is None:
        return Text(value, style="green" if channel.limits else "")
    priority = Priority[channel.priority.upper()]
    return Text(f"{SHAPES[priority]} {value}", style=STYLES[priority])


def _care_lines(probe: now.ProbeNow, zone: ZoneInfo) -> Iterator[str]:
    """Say whether a probe walks away from hand checks, and which of its calibrations are overdue."""
    for drift in probe.drifts:
        apart_by = apart(drift.reads_high_by, quantity_of(drift.channel))
        over = f"{apart_by} over the last {drift.checks} ({drift.rule})"
        yield f"{drift.channel} walks away from hand checks: {over}"
    for its in probe.calibrations:
        if its.overdue and its.due_ms is not None:
            last = "never calibrated" if its.newest_ms is None else f"last {_day(its.newest_ms, zone)}"
            yield f"{probe.name} {its.quantity}: calibration due since {_day(its.due_ms, zone)}, {last}"


def _day(time_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d}"


def _health_lines(rack: now.RackNow, zone: ZoneInfo) -> Iterator[str | Text]:
    """Say how old the journal is, what waits for broker and mirror, and what is wrong with clock and file."""
    journal, broker = rack.journal, rack.broker
    when = f"{datetime.fromtimestamp(journal.newest_ms / 1000, zone):%Y-%m-%d %H:%M:%S}"
    yield f"Last entry {when} ({journal.age_s:.0f} s ago)."
    for said in rack.said:
        yield Text(
            f"▲ {_day(said.at_ms, zone)} {clock_time(said.at_ms, zone)} {said.text}",
            style=STYLES[Priority.MEDIUM],
        )
    sizes = (journal.bytes, journal.log_bytes, journal.disk_free_bytes)
    yield "Journal {:.0f} MB, its log {:.1f} MB, {:.0f} MB free.".format(*(size / 1e6 for size in sizes))
    if journal.log_held:
        yield "▲ The journal's log only grows: some program reads the journal and does not end; end it."
    yield from _link_lines(rack, zone)
    if broker.waiting:
        refused = f", {broker.refused} of them refused:" if broker.refused else "."
        yield f"{broker.waiting} messages wait for the broker{refused}"
    for refusal in broker.refusals:
        yield Text(f"◆ {refusal.topic}: {refusal.why}", style=STYLES[Priority.HIGH])
    if not rack.clock.synchronised:
        yield (
            "The machine's clock is not synchronised yet: times since its start are a guess, "
            "and dated anew then."
        )
    if rack.mirror is not None:
        yield from _mirror_lines(rack.mirror, zone)


def _link_lines(rack: now.RackNow, zone: ZoneInfo) -> Iterator[str | Text]:
    """Say whether the broker carries anything, and whether an on-call process hears us."""
    broker = rack.broker
    if broker.alive is False and broker.since_ms is not None:
        yield Text(
            f"◆ The broker carries nothing since {clock_time(broker.since_ms, zone)}: "
            "our own heartbeats do not come back.",
            style=STYLES[Priority.HIGH],
        )
    elif broker.since_ms is not None:
        yield f"The broker carries what we say since {clock_time(broker.since_ms, zone)}."
    if rack.oncall is not None and rack.oncall.since_ms is not None:
        since = clock_time(rack.oncall.since_ms, zone)
        if rack.oncall.alive:
            yield f"On call: {rack.oncall.by}, heard since {since}."
        else:
            said = f"◆ {rack.oncall.by} is not heard since {since}: nobody is called."
            yield Text(said, style=STYLES[Priority.HIGH])


def _mirror_lines(mirror: now.MirrorNow, zone: ZoneInfo) -> Iterator[str]:
    counts = ((mirror.readings_behind, "readings"), (mirror.events_behind, "alarm events"))
    behind = " and ".join(f"{count} {what}" for count, what in counts if count)
    upto = f", it has everything up to {clock_time(mirror.taken_ms, zone)}" if mirror.taken_ms else ""
    yield f"The mirror is {behind} behind{upto}." if behind else f"The mirror is up to date{upto}."
    if mirror.trouble:
        yield f"The mirror is held up: {mirror.trouble}"
    if mirror.refused:
        yield f"The mirror's server refused {mirror.refused} points, the last one so: {mirror.last_refusal}"
