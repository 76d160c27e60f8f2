"""What is said of the machinery of a rack: probes, buses, journal, broker, on call, mirror, clock."""

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.as_read import shown_reason
from daemon.view import rack_now as now
from daemon.view.rack_words import believed, on_call_text
from daemon.words import apart, clock_time, label, quantity_of
from rules.quantities import Quantity

TROUBLE_SHOWN_MS = 3_600_000


def health(rack: now.RackNow, zone: ZoneInfo) -> Iterator[str]:
    """Give what there is to say, each in a line."""
    for line in (line for probe in rack.probes for line in care_lines(probe, zone)):
        yield f"▲ {line}"
    for trouble in rack.troubles:
        if trouble.last_ms > rack.made_ms - TROUBLE_SHOWN_MS:
            yield _trouble_line(trouble, zone)
    for channel in rack.rack_wide:
        if channel.value is not None:
            yield f"{label(Quantity(channel.quantity)).capitalize()} {believed(channel)}"
    yield from _health_lines(rack, zone)


def _trouble_line(trouble: now.TroubleNow, zone: ZoneInfo) -> str:
    often = f"{trouble.times} times since {clock_time(trouble.first_ms, zone)}, last "
    last = f"{often if trouble.times > 1 else ''}{clock_time(trouble.last_ms, zone)}"
    where = " ".join(part for part in (trouble.bus, trouble.probe) if part)
    return f"{where}: {trouble.kind} ({last}): {trouble.what}"


def care_lines(probe: now.ProbeNow, zone: ZoneInfo) -> Iterator[str]:
    """Say whether a probe walks away from hand checks, and which of its calibrations are overdue."""
    for drift in probe.drifts:
        quantity = quantity_of(drift.channel)
        why = shown_reason(drift.rule, quantity)
        over = f"{apart(drift.reads_high_by, quantity)} over the last {drift.checks} ({why})"
        yield f"{drift.channel} walks away from hand checks: {over}"
    for its in probe.calibrations:
        if its.overdue and its.due_ms is not None:
            last = "never calibrated" if its.newest_ms is None else f"last {_day(its.newest_ms, zone)}"
            yield f"{probe.name} {its.quantity}: calibration due since {_day(its.due_ms, zone)}, {last}"


def _day(time_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d}"


def _health_lines(rack: now.RackNow, zone: ZoneInfo) -> Iterator[str]:
    """Say how old the journal is, what waits for broker and mirror, and what is wrong with clock and file."""
    journal, broker = rack.journal, rack.broker
    when = f"{datetime.fromtimestamp(journal.newest_ms / 1000, zone):%Y-%m-%d %H:%M:%S}"
    if journal.age_s is None:
        yield f"▲ Last entry {when}, ahead of this machine's clock: one of them is wrong, no age is known."
    else:
        yield f"Last entry {when} ({journal.age_s:.0f} s ago)."
    for said in rack.said:
        when = f"{_day(said.at_ms, zone)} {clock_time(said.at_ms, zone)}"
        yield f"▲ {when} {said.text}"
    sizes = (journal.bytes, journal.log_bytes, journal.disk_free_bytes)
    yield "Journal {:.0f} MB, its log {:.1f} MB, {:.0f} MB free.".format(*(size / 1e6 for size in sizes))
    if journal.log_held:
        yield "▲ The journal's log only grows: some program reads the journal and does not end; end it."
    if journal.settings_differ:
        yield "▲ The watch goes by other settings than the file has now: start it again, and a page too."
    yield from _link_lines(rack, zone)
    if broker.waiting:
        refused = f", {broker.refused} of them refused:" if broker.refused else "."
        yield f"{broker.waiting} messages wait for the broker{refused}"
    for refusal in broker.refusals:
        yield f"◆ {refusal.topic}: {refusal.why}"
    if well := "; ".join(f"{it.name} {it.value:g} {it.unit}" for it in rack.machine if it.is_well):
        yield f"Machine: {well}."
    yield from (f"▲ Machine: {it}." for it in rack.machine if not it.is_well)
    if not rack.clock.synchronised:
        yield (
            "The machine's clock is not synchronised yet: times since its start are a guess, "
            "and dated anew then."
        )
    if rack.mirror is not None:
        yield from _mirror_lines(rack.mirror, zone)


def _link_lines(rack: now.RackNow, zone: ZoneInfo) -> Iterator[str]:
    """Say whether the broker carries anything, and whether an on-call process hears us."""
    broker = rack.broker
    if broker.alive is False and broker.since_ms is not None:
        since = clock_time(broker.since_ms, zone)
        yield f"◆ The broker carries nothing since {since}: our own heartbeats do not come back."
        yield "  Alarms that are taken on all the same? Then the broker's access list is an old one."
    elif broker.since_ms is not None:
        yield f"The broker carries what we say since {clock_time(broker.since_ms, zone)}."
    if rack.oncall is not None and rack.oncall.since_ms is not None:
        since = clock_time(rack.oncall.since_ms, zone)
        if rack.oncall.alive:
            duty = on_call_text(rack.oncall, rack.made_ms, zone)
            yield f"On call: {duty or 'not known here'}; {rack.oncall.by} calls, heard since {since}."
        else:
            yield f"◆ {rack.oncall.by} is not heard since {since}: nobody is called."


def _mirror_lines(mirror: now.MirrorNow, zone: ZoneInfo) -> Iterator[str]:
    counts = ((mirror.readings_behind, "readings"), (mirror.events_behind, "alarm events"))
    behind = " and ".join(f"{count} {what}" for count, what in counts if count)
    upto = f", it has everything up to {clock_time(mirror.taken_ms, zone)}" if mirror.taken_ms else ""
    yield f"The mirror is {behind} behind{upto}." if behind else f"The mirror is up to date{upto}."
    if mirror.trouble:
        yield f"The mirror is held up: {mirror.trouble}"
    if mirror.refused:
        yield f"The mirror's server refused {mirror.refused} points, the last one so: {mirror.last_refusal}"
