"""What holds for every test."""

import hypothesis
import pytest
import structlog

# How long an example takes says something of the machine and what else it does, not of the code.
hypothesis.settings.register_profile("patient", deadline=None)
hypothesis.settings.load_profile("patient")


@pytest.fixture(autouse=True)
def logs_as_they_were():
    """Take back what a command under test set up for its logs: its standard error is closed by now."""
    yield
    structlog.reset_defaults()
