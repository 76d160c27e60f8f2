"""The command line: `bellwatch run`, `check`, `status`, `ack`, `demo`."""

import argparse
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from rich.console import Console

from daemon.check.check import check_command
from daemon.check.load import load_settings
from daemon.commands.engineer.export import add_export_parser
from daemon.commands.engineer.import_readings import add_import_parser
from daemon.commands.engineer.incidents import add_incidents_parser
from daemon.commands.engineer.replay import add_replay_parser
from daemon.commands.engineer.tune import add_tune_parser
from daemon.commands.install.backup import add_backup_parser
from daemon.commands.install.demo import demo_command
from daemon.commands.install.oncall import add_oncall
from daemon.commands.rack.care import add_care_parsers
from daemon.commands.rack.people import add_people_parsers
from daemon.commands.rack.status import print_schema, status_command
from daemon.errors import BellwatchError
from daemon.logs import set_up_logs
from daemon.wiring import build

USUAL_SETTINGS = "/etc/bellwatch/bellwatch.toml"
WRONG_USE = 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 failed, 2 wrong use or settings."""
    options = _parser().parse_args(arguments)
    set_up_logs()
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except BellwatchError as error:
        print(error, file=sys.stderr)
        return WRONG_USE
    except BrokenPipeError:
        sys.stderr.close()
        return 1


def _run(options: argparse.Namespace) -> int:
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    build(load_settings(options.settings)).run(stop)
    return 0


def _check(options: argparse.Namespace) -> int:
    return check_command(options.file, options.schema, sys.stdout, sys.stderr)


def _status(options: argparse.Namespace) -> int:
    if options.schema:
        return print_schema(Console())
    now_ms = int(time.time() * 1000)
    return status_command(load_settings(options.settings), Console(), now_ms, as_json=options.json)


def _demo(options: argparse.Namespace) -> int:
    return demo_command(Console())


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="bellwatch",
        description="Keeps watch over the water of a jellyfish nursery rack. It advises and alerts; "
        "it never switches equipment.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    run = commands.add_parser("run", help="watch the rack until stopped")
    run.set_defaults(command=_run)
    check = commands.add_parser("check", help="say everything that is wrong with a settings file")
    check.add_argument("file", type=Path, nargs="?", default=_usual_settings())
    check.add_argument("--schema", action="store_true", help="write the JSON Schema of the file instead")
    check.set_defaults(command=_check)
    status = commands.add_parser("status", help="show what every vessel is like now")
    status.add_argument("--json", action="store_true", help="as JSON, for other programs")
    status.add_argument("--schema", action="store_true", help="write the JSON Schema of that instead")
    status.set_defaults(command=_status)
    people = [*add_people_parsers(commands), *add_care_parsers(commands)]
    add_oncall(commands)
    demo = commands.add_parser("demo", help="a night of an invented rack in fast motion")
    demo.set_defaults(command=_demo)
    add_replay_parser(commands)
    add_export_parser(commands, _usual_settings())
    add_import_parser(commands)
    add_backup_parser(commands, _usual_settings())
    add_incidents_parser(commands)
    add_tune_parser(commands)
    for command in (run, status, *people):
        command.add_argument(
            "--settings", type=Path, default=_usual_settings(), help="settings file (default: %(default)s)"
        )
    return parser


def _usual_settings() -> Path:
    return Path(os.environ.get("BELLWATCH_SETTINGS", USUAL_SETTINGS))
