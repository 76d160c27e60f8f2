"""`bellwatch init`: a short interview that writes a settings file, and asks only what is missing in it."""

import argparse
import shutil
import sys
from pathlib import Path

from daemon.check.check import OK, UNFIT, check_command
from daemon.commands.install.interview import EndOfAnswersError, Interview
from daemon.commands.install.settings_text import extended
from daemon.commands.options import usual_settings
from daemon.errors import SettingsError
from daemon.files import replacing
from daemon.settings.file import read_values


def init_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `init`."""
    parser.description = (
        "Ask what the rack is and write its settings file, with comments. A file that is there is kept: only "
        "what is missing in it is asked, and added. Answers may come from a file, a line each: "
        "bellwatch init FILE < ANSWERS. An empty answer takes what stands in brackets."
    )
    parser.add_argument("file", type=Path, nargs="?", default=usual_settings())
    parser.set_defaults(command=_init)


def _init(options: argparse.Namespace) -> int:
    path: Path = options.file
    before = path.read_text(encoding="utf-8-sig") if path.exists() and read_values(path) is not None else ""
    interview, finished = Interview(read_values(path) if before else {}, sys.stdin, sys.stdout), True
    try:
        interview.run()
    except EndOfAnswersError as end:
        finished = False
        print(f"\nno more answers; still to be asked: {end}. `bellwatch init {path}` goes on from here")
    if interview.added:
        _write(path, before, extended(before, interview.added, interview.values))
        print(f"written: {path}")
    else:
        print(
            "nothing was added" if not finished else "nothing is missing; to change something, edit the file"
        )
    return (check_command(path, False, sys.stdout, sys.stderr) if finished else UNFIT) or OK


def _write(path: Path, before: str, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if (path.read_text(encoding="utf-8-sig") if path.exists() else "") != before:
            raise SettingsError.of(str(path), "a file that somebody changed meanwhile", "to be asked again")
        with replacing(path, ".init") as file:
            if before:
                shutil.copymode(path, file.name)
            file.write(text)
    except OSError as error:
        why = (error.strerror or "an error").lower()
        expected = "a folder that you may write in: run it with sudo, or name another file"
        raise SettingsError.of(str(path), f"a file that cannot be written ({why})", expected) from error
