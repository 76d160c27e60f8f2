"""Which modules a command has loaded when it ends, in a process of its own."""

import json
import os
import subprocess
import sys

from tests.rigs.places import ROOT

LOADED = """
import json, sys
sys.argv[0] = "bellwatch"
from daemon.commands.cli import main
try:
    main()
except SystemExit:
    pass
print(json.dumps(sorted(sys.modules)))
"""
OURS = ("rules", "drivers", "daemon", "simulator")
LIBRARIES = {"numpy", "pydantic", "pydantic_settings", "pydantic_core", "paho", "rich", "structlog", "serial"}


def loaded(*arguments):
    """Return the modules that a fresh process has loaded when it ends a command."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith("BELLWATCH_")}
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *arguments],
        check=True, capture_output=True, text=True, cwd=ROOT, env=environment,
    )  # fmt: skip
    return json.loads(done.stdout.splitlines()[-1])


def ours(modules):
    """Return those of our rooms."""
    return [module for module in modules if module.split(".")[0] in OURS]


def libraries(modules):
    """Return the libraries of which there are any, those that take long to load."""
    return {module.split(".")[0] for module in modules} & LIBRARIES
