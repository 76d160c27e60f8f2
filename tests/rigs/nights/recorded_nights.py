"""Simulated nights taken in by the real watch: journals as a rack would have left them."""

import shutil
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog

from daemon.broker.messages import messages_of
from daemon.check.load import load_settings
from daemon.journal.asking import RequestBox
from daemon.journal.journal import Journal
from daemon.settings.plan import rack_plan
from daemon.watch.watch import Watch
from drivers.readings import Reading
from rules.calling.records import Voice
from tests.rigs.bench import quick_folder
from tests.rigs.places import DEMO_SETTINGS
from tests.rigs.simulated import load_named, simulate

TURN_MS = 30_000


def readings_of(night):
    """The readings of a simulated night in the order of their arrival."""
    found = [
        Reading(probe, quantity, float(value), int(time_ms))
        for (probe, quantity), (times, values) in night.items()
        for time_ms, value in zip(times, values, strict=True)
    ]
    return sorted(found, key=lambda reading: (reading.time_ms, reading.probe, reading.quantity))


def simulated(scenario, seed=None, hours=None):
    return readings_of(simulate(load_named(scenario), seed, hours=hours))


def watch_of(journal, settings, now_ms):
    zone = ZoneInfo(settings.rack.time_zone)
    plan = rack_plan(settings, journal.inputs.source_id)
    return Watch(
        journal,
        plan,
        now_ms,
        lambda event: messages_of(event, Voice(journal.id, journal.run_id), "b/rack", zone),
    )


def quiet():
    """Keep the watch from logging every alarm of every simulated night."""
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())


def live(path, readings, settings_file, *, keeper=True, restarts=(), turn_ms=TURN_MS, after_ms=600_000):
    """Let the watch take readings in turn by turn; return the journal's path.

    `keeper` acknowledges ten minutes after a page; `restarts` are shares of the night at which the
    watch is dropped, as by a power cut, and started again from the journal. Time goes on for
    `after_ms` after the last reading, so that by default every probe falls silent.
    """
    quiet()
    settings = load_settings(settings_file)
    with quick_folder() as folder:
        quick = Path(folder) / path.name
        _take_turns(quick, readings, settings, (keeper, restarts, turn_ms, after_ms))
        shutil.copyfile(quick, path)  # closed, so that nothing is left in its write-ahead log
    return path


def _take_turns(path, readings, settings, how):
    keeper, restarts, turn_ms, after_ms = how
    start_ms, end_ms = readings[0].time_ms, readings[-1].time_ms + after_ms
    cuts = sorted(start_ms + share * (end_ms - start_ms) for share in restarts)
    journal = Journal(path, writable=True)
    watch, taken, due = watch_of(journal, settings, start_ms), 0, []
    for now_ms in range(start_ms, end_ms, turn_ms):
        if cuts and now_ms >= cuts[0]:
            cuts.pop(0)
            journal.close()
            journal = Journal(path, writable=True)
            watch = watch_of(journal, settings, now_ms)
        upto = taken
        while upto < len(readings) and readings[upto].time_ms <= now_ms:
            upto += 1
        watch.take(readings[taken:upto], now_ms)
        taken = upto
        if keeper:
            due = _keep(journal, watch, due, now_ms)
    journal.close()


def _keep(journal, watch, due, now_ms):
    for alarm in list(watch.engine.alarms()):
        if alarm.state == "unacknowledged" and alarm.name not in {name for _, name in due}:
            due.append((now_ms + 600_000, alarm.name))
    for _, name in [each for each in due if each[0] <= now_ms]:
        RequestBox(journal.path).ask("acknowledge", "night-keeper", {"alarm": name})
    return [each for each in due if each[0] > now_ms]


def events_at(path):
    """The events that the journal holds, as it holds them."""
    journal = Journal(Path(path), writable=False)
    try:
        return [body for (body,) in journal._db.execute("SELECT body FROM event ORDER BY number")]
    finally:
        journal.close()


def write_settings(path, text=""):
    """The demo's settings, with `text` at the end, and without its patience for fast motion."""
    whole = DEMO_SETTINGS.read_text(encoding="utf-8")
    path.write_text(whole.replace("silent_after_s = 1200\n", "") + text, encoding="utf-8")
    return path
