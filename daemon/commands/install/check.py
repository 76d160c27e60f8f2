"""`bellwatch check`: everything that is wrong with a settings file, or the schema of such files."""

import argparse
import logging
import sys
from pathlib import Path

from daemon.check.check import OK, UNFIT, check_command
from daemon.check.load import load_settings
from daemon.commands.options import usual_settings
from daemon.errors import Finding


def check_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `check`."""
    parser.add_argument("file", type=Path, nargs="?", default=usual_settings())
    parser.add_argument("--schema", action="store_true", help="write the JSON Schema of the file instead")
    parser.add_argument("--wall", action="store_true", help="write why each alarm exists, for the wall")
    parser.add_argument(
        "--here",
        action="store_true",
        help="try it on this machine, as this user: ports, rights, disk, clock, broker, and every probe once",
    )
    parser.set_defaults(command=_check)


def _check(options: argparse.Namespace) -> int:
    status = check_command(options.file, options.schema, sys.stdout, sys.stderr, wall=options.wall)
    if status or not options.here or options.schema:
        return status
    from daemon.commands.going_live.here import found_here  # noqa: PLC0415  (slow to load)
    from daemon.logs import set_up_logs  # noqa: PLC0415

    set_up_logs(logging.CRITICAL)  # what goes wrong is told below, a line each
    wrong = 0
    for found in found_here(load_settings(options.file)):
        print(f"here: {found}", flush=True)
        wrong += isinstance(found, Finding) and not found.is_warning
    print(f"here: {wrong or 'nothing'} that keeps the watch from its work")
    return UNFIT if wrong else OK
