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

# As `daemon.__main__` has it: also in what is started without it, such as the simulator.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

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
    "daemon/commands/install/test_demo.py",
    "daemon/oncall/test_process.py",
    "faults/test_faults.py",
    "drivers/test_modbus_bus.py",
    "daemon/page/test_pages.py",
    "daemon/journal/test_repair.py",
    "drivers/test_modbus_tcp.py",
    "daemon/oncall/test_page.py",
    "daemon/commands/rack/test_calibrate.py",
    "daemon/oncall/test_bridge.py",
    "daemon/page/test_acts.py",
    "drivers/text/test_bus.py",
    "drivers/sdi12/test_bus.py",
    "daemon/page/test_every_view.py",
    "drivers/test_mqtt_bus.py",
    "simulator/test_process.py",
    "daemon/broker/test_link.py",
    "daemon/report/test_report.py",
    "daemon/commands/engineer/test_import_readings.py",
    "daemon/page/test_write.py",
    "daemon/page/test_animals.py",
    "daemon/commands/going_live/test_wrong_wirings.py",
    "daemon/commands/rack/test_culture.py",
    "daemon/commands/engineer/test_tune.py",
    "daemon/broker/test_connection.py",
    "daemon/journal/test_crash_simulation.py",
    "daemon/page/test_full_disk.py",
    "daemon/watch/test_scenario_nights.py",
    "daemon/culture/test_season.py",
    "rules/test_engine_law.py",
    "daemon/replay/test_measured_series.py",
    "daemon/sources/test_columns.py",
    "daemon/record/test_forms.py",
    "rules/judging/test_to_and_fro.py",
    "rules/judging/test_thermostat.py",
    "daemon/replay/test_replay.py",
    "rules/judging/test_refuting_table.py",
    "simulator/rack/test_vessel.py",
    "daemon/tune/test_cluster.py",
    "rules/alarms/test_alarm_figures.py",
    "rules/judging/test_trust.py",
    "rules/alarms/test_precedence.py",
    "benchmarks/test_replay_benchmark.py",
    "rules/judging/test_comes_and_goes.py",
    "rules/judging/test_in_one_leap.py",
    "daemon/record/test_judged.py",
    "reference/test_flags_against_human_review.py",
)
"""Files that take more than ten seconds, those that wait and then those that compute."""
COMPUTE = (
    "benchmarks/", "daemon/culture/", "daemon/record/", "daemon/replay/", "daemon/sources/", "daemon/tune/",
    "daemon/watch/test_scenario_nights.py", "nights/", "reference/", "rules/", "simulator/rack/",
)  # fmt: skip
"""Where tests compute; those of other folders mostly wait, for processes, devices and time."""


def pytest_collection_modifyitems(items):
    """Let several processes begin with the longest files: one begun last would have the others wait.

    Files that wait and files that compute go evenly side by side: where all processes wait at once, nobody
    uses the processors, and where all compute, they are in each other's way.
    """
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    here = Path(__file__).parent
    places = {here / name: at for at, name in enumerate(LONGEST_FIRST)}
    kinds = {True: [], False: []}
    for file in sorted({item.path for item in items}, key=lambda it: (places.get(it, len(places)), it)):
        kinds[file.relative_to(here).as_posix().startswith(COMPUTE)].append(file)
    turns = {file: (at + 0.5) / len(files) for files in kinds.values() for at, file in enumerate(files)}
    items.sort(key=lambda item: turns[item.path])


@pytest.fixture(autouse=True)
def logs_as_they_were():
    """Take back what a command under test set up for its logs: its standard error is closed by now."""
    yield
    structlog.reset_defaults()


@pytest.fixture
def quiet_logs(logs_as_they_were):
    """Log nothing."""
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
