"""`bellwatch walk`: the first hour at the rack, step by step; what was seen is kept as its acceptance."""

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TextIO

from daemon.check.load import load_settings
from daemon.commands.rack.request import add_writer, ask, writer
from daemon.errors import RequestError
from daemon.journal.sole_writer import holder_of
from daemon.settings.rack import Settings
from daemon.view.rack import only, rack_now
from daemon.view.rack_now import RackNow
from daemon.view.reader import JournalView
from daemon.words import amount
from rules.quantities import Quantity
from rules.rack.logbook import ACCEPTANCE

LOOK_EVERY_S = 0.5
WARMER_K = 3.0
"""A cup of hand-warm water is that much warmer than a nursery at least (common practice, no source)."""
CUP_WITHIN_S, MORE_S = 300.0, 120.0
_DO_IT = "press Enter as you do it, s to skip it"


def walk_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `walk`."""
    parser.description = (
        "Go through the rack with the watch running: each probe unplugged and put back, a warm cup for each "
        "thermometer. What was seen, and after how long, is kept in the logbook of each vessel (acceptance). "
        "At the end the machine's own plug: pull it, put it back, and `bellwatch walk --after-power`."
    )
    parser.add_argument("vessel", nargs="*", help="these vessels alone (default: all)")
    parser.add_argument(
        "--after-power", action="store_true", help="what became of the watch after the machine's plug"
    )
    add_writer(parser, _walk)


def _walk(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    holder = holder_of(settings.journal.path)
    if holder is None or not holder.holds:
        raise RequestError("walk: no watch is running; start it first: sudo systemctl start bellwatch")
    options.who = writer(options.who, settings.rack.people)
    view = JournalView(settings)
    if unknown := [name for name in options.vessel if name not in settings.vessels]:
        only(rack_now(view, _now_ms()), unknown[0])  # it says which there are
    if options.after_power:
        return _after_power(options, settings, view)
    well = True
    for vessel in options.vessel or settings.vessels:
        walk = Walk(settings, view, vessel, sys.stdin)
        seen = list(walk.steps())
        well &= walk.well
        if seen:
            ask(options, "log", {"vessel": vessel, "what": ACCEPTANCE, "note": "; ".join(seen)[:200]})
    print("Now pull the machine's plug, put it back after a minute, and: bellwatch walk --after-power")
    return 0 if well else 1


class Walk:
    """The steps of one vessel; `well` is whether the watch has seen everything that was done."""

    def __init__(self, settings: Settings, view: JournalView, vessel: str, answers: TextIO) -> None:
        self.well = True
        self._view, self._vessel, self._answers = view, vessel, answers
        self._probes = {name: probe for name, probe in settings.probes.items() if probe.vessel == vessel}

    def steps(self) -> Iterator[str]:
        """Do each step that is not skipped; give what was seen of it, for the record."""
        for name, probe in self._probes.items():
            patience_s = probe.silent_after_s + MORE_S
            before = {alarm.name for alarm in self._now().alarms}
            if self._asked(f"unplug {name} now"):
                yield self._seen(f"{name} unplugged", partial(self._has_more_than, before), patience_s)
                if self._asked(f"put {name} back"):
                    yield self._seen(f"{name} put back", partial(self._reads, name), patience_s)
            start = self._temperature(name)
            if start is not None and self._asked(f"put {name} into a warm cup (now {_shown(start)})"):
                warmer = partial(self._is_warmer, name, start)
                yield self._seen(f"{name} in a warm cup", warmer, CUP_WITHIN_S)

    def _asked(self, what: str) -> bool:
        print(f"{self._vessel}: {what}; {_DO_IT}: ", end="", flush=True)
        answer = self._answers.readline()
        return bool(answer) and answer.strip() != "s"

    def _seen(self, what: str, is_seen: Callable[[], bool], within_s: float) -> str:
        began = time.monotonic()
        while (waited_s := time.monotonic() - began) < within_s:
            if is_seen():
                print(f"... seen after {waited_s:.0f} s", flush=True)
                return f"{what}: seen after {waited_s:.0f} s"
            time.sleep(LOOK_EVERY_S)
        self.well = False
        print(
            f"... NOT SEEN within {within_s:.0f} s: do not rely on it; bellwatch status {self._vessel}",
            flush=True,
        )
        return f"{what}: NOT SEEN within {within_s:.0f} s"

    def _now(self) -> RackNow:
        return only(rack_now(self._view, _now_ms()), self._vessel)

    def _has_more_than(self, before: set[str]) -> bool:
        return any(alarm.name not in before for alarm in self._now().alarms)

    def _reads(self, probe: str) -> bool:
        its = [channel for channel in self._now().vessels[0].channels if channel.probe == probe]
        return all(channel.value is not None for channel in its)

    def _temperature(self, probe: str) -> float | None:
        """Return what a thermometer sent last, believed or not: so warm no water here becomes at once."""
        for channel in self._now().vessels[0].channels:
            if channel.probe == probe and channel.quantity == Quantity.TEMPERATURE:
                return channel.value if channel.raw is None else channel.raw.value
        return None

    def _is_warmer(self, probe: str, start: float) -> bool:
        now = self._temperature(probe)
        return now is not None and now - start > WARMER_K


def _after_power(options: argparse.Namespace, settings: Settings, view: JournalView) -> int:
    """Say whether the watch came back by itself with all probes, and keep that."""
    rack = rack_now(view, _now_ms())
    silent = [its.name for vessel in rack.vessels for its in vessel.channels if its.value is None]
    up_s = float(Path("/proc/uptime").read_text().split()[0])
    said = f"watching again {up_s:.0f} s after the machine's start"
    said += f", without {', '.join(silent)}" if silent else ", every channel reads"
    print(said)
    for vessel in options.vessel or settings.vessels:
        ask(options, "log", {"vessel": vessel, "what": ACCEPTANCE, "note": f"power: {said}"[:200]})
    return 1 if silent else 0


def _shown(temperature: float) -> str:
    return amount(temperature, Quantity.TEMPERATURE)


def _now_ms() -> int:
    return int(time.time() * 1000)
