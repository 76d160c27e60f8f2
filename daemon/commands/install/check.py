"""`bellwatch check`: everything that is wrong with a settings file, or the schema of such files."""

import argparse
import sys
from pathlib import Path

from daemon.check.check import check_command
from daemon.commands.options import usual_settings


def check_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `check`."""
    parser.add_argument("file", type=Path, nargs="?", default=usual_settings())
    parser.add_argument("--schema", action="store_true", help="write the JSON Schema of the file instead")
    parser.add_argument("--wall", action="store_true", help="write why each alarm exists, for the wall")
    parser.set_defaults(
        command=lambda options: check_command(
            options.file, options.schema, sys.stdout, sys.stderr, wall=options.wall
        )
    )
