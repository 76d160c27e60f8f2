"""`bellwatch demo`: a night of an invented rack in fast motion, real at every joint.

A simulated rack answers on pseudo-terminals (Modbus RTU) and publishes to a real broker; the
daemon polls, judges, journals and alarms as it would at night; a subscriber prints what arrives
at the broker's other side; a keeper, invented too, acknowledges.
"""

import argparse
import json
import queue
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console
from rich.text import Text

from daemon.check.load import load_settings
from daemon.clock import SteadyClock
from daemon.commands.install.demo_broker import demo_broker, end
from daemon.commands.options import stopped_by_signals
from daemon.commands.rack.status import status_command
from daemon.errors import DemoError, RequestError
from daemon.journal.asking import ask_daemon
from daemon.settings.rack import Settings
from daemon.wiring import build
from daemon.words import SHAPES, STYLES, clock_time
from rules.alarms.life_cycle import Priority

SCENARIO = Path(__file__).parents[3] / "simulator" / "scenarios" / "chiller_night.toml"
TIME_SCALE = 360
KEEPER = "night-keeper"
KEEPER_TAKES_MS = 12 * 60_000
"""The invented keeper needs twelve minutes from the call to the acknowledgement."""

HELD_UP_MS = 60 * 60_000
"""How long after the script the night may go on until every alarm is over: a rate is taken over an hour."""

INTERRUPTED = 130
_READY_WITHIN_S = 20.0
_LOOK_EVERY_S = 0.1

Lines = queue.SimpleQueue[dict[str, Any]]


@dataclass(slots=True)
class Story:
    """What the demonstration has to show, counted as it happens at the subscriber's end, and told."""

    settings: Settings
    console: Console
    raised: set[str] = field(default_factory=set)
    acknowledged: set[str] = field(default_factory=set)
    cleared: set[str] = field(default_factory=set)
    seen: set[str] = field(default_factory=set)
    to_acknowledge: dict[str, int] = field(default_factory=dict)

    def complete(self) -> bool:
        """Return whether alarms that call came, were all acknowledged, and all cleared."""
        return bool(self.raised) and self.raised == self.acknowledged and self.raised <= self.cleared


def demo_arguments(parser: argparse.ArgumentParser) -> None:
    """Let `demo` be without arguments."""
    parser.set_defaults(command=lambda _options: demo_command(Console(markup=False, emoji=False)))


def demo_command(console: Console) -> int:
    """Show the night and return 0, or 1 when it did not go as it must, 130 when it was interrupted."""
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    stop = stopped_by_signals()  # an exception could come between starting a process and noting it
    with tempfile.TemporaryDirectory(prefix="bellwatch-demo-") as folder:
        story = _show(Path(folder), console, stop)
    if stop.is_set():
        console.print("\nInterrupted; everything that the demonstration started has been ended.")
        return INTERRUPTED
    return _verdict(story)


def _show(folder: Path, console: Console, stop: threading.Event) -> Story:
    with ExitStack() as stack:
        broker, port = stack.enter_context(demo_broker(folder))
        night, happenings = stack.enter_context(_simulator(folder, port))
        clock = SteadyClock(night["start_ms"], TIME_SCALE, night["epoch_monotonic"])
        settings = _settings(folder, port)
        console.print(
            f"{night['title']}, {TIME_SCALE} times as fast as life.\n"
            f"Simulated probes on pseudo-terminals (Modbus RTU) and on {broker} at port {port}; "
            f"journal in {settings.journal.path}.\n",
            soft_wrap=True,
        )
        events = stack.enter_context(_subscriber(port, f"{settings.broker.topic_root}/{settings.rack.name}"))
        stack.enter_context(_watching(settings, clock))
        story = Story(settings, console)
        _tell(story, clock, night["end_ms"], (happenings, events), stop)
        if not stop.is_set():
            console.print("\nThe rack at the end of the night, as `bellwatch status` shows it:")
            status_command(settings, console, clock.now_ms())
    return story


@contextmanager
def _simulator(folder: Path, port: int) -> Iterator[tuple[dict[str, Any], Lines]]:
    """Run the simulated rack; give what it says of the night, and the queue of what happens in it."""
    command = [sys.executable, "-m", "simulator", str(SCENARIO), "--links", str(folder)]
    command += ["--broker", f"127.0.0.1:{port}", "--time-scale", str(TIME_SCALE)]
    lines: Lines = queue.SimpleQueue()
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as process:
        reader = threading.Thread(target=_read_lines, args=(process, lines))
        reader.start()
        try:
            try:
                night = lines.get(timeout=_READY_WITHIN_S)
            except queue.Empty:
                raise DemoError("the simulated rack did not get ready; its words stand above") from None
            yield night, lines
        finally:
            end(process)
            reader.join()


