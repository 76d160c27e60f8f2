"""What holds for every test."""

import os
import sys
from pathlib import Path

import hypothesis
import pytest
import structlog

from tests.rigs.examples import FOR
from tests.rigs.places import ROOT

# Tests start hundreds of processes. Where nothing is to be written beside the sources, each would compile the
# whole daemon anew, and pytest every test; what one compiled the others find here.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.pycache_prefix = os.environ.setdefault("PYTHONPYCACHEPREFIX", str(ROOT / ".bellwatch" / "pycache"))

# How long an example takes says something of the machine and what else it does, not of the code.
hypothesis.settings.register_profile("patient", deadline=None)
hypothesis.settings.register_profile("thorough", deadline=None, max_examples=1000)
# For a run that is one of hundreds: always the same few examples, and the first that fails is enough.
hypothesis.settings.register_profile(
    "quick",
    deadline=None,
    derandomize=True,
    max_examples=20,
    phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
)
hypothesis.settings.load_profile(FOR)


LONGEST_FIRST = (
    "daemon/sources/test_columns.py",
    "daemon/tune/test_cluster.py",
    "daemon/commands/install/test_demo.py",
    "daemon/page/test_pages.py",
    "daemon/replay/test_measured_series.py",
    "daemon/culture/test_season.py",
    "faults/test_faults.py",
    "daemon/oncall/test_process.py",
    "drivers/test_modbus_bus.py",
    "daemon/page/test_acts.py",
    "daemon/page/test_full_disk.py",
    "daemon/page/test_every_view.py",
    "daemon/record/test_forms.py",
    "daemon/report/test_report.py",
    "daemon/journal/test_crash_simulation.py",
    "rules/calling/test_calling_machine.py",
    "daemon/replay/test_replay.py",
    "rules/judging/test_refuting_table.py",
    "daemon/test_fahrenheit.py",
    "daemon/handover/test_page.py",
    "daemon/oncall/test_page.py",
    "daemon/watch/test_sigkill.py",
    "rules/alarms/test_alarm_figures.py",
    "daemon/watch/test_sigkill_mqtt.py",
    "rules/test_engine_law.py",
    "test_deploy.py",
    "daemon/journal/test_repair.py",
    "daemon/broker/test_connection.py",
)
"""Files that take more than twenty seconds."""


def pytest_collection_modifyitems(items):
    """Let several processes begin with the longest files: one begun last would have the others wait."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        places = {Path(__file__).parent / name: at for at, name in enumerate(LONGEST_FIRST)}
        items.sort(key=lambda item: places.get(item.path, len(places)))


@pytest.fixture(autouse=True)
def logs_as_they_were():
    """Take back what a command under test set up for its logs: its standard error is closed by now."""
    yield
    structlog.reset_defaults()


@pytest.fixture
def quiet_logs(logs_as_they_were):
    """Log nothing."""
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
