"""Plays a measured series over the wires of the rack: `python -m tests.rigs.playback`.

Messages go out as fast as the broker confirms them unless a time scale paces them. A confirmation
says that the broker has a row, not that a slow subscriber will get it: mosquitto keeps 1000 messages
for one by default and drops what comes on top. Set max_queued_messages to 0 or pace the rows.
"""

import argparse
import collections
import contextlib
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from paho.mqtt.client import MQTTMessageInfo

from simulator.arguments import host_and_port, instant_ms, positive
from simulator.encoding import senml
from simulator.encoding.registers import BYTE_ORDERS, REGISTER_TYPES
from simulator.errors import SimulatorError
from simulator.process import EndSignals, tell
from simulator.wires.mqtt import Publisher
from simulator.wires.serial_port import SerialPort
from tests.rigs.playback.recording import (
    PlaybackError,
    Recording,
    parse_column,
    read_recording,
    register_fields,
    senml_numbers,
)
from tests.rigs.playback.slave import PlaybackSlave

UNDER_WAY = 50  # messages handed to the broker and not confirmed yet
CONFIRM_WITHIN_S = 30.0


def senml_rows(recording: Recording, base: str, stamp: Callable[[int], int]) -> Iterator[bytes]:
    """A SenML pack per row; `stamp` turns the row's own time into the time it is sent with."""
    numbers = {quantity: senml_numbers(recording, quantity) for quantity in recording.values}
    for row, time_ms in enumerate(recording.time_ms):
        records = [
            senml.Record(f"{base}:{quantity}", quantity, float(column[row]))
            for quantity, column in numbers.items()
        ]
        yield senml.pack(records, stamp(int(time_ms)))


def arguments() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.rigs.playback",
        description="Plays a measured series over Modbus RTU or as SenML. Ends with its stdin.",
    )
    parser.add_argument("csv", type=Path, help="file with a column time_utc, .csv or .csv.gz")
    parser.add_argument(
        "--column", action="append", required=True, help="COLUMN=QUANTITY[*FACTOR]; once for each column"
    )
    wire = parser.add_mutually_exclusive_group(required=True)
    wire.add_argument("--links", type=Path, help="folder for the link playback-bus to the serial port")
    wire.add_argument("--broker", type=host_and_port, help="HOST:PORT of the broker")
    parser.add_argument("--unit-id", type=int, choices=range(1, 248), metavar="1..247", default=1)
    parser.add_argument(
        "--type", choices=REGISTER_TYPES, default="float32", help="type of the value registers"
    )
    parser.add_argument(
        "--scale", type=positive, default=1.0, help="a master multiplies the register by this"
    )
    parser.add_argument(
        "--word-order", choices=BYTE_ORDERS, default="big", help="of values wider than a word"
    )
    parser.add_argument("--baud", type=int, default=115200, help="sets the silence that ends a frame")
    parser.add_argument("--lose-every", type=int, default=0, help="withhold each Nth reply; 0: none")
    parser.add_argument("--topic", default="playback", help="topic, and base name of the SenML records")
    parser.add_argument("--time-scale", type=positive, help="rows at their own spacing / N; default: at once")
    parser.add_argument("--times", choices=("own", "scaled"), default="own", help="time stamps in the packs")
    parser.add_argument("--start", type=instant_ms, help="first time stamp if scaled; default: now")
    parser.add_argument(
        "--epoch-monotonic", type=float, help="CLOCK_MONOTONIC seconds at the first row; default: now"
    )
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Runs the command; 0 when it was ended, 2 for what cannot be used."""
    options = arguments().parse_args(argv)
    ended = EndSignals()
    try:
        columns = [parse_column(text) for text in options.column]
        recording = read_recording(options.csv, columns)
        if options.links is not None:
            _play_registers(recording, options, ended)
        else:
            _play_messages(recording, options, ended)
    except SimulatorError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def _play_registers(recording: Recording, options: argparse.Namespace, ended: EndSignals) -> None:
    fields = register_fields(list(recording.values), options.type, options.scale, options.word_order)
    slave = PlaybackSlave(recording, fields, options.unit_id, options.lose_every, _tell_end)
    port = SerialPort(options.links / "playback-bus", slave.reply, options.baud, 0.0)
    with contextlib.ExitStack() as stack:
        stack.callback(port.unplug)
        port.plug()
        registers = [
            {"quantity": quantity, "function": "input", "address": field.address, "type": field.type}
            for quantity, field in fields.items()
        ]
        ports = {"playback-bus": str(port.link)}
        tell({"ready": True, "rows": len(recording.time_ms), "ports": ports, "registers": registers})
        while not ended.wait(None):
            pass


def _play_messages(recording: Recording, options: argparse.Namespace, ended: EndSignals) -> None:
    first_ms = int(recording.time_ms[0])
    start_ms = time.time_ns() // 1_000_000 if options.start is None else options.start
    scale = options.time_scale

    def stamp(time_ms: int) -> int:
        return time_ms if options.times == "own" else start_ms + round((time_ms - first_ms) / (scale or 1.0))

    with Publisher(*options.broker) as publisher:
        tell(
            {
                "ready": True,
                "rows": len(recording.time_ms),
                "topic": options.topic,
                "start_ms": stamp(first_ms),
            }
        )
        began = time.monotonic() if options.epoch_monotonic is None else options.epoch_monotonic
        under_way: collections.deque[MQTTMessageInfo] = collections.deque()
        for row, message in enumerate(senml_rows(recording, options.topic.replace("/", ":"), stamp)):
            due_s = 0.0 if scale is None else (recording.time_ms[row] - first_ms) / 1000 / scale
            if ended.wait(max(0.0, began + due_s - time.monotonic())):
                return
            under_way.append(publisher.publish(options.topic, message))
            _confirmed(under_way, UNDER_WAY)
        _confirmed(under_way, 0)
        _tell_end(len(recording.time_ms))
        while not ended.wait(None):
            pass


def _confirmed(under_way: "collections.deque[MQTTMessageInfo]", left: int) -> None:
    """Waits until at most so many messages are unconfirmed."""
    while len(under_way) > left:
        info = under_way.popleft()
        try:
            info.wait_for_publish(CONFIRM_WITHIN_S)
        except RuntimeError as error:
            raise PlaybackError(f"the broker was lost while rows were under way: {error}") from error
        if not info.is_published():
            raise PlaybackError(f"the broker has not confirmed a row within {CONFIRM_WITHIN_S:g} s")


def _tell_end(rows: int) -> None:
    tell({"event": "playback", "phase": "ends", "rows": rows})


if __name__ == "__main__":
    sys.exit(main())
