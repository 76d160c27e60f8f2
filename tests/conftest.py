"""What holds for every test."""

import hypothesis
import pytest
import structlog

from tests.rigs.examples import FOR

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


@pytest.fixture(autouse=True)
def logs_as_they_were():
    """Take back what a command under test set up for its logs: its standard error is closed by now."""
    yield
    structlog.reset_defaults()


@pytest.fixture
def quiet_logs(logs_as_they_were):
    """Log nothing."""
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