def _read_lines(process: "subprocess.Popen[str]", lines: Lines) -> None:
    for line in process.stdout or ():
        lines.put(json.loads(line))


def _settings(folder: Path, port: int) -> Settings:
    text = (Path(__file__).parent / "demo_settings.toml").read_text()
    text = text.replace("LINKS/", f"{folder}/").replace('path = "', f'path = "{folder}/')
    path = folder / "bellwatch.toml"
    path.write_text(text.replace("port = 1883", f"port = {port}"))
    return load_settings(path)


@contextmanager
def _subscriber(port: int, topic: str) -> Iterator[Lines]:
    """Subscribe to the rack's alarm events as a phone or a screen would; give the queue of them."""
    events: Lines = queue.SimpleQueue()
    subscribed = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_message = lambda _client, _data, message: events.put(json.loads(message.payload))
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", port)
    client.subscribe(f"{topic}/event", qos=1)
    client.loop_start()
    try:
        if not subscribed.wait(_READY_WITHIN_S):
            raise DemoError("the broker did not accept the subscription")
        yield events
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def _watching(settings: Settings, clock: SteadyClock) -> Iterator[None]:
    """Run the daemon in a thread of its own until the block ends; what ended it early is raised here."""
    stop = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        watch = pool.submit(lambda: build(settings, clock).run(stop))
        try:
            yield
        finally:
            stop.set()
    watch.result()


def _tell(
    story: Story, clock: SteadyClock, end_ms: int, queues: tuple[Lines, Lines], stop: threading.Event
) -> None:
    """Print what happens until the night is over or `stop` is set, and let the keeper do his part."""
    happenings, events = queues
    zone = ZoneInfo(story.settings.rack.time_zone)
    while not stop.wait(_LOOK_EVERY_S) and (now_ms := clock.now_ms()) < end_ms + HELD_UP_MS:
        while not happenings.empty():
            _print_happening(happenings.get(), zone, story.console)
        while not events.empty():
            _take_event(events.get(), story, now_ms, zone)
        for alarm, due_ms in list(story.to_acknowledge.items()):
            if now_ms >= due_ms:
                del story.to_acknowledge[alarm]
                _acknowledge(alarm, story)
        if now_ms >= end_ms and story.complete():
            return


def _acknowledge(alarm: str, story: Story) -> None:
    try:
        ask_daemon(story.settings.journal.path, "acknowledge", {"alarm": alarm}, KEEPER)
    except RequestError as refused:
        story.console.print(f"The keeper cannot acknowledge: {refused}", soft_wrap=True)


def _print_happening(happening: dict[str, Any], zone: ZoneInfo, console: Console) -> None:
    what = f"{happening['event'].replace('_', ' ')} {happening.get('vessel', '')}".rstrip()
    when = clock_time(happening["time_ms"], zone)
    console.print(f"{when}  (in the rack: {what}, {happening['phase']})", style="dim", highlight=False)


def _take_event(event: dict[str, Any], story: Story, now_ms: int, zone: ZoneInfo) -> None:
    if event["id"] in story.seen:
        return
    story.seen.add(event["id"])
    if event["state"] == "normal":
        story.cleared.add(event["alarm"])
    if event["event"] == "released":
        return
    priority = Priority[event["priority"].upper()]
    when = datetime.fromisoformat(event["at"]).astimezone(zone)
    line = Text(f"{when:%H:%M}  {SHAPES[priority]} {event['text']}", style=STYLES[priority])
    story.console.print(line, soft_wrap=True)
    alarm = event["alarm"]
    if event["event"] == "raised" and priority > Priority.LOW:  # a low one calls no keeper
        story.raised.add(alarm)
        story.to_acknowledge.setdefault(alarm, now_ms + KEEPER_TAKES_MS)
    elif event["event"] == "acknowledged":
        story.acknowledged.add(alarm)


def _verdict(story: Story) -> int:
    cleared, console = len(story.raised & story.cleared), story.console
    console.print(
        f"\nSummary: {len(story.raised)} alarms raised and delivered through the broker, "
        f"{len(story.acknowledged)} acknowledged, {cleared} cleared after the repair.",
        soft_wrap=True,
    )
    if story.complete():
        console.print(Text("● The night went as it should.", style="green"))
        return 0
    console.print(Text("■ The night did not go as it should.", style=STYLES[Priority.CRITICAL]))
    return 1
