"""The command `python -m simulator SCENARIO.toml --links DIR ...`."""

import argparse
import contextlib
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from simulator.arguments import host_and_port, instant_ms, positive
from simulator.clock import ScaledTime
from simulator.errors import SimulatorError
from simulator.live import Show
from simulator.process import EndSignals, tell
from simulator.rack.rack import Rack
from simulator.scenario.file import load_scenario
from simulator.scenario.scenario import Scenario
from simulator.wires.mqtt import Publisher


def arguments() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="python -m simulator",
        description="A rack that is not there, on real wires. Ends with its stdin.",
    )
    parser.add_argument("scenario", type=Path, help="scenario file (TOML)")
    parser.add_argument("--links", type=Path, required=True, help="folder for the links to the serial ports")
    parser.add_argument("--broker", type=host_and_port, help="broker for probes that publish")
    parser.add_argument("--time-scale", type=positive, default=1.0, help="simulated seconds per second")
    parser.add_argument(
        "--start", type=instant_ms, help="simulated start with UTC offset; default: the file's"
    )
    parser.add_argument(
        "--epoch-monotonic", type=float, help="CLOCK_MONOTONIC seconds at the start; default: now"
    )
    parser.add_argument("--seed", type=int, help="seed of noise and weather; default: the file's")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Runs the command; 0 when it was ended, 2 for what cannot be used."""
    options = arguments().parse_args(argv)
    try:
        run(options)
    except SimulatorError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def run(options: argparse.Namespace) -> None:
    """Puts the scenario on its wires until the process is told to end."""
    scenario = load_scenario(options.scenario)
    _check_wires(scenario, options)
    ended = EndSignals()
    with contextlib.ExitStack() as stack:
        publisher = stack.enter_context(Publisher(*options.broker)) if options.broker else None
        start_ms = scenario.start_ms if options.start is None else options.start
        epoch = time.monotonic() if options.epoch_monotonic is None else options.epoch_monotonic
        clock = ScaledTime(start_ms, options.time_scale, epoch)
        rack = Rack(scenario, options.seed, start_ms)
        show = Show(scenario, rack, clock, options.links, publisher, tell)
        stack.callback(show.stop)
        show.start()
        tell(_ready(scenario, clock, show, options))
        while not ended.wait(show.wall_s_until_due()):
            show.tick()


def _check_wires(scenario: Scenario, options: argparse.Namespace) -> None:
    if not options.links.is_dir():
        raise SimulatorError(f"--links {options.links}: is not a folder that exists")
    published = [name for name, bus in scenario.buses.items() if bus.kind == "mqtt"]
    if published and options.broker is None:
        raise SimulatorError(f"--broker is missing: probes on {', '.join(published)} publish to one")


def _ready(
    scenario: Scenario, clock: ScaledTime, show: Show, options: argparse.Namespace
) -> dict[str, object]:
    return {
        "ready": True,
        "title": scenario.course.title,
        "ports": {name: str(port.link) for name, port in show.ports.items()},
        "broker": None if options.broker is None else f"{options.broker[0]}:{options.broker[1]}",
        "start_ms": clock.start_ms,
        "end_ms": clock.start_ms + round(scenario.course.lasts_h * 3_600_000),
        "time_scale": clock.scale,
        "epoch_monotonic": clock.epoch_monotonic_s,
    }


if __name__ == "__main__":
    sys.exit(main())
