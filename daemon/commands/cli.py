"""The command line: every command with its help, and the module that is loaded when it is asked for."""

import argparse
import sys
from collections.abc import Callable, Container, Sequence
from importlib import import_module
from typing import Any

from daemon.errors import BellwatchError, RequestError

WRONG_USE = 2

COMMANDS = {
    "run": ("install.run", "watch the rack until stopped"),
    "init": ("install.init", "ask what the rack is, and write its settings file"),
    "check": ("install.check", "say everything that is wrong with a settings file"),
    "probe": ("going_live.probe", "list ports, scan a bus, read a probe once with its bytes, follow it"),
    "walk": ("going_live.walk", "the first hour at the rack, step by step; what was seen is kept"),
    "status": ("rack.status", "show what every vessel is like now"),
    "why": ("rack.why", "say why an alarm fired, or why a value is what it is"),
    "handover": ("rack.handover", "the night, or a month, in one page: who was called, what the water did"),
    "page": ("rack.page", "serve the rack's page: now, every vessel over time, the alarms"),
    "ack": ("rack.request", "say that you have seen an alarm"),
    "reset": ("rack.request", "let a latched alarm go"),
    "shelve": ("rack.request", "keep an alarm quiet for a while"),
    "unshelve": ("rack.request", "take an alarm off the shelf"),
    "out-of-service": ("rack.request", "switch an alarm off until it is put back"),
    "back-in-service": ("rack.request", "put an alarm back"),
    "stage": ("rack.request", "move a vessel to another life stage"),
    "maintain": ("rack.request", "keep alarms quiet while you work on a vessel or bus"),
    "log": ("rack.log", "write into the logbook of a vessel"),
    "culture": ("rack.culture", "what was done with batches of animals, and how many there should be"),
    "due": (
        "rack.culture",
        "what falls due: work, care of probes, what the animals are likely to do",
    ),
    "calibrate": ("rack.calibrate", "put a probe's calibration into force"),
    "measure": ("rack.measure", "write down what you measured by hand; it is compared with the probe"),
    "calibrations": ("rack.calibrations", "list the calibrations of every probe"),
    "drill": ("rack.request", "let the people on call practise, with an invented problem"),
    "oncall": ("install.oncall", "call the people on duty, for any number of racks"),
    "demo": ("install.demo", "a night of an invented rack in fast motion"),
    "replay": ("engineer.replay", "what the alarms were, or would have been"),
    "export": ("engineer.export", "write the whole record as CSV, Parquet or NetCDF, for other tools"),
    "import": (
        "engineer.import_readings",
        "read such a record, another logger's CSV, or what is left of a damaged journal, into a new one",
    ),
    "backup": ("install.daily_backup", "copy the journal while the daemon goes on writing it"),
    "restore": ("install.backup", "put such a copy in the journal's place, while no daemon runs"),
    "fits": ("install.fits", "say whether this version can go on from settings and journal; for install.sh"),
    "incidents": ("engineer.incidents", "mark what happened, for tuning to learn from"),
    "tune": ("engineer.tune", "choose limits and delays by what they would have done"),
}
"""Name: module below `daemon.commands` that has a function NAME_arguments(parser), help."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 failed, 2 wrong use or settings."""
    arguments = sys.argv[1:] if arguments is None else arguments
    options = bellwatch_parser(arguments).parse_args(arguments)
    _set_up_logs()
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except RequestError as error:
        from daemon.as_read import told  # noqa: PLC0415  (most commands refuse nothing)

        print(told(str(error)), file=sys.stderr)
        return WRONG_USE
    except BellwatchError as error:
        print(error, file=sys.stderr)
        return WRONG_USE
    except BrokenPipeError:
        sys.stderr.close()
        return 1
    except PermissionError as error:  # a mere look is refused where somebody may not enter the folder
        if error.filename is None:
            raise
        print(
            f"{error.filename}: permission denied; do this as a user who may, or give this one the right",
            file=sys.stderr,
        )
        return WRONG_USE


def bellwatch_parser(named: Container[str] = tuple(COMMANDS)) -> argparse.ArgumentParser:
    """Return the parser of the command line, in which the commands `named` have their arguments."""
    parser = argparse.ArgumentParser(
        prog="bellwatch",
        description="Keeps watch over the water of a jellyfish nursery rack. It advises and alerts; "
        "it never switches equipment.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for name, (module, help_text) in COMMANDS.items():
        command = commands.add_parser(name, help=help_text, description=help_text)
        if name in named:
            add_arguments = f"{name.replace('-', '_')}_arguments"
            getattr(import_module(f"daemon.commands.{module}"), add_arguments)(command)
    return parser


class _Version(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_given: Any) -> None:  # noqa: ANN401
        from daemon.version import version  # noqa: PLC0415  (slow to load)

        print(f"bellwatch {version()}")
        parser.exit()


def _set_up_logs() -> None:
    """Set up logging for a command whose modules log; the others need not wait for it to load."""
    if "structlog" in sys.modules:
        from daemon.logs import set_up_logs  # noqa: PLC0415

        set_up_logs()
